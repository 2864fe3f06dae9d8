"""Full duty on the cooling curve is found; everything else that a heater at full duty does is not."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.heater_open import HeaterOpen, HeaterOpenSettings, HeaterOpenState

T0 = 1_760_000_000.0
SET_C = 700.0


def run(time_s, duty, temp_c, setpoint_c=None, cuts=(), restart=False):
    setpoint_c = np.full(len(time_s), SET_C) if setpoint_c is None else setpoint_c
    detector, found = HeaterOpen(), []
    edges = [0, *sorted({min(c, len(time_s)) for c in cuts}), len(time_s)]
    for a, b in pairwise(edges):
        found += detector.update(time_s[a:b], duty[a:b], temp_c[a:b], setpoint_c[a:b])
        if restart:
            saved = json.loads(json.dumps(detector.state.to_dict(), allow_nan=False))
            detector = HeaterOpen(state=HeaterOpenState.from_dict(saved))
    return found


def naive(time_s, duty, temp_c, setpoint_c, options=None):
    """The definition, a sample at a time: returns (time, active) at each change."""
    o = HeaterOpenSettings() if options is None else options
    kept, events, active, run_from, setpoint, from_c = [], [], False, None, np.nan, np.nan
    for t, d, c, s in zip(time_s, duty, temp_c, setpoint_c, strict=True):
        if np.isfinite(s):
            setpoint = s
        if not np.isfinite([d, c, setpoint]).all():
            continue
        cold = d >= o.full_duty_frac and setpoint - c > o.below_setpoint_k
        fresh = not kept or not kept[-1][2] or t - kept[-1][0] > o.max_gap_s
        run_from = (t if fresh or run_from is None else run_from) if cold else None
        kept.append((t, c, cold))
        if active and not cold and len(kept) > 1 and not kept[-2][2]:
            active = False
            events.append((t, False))
            continue
        old = [i for i, row in enumerate(kept) if row[0] <= t - o.window_s]
        if not cold or len(kept) < 3 or not old:
            continue
        start = min(old[-1], len(kept) - 3)
        if kept[start][0] < run_from:
            continue
        part = kept[start:]
        length = t - part[0][0]
        if abs(c - part[0][1]) < 0.5 * o.min_fall_k_per_s * length:
            continue
        if active != (c > part[0][1]):
            continue
        thirds = [[], [], []]
        for row in part:
            thirds[0 if row[0] < t - 2 * length / 3 else 1 if row[0] < t - length / 3 else 2].append(row)
        if not thirds[0] or not thirds[1]:
            continue
        at = [np.median([r[0] for r in third]) for third in thirds]
        level = [np.median([r[1] for r in third]) for third in thirds]
        fall = (level[0] - level[2]) / (at[2] - at[0])
        rates = [(level[k] - level[k + 1]) / (at[k + 1] - at[k]) for k in range(2)]
        if not all(np.sign(fall) * r >= 0.5 * o.min_fall_k_per_s for r in rates):
            continue
        temps = [r[1] for r in part]
        if len(temps) >= 9:
            temps = [float(np.median(temps[k : k + 3])) for k in range(len(temps) - 2)]
        falls = [np.sign(fall) * (a - b) for a, b in pairwise(temps)]
        if sum(falls) - max(falls) < 0.4 * o.min_fall_k_per_s * length:
            continue
        if not active and fall >= o.min_fall_k_per_s:
            active, from_c = True, part[0][1]
            events.append((t, True))
        elif active and fall <= -o.min_fall_k_per_s and c > from_c:
            active = False
            events.append((t, False))
    return events


def opened(*, period_s=5.0, tau_s=1800.0, flue_c=300.0, at_s=600.0, hours=1.0, step_k=1.0, seed=0):
    """A probe in service whose heater opens: Newton's cooling, a register of whole kelvins, then full duty."""
    t = np.arange(0.0, hours * 3600.0, period_s)
    temp = np.where(t < at_s, SET_C, flue_c + (SET_C - flue_c) * np.exp(-np.maximum(0.0, t - at_s) / tau_s))
    temp += np.random.default_rng(seed).normal(0.0, 0.3, t.size)
    duty = np.where(t < at_s + 20.0, 0.45, 1.0)
    return T0 + t, duty, np.round(temp / step_k) * step_k


@pytest.mark.parametrize("tau_s", [600.0, 1800.0, 3600.0])
@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 60.0])
@pytest.mark.parametrize("flue_c", [100.0, 300.0, 480.0])
def test_an_open_heater_is_found_within_minutes(tau_s, period_s, flue_c):
    time_s, duty, temp_c = opened(period_s=period_s, tau_s=tau_s, flue_c=flue_c)
    found = run(time_s, duty, temp_c)
    assert [f.active for f in found] == [True]
    # 10 K below takes tau x 10 / (700 - flue); then two minutes; a poll or two on top.
    below_s = tau_s * -np.log(1.0 - 10.0 / (SET_C - flue_c))
    assert found[0].at_s - T0 <= 600.0 + below_s + 120.0 + 4.0 * period_s + 60.0


