"""A reading that stands still: by its own longest run, with something else moving, and `stale` where nothing does."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.reading_frozen import ReadingFrozen, ReadingFrozenSettings
from tests.detector_kit import T0, bad_input_is_harmless, cuts, feed, found, same_however_cut, spoil

QUICK = ReadingFrozenSettings(learn_s=7200.0, learn_changes=50)
DAY = 86400.0


def make(state):
    return ReadingFrozen(QUICK, state)


def columns(t, o2, *, live=True, **others):
    n = len(t)
    names = ("cell_emf_mv", "cell_temp_c", "head_temp_c", "duty", "counter", "flue_temp_c", "load_pct")
    return {
        "time_s": T0 + t,
        "o2_pct": np.broadcast_to(o2, n).astype(float),
        "live": np.broadcast_to(live, n).astype(bool),
        **{name: np.broadcast_to(others.get(name, np.nan), n).astype(float) for name in names},
    }


def service(hours=12.0, poll=10.0, step=0.01, seed=0):
    """Times, oxygen and duty of a healthy probe."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 3600.0 * hours, poll)
    slow = np.convolve(rng.normal(0.0, 1.0, t.size), np.ones(60) / np.sqrt(60.0), "same")
    o2 = np.round((3.0 + 0.3 * slow + rng.normal(0.0, 0.02, t.size)) / step) * step
    return t, o2, np.round(0.45 + rng.normal(0.0, 0.02, t.size), 3)


def freeze(t, column, from_h, to_h=1e9):
    out = column.copy()
    part = (t >= 3600.0 * from_h) & (t < 3600.0 * to_h)
    out[part] = out[np.flatnonzero(part)[0]]
    return out


def naive(c, o):
    """The definition, a sample at a time: (time, active, stale)."""
    events, clock, last_t, value, active, stale, learnt, longest, changes = (
        [],
        0.0,
        None,
        None,
        False,
        False,
        False,
        0.0,
        0,
    )
    from_s, count, moves, last = 0.0, 0, {}, {}
    others = list(c)[3:]
    for i, t in enumerate(c["time_s"]):
        o2 = c["o2_pct"][i]
        if not c["live"][i] or not np.isfinite(o2):
            continue
        dt = 0.0 if last_t is None else t - last_t
        clock += dt if dt <= o.max_gap_s else 0.0
        last_t = t
        if o2 != value:
            if active:
                active = stale = False
                events.append((t, False, False))
            elif not learnt and value is not None:
                longest = max(longest, clock - from_s)
            if not learnt and value is not None:
                changes += 1
                learnt = clock >= o.learn_s and changes >= o.learn_changes
            value, from_s, count, moves, last = o2, clock, 0, {}, {}
        count += 1
        limit = max(o.least_s, o.times_longest * longest)
        limit = limit if learnt else max(o.unlearnt_s, limit)
        if clock < from_s + limit / 3.0:
            continue
        for name in others:
            x = c[name][i]
            if np.isfinite(x):
                moves[name] = moves.get(name, 0) + (name in last and last[name] != x)
                last[name] = x
        if clock - from_s < limit or count < o.least_samples:
            continue
        own = [moves[n] for n in others[:5] if n in moves]
        foreign = [moves[n] for n in others[5:] if n in moves]
        alone = max(own, default=0) >= 3 or (not own and max(foreign, default=0) >= 3)
        flat = bool(own) and max(own) == 0
        if (alone or flat) and (not active or (alone and stale)):
            active, stale = True, flat
            events.append((t, True, stale))
    return events


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=60, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([10.0, 60.0, 300.0, 5000.0], 400, p=[0.3, 0.5, 0.19, 0.01]))
    o2 = np.where(np.repeat(rng.random(20) < 0.4, 20), 3.0, np.round(rng.normal(3.0, 0.5, 400), 1))
    duty = np.where(np.repeat(rng.random(10) < 0.3, 40), 0.4, np.round(rng.normal(0.4, 0.05, 400), 2))
    c = columns(
        t, o2, live=np.repeat(rng.random(80) < 0.9, 5), duty=duty, load_pct=np.round(rng.normal(60.0, 2.0, 400))
    )
    c["cell_temp_c"] = np.where(rng.random(400) < 0.5, np.nan, 700.0)
    c = spoil(rng, c, 0.01)
    o = ReadingFrozenSettings(learn_s=3600.0, learn_changes=20, unlearnt_s=5400.0, least_s=600.0, least_samples=10)

    def small(state):
        return ReadingFrozen(o, state)

    same_however_cut(small, c, where)
    assert [(f.at_s, f.active, f.facts["stale"]) for f in found(small, c)] == naive(c, o)


