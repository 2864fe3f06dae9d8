"""Heat that nobody ordered is found in every mode; cooling, hot gas and overshoot are not it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.heater_uncontrolled import HeaterUncontrolled, HeaterUncontrolledSettings
from detectors.held import HeldFor
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    feed,
    found,
    naive_held,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
    times,
)


def make(state):
    return HeaterUncontrolled(state=state)


def columns(t, temp, duty=np.nan, *, setpoint=700.0, flue=np.nan):
    n = len(t)
    return {
        "time_s": T0 + t,
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.broadcast_to(setpoint, n).astype(float),
        "duty": np.broadcast_to(duty, n).astype(float),
        "flue_temp_c": np.broadcast_to(flue, n).astype(float),
    }


def runaway(period_s=5.0):
    """A relay welds at ten minutes: 0.2 K/s up, the controller asks for nothing."""
    t = np.arange(0.0, 3600.0, period_s)
    temp = 700.0 + np.clip(0.2 * (t - 600.0), 0.0, 200.0)
    return columns(t, np.round(temp), np.where(t > 620.0, 0.0, 0.45), flue=300.0)


def healthy(seed=0):
    t = np.arange(0.0, 7200.0, 10.0)
    rng = np.random.default_rng(seed)
    return columns(t, 700.0 + rng.normal(0.0, 2.0, t.size), (rng.random(t.size) < 0.5).astype(float), flue=350.0)


def naive(c, o):
    """The definition, a sample at a time."""
    rows, last_sp, old, until, idle, misses, low = [], None, None, None, None, 0, None
    for t, temp, sp, d, flue in zip(*c.values(), strict=True):
        if not (-1100.0 < temp <= 1100.0 and 100.0 <= sp <= 1100.0):
            continue
        flue = flue if abs(flue) <= 2000.0 else np.nan
        if last_sp is not None and sp < last_sp:
            old = max(last_sp, old) if until is not None and t < until else last_sp
            until = t + o.grace_s
        last_sp = sp
        reference = max(sp, old) if until is not None and t < until else sp
        if not d > 0.02 and flue > reference:
            reference = flue
        if d <= 0.02 and temp > sp + 5.0 and not temp <= flue + 5.0:
            misses, idle = 0, t if idle is None else idle
            if t - idle >= o.lag_s and (low is None or temp < low[0] or t - low[1] > o.rise_within_s):
                low = (temp, t)
            rising = low is not None and temp >= low[0] + o.rise_k
        else:
            misses, rising = misses + 1, False
            if misses >= 2:
                idle = low = None
        rows.append((t, temp - reference > o.over_k or rising, temp - reference < o.clear_over_k))
    if not rows:
        return []
    t, on, off = map(np.array, zip(*rows, strict=True))
    return naive_held(HeldFor(hold_s=o.hold_s, release_s=o.release_s), t, on, off)


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=50, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = times(rng, 400)
    pace = np.repeat(rng.choice([-0.05, 0.0, 0.03], 20), 20)
    temp = np.clip(700.0 + np.cumsum(pace * np.diff(t, prepend=t[0])), 600.0, 780.0) + np.round(rng.normal(0, 1.5, 400))
    duty = np.repeat(rng.choice([0.0, 0.0, 0.5], 20), 20)
    setpoint = np.repeat(rng.choice([700.0, 700.0, 720.0, 650.0], 8), 50)
    flue = np.repeat(rng.choice([300.0, 715.0, np.nan], 4), 100)
    c = spoil(rng, columns(t - T0, temp, duty, setpoint=setpoint, flue=flue))
    same_however_cut(make, c, where)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == naive(c, HeaterUncontrolledSettings())


@pytest.mark.parametrize("period_s", [1.0, 5.0, 30.0])
def test_a_welded_relay_is_found_soon(period_s):
    one = found(make, runaway(period_s))
    assert [f.active for f in one] == [True]
    assert one[0].at_s - T0 < 600.0 + 26.0 / 0.2 + 60.0 + 4.0 * period_s
    assert one[0].facts["flue_known"] is True


def test_a_slow_rise_at_zero_output_is_found_before_it_is_25_over():
    t = np.arange(0.0, 3600.0, 10.0)
    one = found(make, columns(t, 706.0 + 0.01 * np.clip(t - 300.0, 0.0, 1500.0), 0.0, flue=500.0))
    assert one[0].active
    assert one[0].facts["rule"] == "rising_at_zero_output"
    assert one[0].value < 25.0


def test_both_sides_of_the_limit():
    t = np.arange(0.0, 600.0, 10.0)
    assert found(make, columns(t, 725.1, 0.3)) != []
    assert found(make, columns(t, 724.9, 0.3)) == []


def test_overshoot_after_a_step_down_of_the_set_point_is_none_and_a_runaway_then_is():
    t = np.arange(0.0, 4 * 3600.0, 10.0)
    after = np.maximum(0.0, t - 600.0)
    setpoint = np.where(t < 600.0, 800.0, 600.0)
    cooling = np.maximum(600.0, 400.0 + 400.0 * np.exp(-after / 3600.0))
    assert found(make, columns(t, cooling, np.where(cooling > 600.0, 0.0, 0.3), setpoint=setpoint)) == []
    welded = np.minimum(800.0 + 0.1 * after, 900.0)
    assert found(make, columns(t, welded, 0.0, setpoint=setpoint))[0].active
    stuck = np.where(t < 600.0, 800.0, 790.0)  # never cools: found when the time that cooling may take is over
    one = found(make, columns(t, stuck, 0.0, setpoint=setpoint))
    assert one[0].at_s - T0 == pytest.approx(600.0 + 7200.0 + 60.0, abs=40.0)


def test_gas_hotter_than_the_set_point_is_no_heater_but_the_cell_above_the_gas_is():
    t = np.arange(0.0, 7200.0, 10.0)
    flue = np.minimum(650.0 + t / 20.0, 800.0)
    cell = np.maximum(700.0, flue - 10.0)
    duty = np.where(cell > 700.0, 0.0, 0.2)
    assert found(make, columns(t, cell, duty, flue=flue)) == []
    assert found(make, columns(t, cell, duty))[0].facts["flue_known"] is False
    assert found(make, columns(t, cell, np.maximum(duty, 0.3), flue=flue))[0].active  # with the heater on it is one
    assert found(make, columns(t, np.where(t > 4000.0, 830.0, cell), duty, flue=flue))[0].active


def test_the_element_s_own_heat_and_a_good_controller_s_overshoot_are_none():
    t = np.arange(0.0, 3600.0, 5.0)
    lag = 700.0 + 14.0 * (1.0 - np.exp(-t / 60.0)) * np.exp(-t / 900.0)
    assert found(make, columns(t, lag, 0.0, flue=300.0)) == []


def test_a_flue_sentinel_hides_no_runaway_and_a_set_point_of_zero_makes_none():
    c = runaway()
    for value in (np.inf, 32767.0, 1e300):
        c["flue_temp_c"][:] = value
        assert [f.active for f in found(make, c)] == [True]
    t = np.arange(0.0, 3600.0, 5.0)
    assert found(make, columns(t, 700.0, 0.4, setpoint=np.where(t > 600.0, 0.0, 700.0))) == []


def test_a_burnout_value_is_no_heat():
    t = np.arange(0.0, 3600.0, 5.0)
    assert found(make, columns(t, np.where(t < 600.0, 700.0, 1372.0), 0.0)) == []


def test_it_ends_when_the_cell_is_back_and_says_what_it_lacks():
    c = runaway()
    c["cell_temp_c"][500:], c["duty"][500:] = 702.0, 0.4
    events, detector = feed(make, c)
    assert [f.active for f in events] == [True, False]
    assert "set point" in make(None).report().needs
    assert detector.report().watch == "watching"


def test_bad_input_is_harmless_and_silences_nothing():
    bad_input_is_harmless(make, healthy())
    one_bad_value_does_not_silence(make, runaway())


@pytest.mark.parametrize("name", list(HeaterUncontrolledSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        HeaterUncontrolledSettings(**{name: float("nan")})
