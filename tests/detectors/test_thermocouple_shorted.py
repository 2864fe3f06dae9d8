"""A shorted thermocouple: the head's temperature, or a fall that no cooling makes, at full duty."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor
from detectors.thermocouple_shorted import ThermocoupleShorted, ThermocoupleShortedSettings
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    found,
    naive_held,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
    times,
)


def make(state):
    return ThermocoupleShorted(state=state)


def columns(t, temp, duty, *, head=45.0):
    n = len(t)
    return {
        "time_s": T0 + t,
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.full(n, 700.0),
        "head_temp_c": np.broadcast_to(head, n).astype(float),
        "duty": np.broadcast_to(duty, n).astype(float),
    }


def naive(c, o):
    """The definition, a sample at a time."""
    cell, last, steady, level, hot, rows = None, None, 0, None, [], []
    for t, temp, sp, head, duty in zip(*c.values(), strict=True):
        if not (-50.0 < temp < 1100.0 and np.isfinite([sp, duty]).all()) or (cell is not None and t // 10.0 <= cell):
            continue
        cell = t // 10.0
        coldest = min(head, 20.0) if np.isfinite(head) and head > -50.0 else 20.0
        jump = last is not None and last[1] - temp > 20.0 + 2.0 / 300.0 * max(last[1] - coldest, 0.0) * (t - last[0])
        if level is None and jump and steady >= 3:
            level = last[1]
        wild = last is not None and temp - last[1] > 100.0 + 5.0 * (t - last[0])
        steady, last = 1 if jump or wild else steady + 1, (t, temp)
        if level is not None and abs(temp - level) <= 20.0:
            level = None
        hot += [t] if temp > head + 300.0 else []
        full = duty >= 0.9 and temp < sp - 50.0
        fell = level is not None and temp < level - 20.0
        cold = abs(temp - head) <= 15.0
        recent = len(hot) >= 2 and t - hot[-2] <= 900.0
        rows.append((t, full and (fell or (cold and recent)), not full or not (fell or cold)))
    if not rows:
        return []
    t, on, off = map(np.array, zip(*rows, strict=True))
    return naive_held(HeldFor(hold_s=o.hold_s, release_s=o.release_s), t, on, off)


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=50, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    temp = np.repeat(rng.choice([700.0, 700.0, 620.0, 300.0, 50.0], 20), 20) + rng.normal(0, 3, 400)
    duty = np.repeat(rng.choice([1.0, 1.0, 0.5], 20), 20)
    c = spoil(rng, columns(times(rng, 400) - T0, temp, duty, head=rng.choice([45.0, np.nan], 400, p=[0.9, 0.1])))
    same_however_cut(make, c, where)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == naive(c, ThermocoupleShortedSettings())


@pytest.mark.parametrize("poll", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("lands", "damping_s"), [(45.0, 0.0), (250.0, 0.0), (45.0, 30.0), (45.0, 120.0)])
def test_a_short_is_found_within_minutes(poll, lands, damping_s):
    t = np.arange(0.0, 3600.0, poll)
    after = np.maximum(0.0, t - 600.0)
    shown = lands + (700.0 - lands) * (np.exp(-after / damping_s) if damping_s else (t < 600.0))
    temp = np.where(t < 600.0, 700.0, shown)
    events = found(make, columns(t, temp, np.where(t < 620.0, 0.45, 1.0)))
    assert [f.active for f in events] == [True]
    assert events[0].at_s - T0 < 600.0 + 90.0 + 4.0 * max(poll, 10.0) + 5.0 * damping_s


def test_it_ends_when_the_reading_is_back_or_less_is_asked_for():
    t = np.arange(0.0, 7200.0, 10.0)
    short = (t >= 600.0) & (t < 4000.0)
    events = found(make, columns(t, np.where(short, 48.0, 700.0), np.where(short, 1.0, 0.45)))
    assert [f.active for f in events] == [True, False]
    assert events[0].facts["rule"] == "reads_head"
    off = found(make, columns(t, np.where(t < 600.0, 700.0, 48.0), np.where(short, 1.0, 0.0)))
    assert [f.active for f in off] == [True, False]


@pytest.mark.parametrize("tau_s", [600.0, 1800.0])
def test_cooling_cold_starts_and_wild_values_are_no_short(tau_s):
    t = np.arange(0.0, 3 * 3600.0, 10.0)
    cooling = 40.0 + 660.0 * np.exp(-np.maximum(0.0, t - 600.0) / tau_s)
    assert found(make, columns(t, cooling, np.where(t < 620.0, 0.45, 1.0))) == []  # an open heater
    assert found(make, columns(t, np.minimum(700.0, 45.0 + 0.4 * np.maximum(0.0, t - 600.0)), 1.0)) == []
    warming = np.minimum(690.0, 45.0 + 0.2 * t)
    assert found(make, columns(t, np.where(np.arange(t.size) % 40 == 7, 900.0, warming), 1.0)) == []
    assert found(make, columns(t, np.where(np.arange(t.size) % 40 == 7, 0.0, 700.0), 1.0)) == []
    assert found(make, columns(t, np.where(t < 600.0, 700.0, 45.0), 0.3)) == []  # not at full duty


def test_both_sides_of_what_cooling_can_do():
    t = np.arange(0.0, 1200.0, 10.0)
    # From 700 degC in 10 s: 20 K and 2 x 680 / 300 x 10 = 45 K.
    for drop, expected in ((64.0, []), (67.0, [True])):
        temp = np.where(t < 600.0, 700.0, 700.0 - drop)
        assert [f.active for f in found(make, columns(t, temp, 1.0))] == expected


def test_a_reading_of_the_head_after_a_long_hole_may_be_a_cold_probe():
    t = np.concatenate([np.arange(0.0, 600.0, 10.0), 8000.0 + np.arange(0.0, 1800.0, 10.0)])
    assert found(make, columns(t, np.where(t < 600.0, 700.0, 45.0), 1.0)) == []


def test_it_says_what_it_lacks():
    assert "duty" in make(None).report().needs
    detector = make(None)
    detector.update(**columns(np.arange(0.0, 100.0, 10.0), 700.0, 0.4, head=np.nan))
    assert "head_temp" in detector.report().needs
    assert detector.advance(T0) == []


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 3600.0, 10.0)
    bad_input_is_harmless(make, columns(t, 700.0, 0.45))
    one_bad_value_does_not_silence(make, columns(t, np.where(t < 600.0, 700.0, 45.0), np.where(t < 620.0, 0.45, 1.0)))
    one_bad_value_does_not_silence(make, columns(t, np.where(t < 600.0, 700.0, 250.0), 1.0), at=62)


@pytest.mark.parametrize("name", list(ThermocoupleShortedSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ThermocoupleShortedSettings(**{name: float("nan")})
