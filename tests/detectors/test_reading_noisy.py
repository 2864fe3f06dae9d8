"""Noise against the probe's own at like load and poll, and spikes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.reading_noisy import ReadingNoisy, ReadingNoisySettings
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    feed,
    found,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
)


def make(state):
    return ReadingNoisy(ReadingNoisySettings(learn_windows=6), state)


def columns(t, o2, load=np.nan, *, live=True):
    n = len(t)
    return {
        "time_s": T0 + t,
        "o2_pct": np.broadcast_to(o2, n).astype(float),
        "load_pct": np.broadcast_to(load, n).astype(float),
        "live": np.broadcast_to(live, n).astype(bool),
    }


def service(hours=30.0, poll=10.0, noise=0.02, factor=1.0, from_h=12.0, step=0.01, seed=0):
    """Flue oxygen with a slow process and white noise, which grows by a factor at an hour."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 3600.0 * hours, poll)
    slow = np.interp(t, np.arange(0.0, t[-1] + 600.0, 300.0), rng.normal(3.0, 0.3, int(t[-1] // 300.0) + 3))
    size = np.where(t >= 3600.0 * from_h, factor * noise, noise)
    return t, np.round((slow + size * rng.normal(0.0, 1.0, t.size)) / step) * step


def naive_windows(c, o):
    """[start, step, load class, spike sizes of agreeing neighbours] of each complete window, sample by sample."""
    cell, rows = None, {}
    for t, o2, load, live in zip(*c.values(), strict=True):
        if cell is not None and t // o.pace_s <= cell:
            continue
        cell = t // o.pace_s
        if live and abs(o2) <= 100.0:
            rows.setdefault(t // o.window_s, []).append((t, o2, load))
    out = []
    for key in list(rows)[:-1]:
        row = rows[key]
        dts = [b[0] - a[0] for a, b in pairwise(row)]
        if len(row) <= o.least_steps:
            continue
        period = float(np.median(dts))
        steps = sorted(abs(b[1] - a[1]) for a, b, dt in zip(row[:-1], row[1:], dts, strict=True) if dt <= 1.5 * period)
        if len(steps) < o.least_steps:
            continue
        kept = steps[: len(steps) - int(0.1 * len(steps))]
        loads = [r[2] for r in row if np.isfinite(r[2]) and r[2] >= 0.0]
        load = float(np.median(loads)) if 2 * len(loads) > len(row) else -1.0
        name = (round(np.log2(period)), -1 if load < 0.0 else min(int(load // 25.0), 3))
        spikes = []
        for i in range(1, len(row) - 1):
            a, b, d = row[i - 1][1], row[i][1], row[i + 1][1]
            if max(dts[i - 1], dts[i]) <= 1.5 * period and abs(d - a) <= 0.25 * abs(b - 0.5 * (a + d)):
                spikes.append(abs(b - 0.5 * (a + d)))
        out.append((key * o.window_s, sum(kept) / len(kept), name, spikes))
    return out


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=30, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([3.0, 10.0, 12.0, 4000.0], 400, p=[0.1, 0.6, 0.295, 0.005]))
    size = np.repeat(rng.choice([0.05, 0.05, 0.5, 3.0], 10), 40)
    o2 = 5.0 + size * rng.normal(0.0, 1.0, 400) + 8.0 * (rng.random(400) < 0.05)
    c = spoil(rng, columns(t, o2, rng.choice([40.0, 60.0, np.nan], 400), live=rng.random(400) < 0.97))
    o = ReadingNoisySettings(learn_windows=3, least_steps=5, window_s=120.0, spikes=2)

    def small(state):
        return ReadingNoisy(o, state)

    same_however_cut(small, c, where)
    learning, recent, active, expected = {}, [], False, []
    for start, step, name, sizes in naive_windows(c, o):
        rows = learning.setdefault(name, [])
        usual = np.median(np.array(rows[:3]), axis=0) if len(rows) >= 3 else None
        spikes = sum(s > max(1.0, 10.0 * (step if usual is None else usual[0])) for s in sizes)
        rows.append((step, spikes))
        limit = 1.0 if usual is None else max(0.1, 4.0 * usual[0])
        most = 2.0 if usual is None else max(2.0, 4.0 * usual[1])
        recent = [*recent, (step > limit or spikes >= most, step < 0.7 * limit and spikes < 0.7 * most)][-4:]
        was = active
        if sum(r[0] for r in recent) >= 3:
            active = True
        elif was and all(r[1] for r in recent):
            active = False
        if was or active:
            expected.append((start + 120.0, active, pytest.approx(step), spikes))
    assert [(f.at_s, f.active, f.value, f.facts["spikes"]) for f in found(small, c)] == expected


@pytest.mark.parametrize("poll", [1.0, 10.0, 60.0])
def test_noise_is_found_within_four_hours_and_ends(poll):
    t, o2 = service(24.0, poll, factor=12.0)
    back = service(24.0, poll, seed=1)[1]
    events = found(make, columns(t, np.where(t < 18 * 3600.0, o2, back)))
    assert events[0].active
    assert events[0].at_s - T0 == 15 * 3600.0
    assert events[0].facts["kind"] == "noise"
    assert not events[-1].active
    assert events[-1].at_s - T0 == 22 * 3600.0


def test_both_sides_of_the_limits():
    flat = {"noise": 0.0, "step": 1e-6}
    t = service(24.0, **flat)[0]
    saw = np.where(np.arange(t.size) % 2 == 0, 1.0, -1.0)
    late = t >= 12 * 3600.0
    for usual, later_step, expected in (
        (0.05, 0.198, False),
        (0.05, 0.202, True),
        (0.005, 0.09, False),
        (0.005, 0.11, True),
    ):
        o2 = 3.0 + 0.5 * saw * np.where(late, later_step, usual)
        assert bool(found(make, columns(t, o2))) is expected
    assert found(make, columns(t[:1000], 3.0 + 0.45 * saw[:1000])) == []  # 0.9 % a step while it learns
    assert found(make, columns(t[:1800], 3.0 + 0.55 * saw[:1800])) != []


def test_spikes_are_found_as_spikes_and_a_few_are_not():
    t, o2 = service(24.0)
    late = np.flatnonzero(t >= 12 * 3600.0)
    for every, expected in ((50, True), (110, False)):  # 7 an hour, 3 an hour
        spiky = o2.copy()
        spiky[late[::every]] += 4.0
        events = found(make, columns(t, spiky))
        assert bool(events) is expected
        assert all(f.facts["kind"] == "spikes" for f in events)


def test_a_load_that_makes_noise_is_compared_with_itself():
    t, o2 = service(96.0)
    high = np.floor(t / (12 * 3600.0)) % 2 == 1
    o2 = o2 + np.where(high, 0.5, 0.0) * np.random.default_rng(5).normal(0.0, 1.0, t.size)
    assert found(make, columns(t, o2, np.where(high, 90.0, 40.0))) == []
    assert found(make, columns(t, o2))  # without the load it looks like noise


def test_checks_holes_and_a_change_of_the_poll_are_no_noise():
    t, o2 = service(30.0)
    hourly = (t % 3600.0) < 300.0
    assert found(make, columns(t, np.where(hourly, 20.9, o2), live=~hourly)) == []
    burst = np.sort(np.concatenate([t, t[t > 60000.0] + 1.0, t[t > 60000.0] + 2.0]))
    assert found(make, columns(burst, np.interp(burst, t, o2))) == []
    thin = (t < 50000.0) | (np.arange(t.size) % 6 == 0)
    assert found(make, columns(t[thin], o2[thin])) == []


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_season_is_quiet(seed):
    t, o2 = service(24.0 * 30.0, 60.0, 0.03, seed=seed)
    rng = np.random.default_rng(seed)
    o2 = o2 + 0.05 * rng.standard_t(3, t.size)
    assert found(lambda s: ReadingNoisy(None, s), columns(t, o2)) == []


def test_it_says_what_it_has_learnt_and_a_recorded_repair_renews_it():
    assert "o2" in make(None).report().needs
    _, detector = feed(make, columns(*service(12.0), 60.0))
    assert "load 50..75 %" in detector.report().learnt
    detector.renew()
    assert detector.report().watch == "not_observable"
    assert detector.advance(T0) == []


def test_bad_input_is_harmless_and_silences_nothing():
    t, o2 = service(10.0)
    bad_input_is_harmless(make, columns(t, o2, 60.0))
    one_bad_value_does_not_silence(make, columns(*service(24.0, factor=12.0), 60.0), at=4600)


@pytest.mark.parametrize("name", list(ReadingNoisySettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ReadingNoisySettings(**{name: float("nan")})