@pytest.mark.parametrize("poll", [1.0, 10.0, 60.0])
def test_a_frozen_reading_is_found_in_a_quarter_of_an_hour_and_ends(poll):
    t, o2, duty = service(8.0, poll)
    events = found(make, columns(t, freeze(t, o2, 5.0, 7.0), duty=duty))
    assert [f.active for f in events] == [True, False]
    assert 18000.0 + 900.0 <= events[0].at_s - T0 <= 18000.0 + 1860.0
    assert events[0].facts["stale"] is False
    assert events[0].facts["moving"] == "heater_duty"


def test_everything_flat_is_stale_whatever_another_line_tells():
    t, o2, duty = service()
    events = found(make, columns(t, freeze(t, o2, 5.0), duty=freeze(t, duty, 5.0), load_pct=50.0 + duty))
    assert [f.active for f in events] == [True]
    assert events[0].facts["stale"] is True


def test_a_stale_answer_of_which_only_the_rest_comes_back_is_a_frozen_reading():
    t, o2, duty = service()
    events = found(make, columns(t, freeze(t, o2, 5.0), duty=freeze(t, duty, 5.0, 8.0)))
    assert [(f.active, f.facts["stale"]) for f in events] == [(True, True), (True, False)]


def test_without_any_companion_nothing_is_said():
    t, o2, _ = service()
    events, detector = feed(make, columns(t, freeze(t, o2, 5.0)))
    assert events == []
    assert "another signal" in detector.report().needs


def test_both_sides_of_three_times_the_longest_run():
    t = np.arange(0.0, 12 * 3600.0, 10.0)
    hold = np.floor(t / 600.0)  # a sample-and-hold analyser: runs of 10 min, limit 30 min
    duty = np.random.default_rng(0).random(t.size)
    o = ReadingFrozenSettings(learn_s=7200.0, learn_changes=10)
    for minutes, expected in ((29.0, []), (31.0, [True, False])):
        o2 = np.where((t >= 18000.0) & (t < 18000.0 + 60.0 * minutes), -1.0, hold)
        events = found(lambda s: ReadingFrozen(o, s), columns(t, o2, duty=duty))
        assert [f.active for f in events] == expected


def test_held_displays_and_units_at_rest_are_passed_over():
    t, o2, duty = service()
    live = (t < 18000.0) | (t > 10 * 3600.0)
    o2 = np.where(t < 18000.0, o2, np.where(live, o2, 20.9))
    assert found(make, columns(t, o2, live=live, duty=duty)) == []
    # The same value before and after months at rest is no run of months.
    far = np.where(live & (t > 20000.0), t + 90 * DAY, t)[live]
    assert found(make, columns(far, freeze(t, o2, 4.9)[live][: far.size], duty=duty[live])) != []
    same = np.where(t < 17900.0, o2, 3.33)
    keep = (t < 18000.0) | ((t > 10 * 3600.0) & (t < 10 * 3600.0 + 300.0))
    assert found(make, columns(np.where(t > 20000.0, t + 90 * DAY, t)[keep], same[keep], duty=duty[keep])) == []


def test_while_it_learns_only_sixteen_hours_speak():
    t, o2, duty = service(24.0)
    slow = ReadingFrozenSettings()
    events = found(lambda s: ReadingFrozen(slow, s), columns(t, freeze(t, o2, 5.0), duty=duty))
    assert [f.active for f in events] == [True]
    assert events[0].at_s - T0 == pytest.approx(21 * 3600.0, abs=60.0)


@pytest.mark.parametrize("step", [0.001, 0.01, 0.1])
def test_a_healthy_season_is_quiet_at_any_resolution(step):
    t, o2, duty = service(24.0 * 40.0, 60.0, step)
    events, detector = feed(lambda s: ReadingFrozen(None, s), columns(t, o2, duty=duty))
    assert events == []
    assert "stands still" in detector.report().learnt


def test_bad_input_is_harmless_and_silences_nothing():
    t, o2, duty = service(4.0)
    bad_input_is_harmless(make, columns(t, o2, duty=duty))
    t, o2, duty = service()
    frozen = columns(t, freeze(t, o2, 5.0), duty=duty)
    for value in (np.nan, np.inf, 1e300, -1e300):
        for name in ("o2_pct", "duty"):
            for at in (3, 1900):
                spoilt = {k: v.copy() for k, v in frozen.items()}
                spoilt[name][at] = value
                assert found(make, spoilt)[-1].active, (value, name, at)


def test_a_recorded_change_renews_it():
    _, detector = feed(make, columns(*service()[:2]))
    detector.renew()
    assert detector.report().watch == "not_observable"
    assert detector.advance(T0) == []


@pytest.mark.parametrize("name", list(ReadingFrozenSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ReadingFrozenSettings(**{name: float("nan")})