@pytest.mark.parametrize("seed", range(5))
def test_a_cold_start_an_exhausted_heater_and_a_sag_are_not_an_open_heater(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 7200.0, 5.0)
    full = np.ones(t.size)
    warm_up = 20.0 + 680.0 * (1.0 - np.exp(-t / 1500.0))
    flat = np.full(t.size, 660.0)
    slow = 690.0 - 20.0 * t / 3600.0  # the flue cools at full duty: 20 K an hour
    sag = 655.0 + 45.0 * np.exp(-t / 1800.0)  # a tenth of the losses is missing: 0.025 K/s at first
    hunting = 680.0 + 6.0 * np.sin(2.0 * np.pi * t / 400.0)  # 0.09 K/s, but up and down
    for temp in (warm_up, flat, slow, sag):
        assert run(T0 + t, full, np.round(temp + rng.normal(0.0, 0.7, t.size))) == []
    duty = np.where(np.sin(2.0 * np.pi * t / 400.0) > 0.0, 0.6, 1.0)
    assert run(T0 + t, duty, np.round(hunting)) == []


def test_it_stays_found_when_the_cell_has_cooled_to_the_flue_and_ends_when_it_heats_again():
    time_s, duty, temp_c = opened(hours=6.0, tau_s=900.0)
    again = np.arange(5.0, 3600.0, 5.0)
    time_s = np.concatenate([time_s, time_s[-1] + again])
    temp_c = np.concatenate([temp_c, 300.0 + 400.0 * (1.0 - np.exp(-again / 900.0))])
    duty = np.concatenate([duty, np.ones(again.size)])
    found = run(time_s, duty, temp_c)
    assert [f.active for f in found] == [True, False]
    # Above where it fell from, within 10 K of the set point: 900 s x ln(400 / 10) of heating, and a window.
    assert 6 * 3600.0 + 3000.0 < found[1].at_s - T0 < 6 * 3600.0 + 3600.0


def test_a_dead_heater_in_a_batch_furnace_is_one_finding_however_its_flue_comes_and_goes():
    t = np.arange(0.0, 86_400.0, 10.0)
    flue = 400.0 + 200.0 * np.sign(np.sin(2.0 * np.pi * t / 14_400.0))
    temp = np.empty(t.size)
    temp[0] = SET_C
    for i in range(1, t.size):
        temp[i] = temp[i - 1] + (flue[i] - temp[i - 1]) * 10.0 / 900.0
    assert [f.active for f in run(T0 + t, np.ones(t.size), np.round(temp))] == [True]


def test_it_ends_when_the_duty_is_taken_away_but_not_by_one_odd_sample():
    time_s, duty, temp_c = opened()
    odd, off = duty.copy(), duty.copy()
    odd[400], off[400:] = 0.2, 0.0
    assert [f.active for f in run(time_s, odd, temp_c)] == [True]
    assert [(f.active, f.at_s) for f in run(time_s, off, temp_c)][1] == (False, time_s[401])


@given(
    seed=st.integers(0, 10_000),
    cuts=st.lists(st.integers(0, 300), max_size=12),
    restart=st.booleans(),
)
@settings(max_examples=25, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, cuts, restart):
    rng = np.random.default_rng(seed)
    n = 300
    time_s = T0 + np.cumsum(rng.choice([1.0, 5.0, 10.0, 60.0, 400.0], n, p=[0.2, 0.4, 0.3, 0.09, 0.01]))
    pace = np.repeat(rng.choice([-0.6, -0.2, -0.05, 0.0, 0.3], n // 20), 20)
    temp = np.clip(np.round(690.0 + np.cumsum(pace * np.diff(time_s, prepend=time_s[0]))), 20.0, 712.0)
    temp += np.round(rng.normal(0.0, 0.7, n))
    duty = np.repeat(rng.choice([1.0, 0.97, 0.5], n // 15, p=[0.6, 0.3, 0.1]), 15)
    setpoint = np.full(n, SET_C)
    for column in (temp, duty, setpoint):
        column[rng.random(n) < 0.05] = np.nan
    temp[rng.random(n) < 0.01] = np.inf
    found = run(time_s, duty, temp, setpoint, cuts, restart)
    assert [(f.at_s, f.active) for f in found] == naive(time_s, duty, temp, setpoint)
    assert found == run(time_s, duty, temp, setpoint)


def test_missing_values_are_passed_over_and_silence_nothing():
    time_s, duty, temp_c = opened()
    setpoint = np.full(time_s.size, SET_C)
    temp_c[130:134], duty[150], setpoint[10:] = np.nan, np.inf, np.nan
    found = run(time_s, duty, temp_c, setpoint)
    assert [f.active for f in found] == [True]
    assert found[0].at_s - T0 < 900.0


@pytest.mark.parametrize("n", [0, 1, 2])
def test_a_few_samples_say_nothing(n):
    assert run(T0 + 100.0 * np.arange(n), np.ones(n), 600.0 - 50.0 * np.arange(n)) == []


def test_a_step_of_the_register_is_no_cooling_curve():
    t = np.arange(0.0, 600.0, 5.0)
    assert run(T0 + t, np.ones(t.size), np.where(t < 300.0, 680.0, 640.0)) == []


def test_nothing_is_found_of_missing_columns_and_the_report_says_what_is_wanted():
    t = T0 + np.arange(0.0, 600.0, 5.0)
    gone = np.full(t.size, np.nan)
    detector = HeaterOpen()
    assert detector.update(t, gone, gone, gone) == []
    assert "duty" in detector.report().needs


@pytest.mark.parametrize("name", ["full_duty_frac", "below_setpoint_k", "window_s", "min_fall_k_per_s", "max_gap_s"])
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        HeaterOpenSettings(**{name: float("nan")})
