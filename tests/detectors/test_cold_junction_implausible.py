"""A head temperature that cannot be: out of range, jumping, or stuck."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.cold_junction_implausible import ColdJunctionImplausible, ColdJunctionImplausibleSettings
from detectors.held import HeldFor
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    found,
    naive_held,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
)

HOUR, DAY = 3600.0, 86400.0


def make(state):
    return ColdJunctionImplausible(state=state)


def columns(t, head, flue=np.nan, other=np.nan):
    n = len(t)
    return {
        "time_s": T0 + t,
        "head_temp_c": np.broadcast_to(head, n).astype(float),
        "flue_temp_c": np.broadcast_to(flue, n).astype(float),
        "other_head_c": np.broadcast_to(other, n).astype(float),
    }


def service(days=20.0, poll=60.0, step=0.1, seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, DAY * days, poll)
    flue = 300.0 + 40.0 * np.sin(2.0 * np.pi * t / DAY) + rng.normal(0.0, 2.0, t.size)
    head = 45.0 + 6.0 * np.sin(2.0 * np.pi * (t - HOUR) / DAY) + rng.normal(0.0, 0.05, t.size)
    return t, np.round(head / step) * step, np.round(flue)


def naive(c, o):
    """The definition, a sample at a time: (time, rule, whether it holds)."""
    use = np.isfinite(c["head_temp_c"])
    t, x, flue, other = (np.array(column)[use] for column in c.values())
    inside = (x >= o.lowest_c) & (x <= o.highest_c)
    rule = HeldFor(hold_s=o.hold_s, release_s=o.release_s)
    events = [(at, "out_of_range", on) for at, on, _ in naive_held(rule, t, ~inside, inside)]
    jumps, jumping = [], False
    for j in range(3, t.size):
        p, a, b, d = x[j - 3 : j + 1]
        far = abs(b - a) > o.jump_k + o.jump_k_per_s * (t[j - 1] - t[j - 2])
        if far and abs(d - b) < abs(d - a) and abs(a - p) < abs(b - p):
            jumps.append(t[j])
        recent = [s for s in jumps[-o.jumps :] if t[j] - s <= HOUR]
        if not jumping and len(recent) >= o.jumps and jumps[-1] == t[j]:
            jumping = True
            events.append((t[j], "jumping", True))
        elif jumping and not recent:
            jumping = False
            events.append((t[j], "jumping", False))
    longest, stuck, seen, run = 0.0, False, ([], []), t[0] if t.size else 0.0
    for j in range(t.size):
        gap = j > 0 and t[j] - t[j - 1] > 21600.0
        if j == 0 or gap or x[j] != x[j - 1]:
            if stuck:
                stuck = False
                events.append((t[j], "stuck", False))
            elif j > 0 and not gap and t[j] < t[0] + o.learn_s:
                longest = max(longest, t[j] - run)
            run, seen = t[j], ([], [])
        for values, column in zip(seen, (flue, other), strict=True):
            values += [column[j]] if abs(column[j]) < 3000.0 and t[j] >= run + o.stuck_s / 3.0 else []
        least = o.unlearnt_s if t[j] < t[0] + o.learn_s else o.stuck_s
        moved = [max(v) - min(v) >= k for v, k in zip(seen, (o.flue_moves_k, o.other_moves_k), strict=True) if v]
        if not stuck and any(moved) and t[j] - run >= max(least, o.times_longest * longest):
            stuck = True
            events.append((t[j], "stuck", True))
    return sorted(events)


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=50, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([10.0, 60.0, 600.0, 30000.0], 400, p=[0.3, 0.4, 0.28, 0.02]))
    still = np.repeat(rng.random(20) < 0.5, 20)
    head = np.where(still, 45.0, np.round(rng.normal(45.0, 3.0, 400)))
    head[rng.random(400) < 0.05] = 90.0
    head = np.where(np.repeat(rng.random(40) < 0.05, 10), 500.0, head)
    c = spoil(rng, columns(t, head, 300.0 + np.cumsum(rng.normal(0.0, 3.0, 400)), np.nan), 0.01)
    o = ColdJunctionImplausibleSettings(stuck_s=1800.0, unlearnt_s=5000.0, learn_s=30000.0)

    def small(state):
        return ColdJunctionImplausible(o, state)

    same_however_cut(small, c, where)
    assert [(f.at_s, f.facts["rule"], f.facts["rule_holds"]) for f in found(small, c)] == naive(c, o)


def test_out_of_range_is_found_and_ends():
    t = np.arange(0.0, HOUR, 10.0)
    for value, expected in ((125.5, [True]), (124.5, []), (-40.5, [True]), (-39.5, [])):
        assert [f.active for f in found(make, columns(t, value))] == expected
    out = np.where((t > 1000.0) & (t < 2000.0), 850.0, 40.0)
    events = found(make, columns(t, out))
    assert [f.active for f in events] == [True, False]
    assert events[0].facts["rule"] == "out_of_range"


def test_three_jumps_in_an_hour_are_found_and_two_or_lone_spikes_are_not():
    t = np.arange(0.0, 6 * HOUR, 30.0)
    for jumps, expected in ((3, [True, False]), (2, [])):
        level = np.searchsorted(600.0 * (1 + np.arange(jumps)), t) % 2
        assert [f.active for f in found(make, columns(t, 40.0 + 40.0 * level))] == expected
    spiky = np.full(t.size, 40.0)
    spiky[::20] = 90.0
    assert found(make, columns(t, spiky)) == []
    assert found(make, columns(t, 40.0 + 29.0 * (np.floor(t / 300.0) % 2))) == []  # 15 K and 30 s of 0.5 K/s
    assert found(make, columns(t, 40.0 + 31.0 * (np.floor(t / 300.0) % 2))) != []


def test_a_stuck_head_is_found_by_what_moves_around_it():
    t, head, flue = service()
    stuck = head.copy()
    stuck[t > 16 * DAY] = stuck[np.flatnonzero(t > 16 * DAY)[0]]
    for others in ({"flue": flue}, {"other": head}):
        events = found(make, columns(t, stuck, **others))
        assert [f.active for f in events] == [True]
        assert events[0].facts["rule"] == "stuck"
        assert 1.0 <= (events[0].at_s - T0) / DAY - 16.0 < 1.1
    assert found(make, columns(t, stuck)) == []
    assert found(make, columns(t, stuck, np.round(300.0 + 0.01 * flue))) == []


@pytest.mark.parametrize("step", [0.1, 1.0, 5.0])
def test_a_healthy_season_is_quiet_at_any_resolution(step):
    t, head, flue = service(60.0, 300.0, step)
    assert found(make, columns(t, head, flue, head + 1.0)) == []


def test_it_says_what_it_lacks():
    assert "head_temp" in make(None).report().needs
    detector = make(None)
    detector.update(**columns(np.arange(0.0, 100.0, 10.0), 40.0))
    assert "flue_temp" in detector.report().needs
    assert detector.advance(T0) == []


def test_bad_input_is_harmless_and_silences_nothing():
    t, head, flue = service(1.0, 120.0)
    bad_input_is_harmless(make, columns(t, head, flue))
    one_bad_value_does_not_silence(make, columns(t[:50], 140.0, flue[:50]))
    t, head, flue = service(20.0, 300.0)
    stuck = columns(t, np.where(t > 16 * DAY, 45.0, head), flue)
    one_bad_value_does_not_silence(make, stuck, at=5000)


@pytest.mark.parametrize("name", list(ColdJunctionImplausibleSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ColdJunctionImplausibleSettings(**{name: float("nan")})
