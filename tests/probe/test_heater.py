"""Demand, resistance, counters and cooling."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.domain import ProbeInputError
from detectors.probe.heater import (
    Step,
    cold_resistance_ohm,
    cooling_temp_c,
    cooling_time_constant_s,
    counter_increment,
    demand_frac,
    duty_for_demand,
    hot_resistance_ohm,
    phase_angle_to_power_frac,
    power_w,
)

# P = (V / (R + R_lead))^2 R and duty = 40 W / P by hand: 529 ohm cold, 1.010 hot.
SUPPLY = [
    (195.5, 71.5347, 0.559170),
    (207.0, 80.1980, 0.498765),
    (230.0, 99.0099, 0.404000),
    (253.0, 119.8020, 0.333884),
]


@pytest.mark.parametrize(("voltage_v", "full_w", "duty"), SUPPLY)
def test_demand_takes_the_mains_out_of_the_duty(voltage_v: float, full_w: float, duty: float) -> None:
    assert power_w(voltage_v, 529.0 * 1.01) == pytest.approx(full_w, abs=5e-5)
    assert demand_frac(duty, voltage_v, 230.0) == pytest.approx(0.404, abs=1e-6)
    assert duty_for_demand(0.404, voltage_v, 230.0) == pytest.approx(duty, abs=1e-6)


# 24 V on 5.8176 ohm hot through 0, 0.52 and 1.0 ohm of leads, by hand.
@pytest.mark.parametrize(("lead_ohm", "watts"), [(0.0, 99.010), (0.52, 83.429), (1.0, 72.095)])
def test_leads_take_power(lead_ohm: float, watts: float) -> None:
    assert power_w(24.0, 5.8176, 1.0, lead_ohm) == pytest.approx(watts, abs=5e-3)


def test_a_demand_that_the_supply_cannot_meet_shows_above_one() -> None:
    assert duty_for_demand(0.9, 195.5, 230.0) > 1.0


def test_a_dead_supply_has_no_duty_that_would_do() -> None:
    with pytest.raises(ProbeInputError, match="voltage_v must be > 0"):
        duty_for_demand(0.4, 0.0, 230.0)
    assert math.isnan(float(duty_for_demand(0.4, 0.0, 230.0, invalid="nan")))


# 230 V, 300 W: 176 ohm hot; 165 to 178 cold over the alloys' 0.99 to 1.07, 1.04 where unknown.
def test_the_ohmmeter_range_covers_the_alloys() -> None:
    hot = hot_resistance_ohm(230.0, 300.0)
    cold = cold_resistance_ohm(hot)
    assert hot == pytest.approx(176.3, abs=0.05)
    assert (round(cold.low), round(cold.high)) == (165, 178)
    assert cold.expected == pytest.approx(hot / 1.04)


def test_a_known_alloy_leaves_only_the_tolerance() -> None:
    cold = cold_resistance_ohm(104.0, 1.04, tolerance_frac=0.1)
    assert cold == pytest.approx((90.0, 100.0, 110.0))


# Phase control of a resistor: firing at 90 degrees is half power, and symmetric about it (textbook).
@pytest.mark.parametrize(
    ("conduction", "power"), [(0.0, 0.0), (0.25, 0.25 - 1 / (2 * math.pi)), (0.5, 0.5), (1.0, 1.0)]
)
def test_phase_angle_is_not_power(conduction: float, power: float) -> None:
    assert phase_angle_to_power_frac(conduction) == pytest.approx(power, abs=1e-12)


def test_phase_angle_agrees_with_the_integral_of_the_sine_squared() -> None:
    angle = np.linspace(0, np.pi, 200_001)
    for conduction in (0.1, 0.37, 0.8):
        fired = angle >= np.pi * (1 - conduction)
        assert phase_angle_to_power_frac(conduction) == pytest.approx(
            float(np.sum(np.sin(angle[fired]) ** 2) / np.sum(np.sin(angle) ** 2)), abs=2e-5
        )


@pytest.mark.parametrize(
    ("prev", "now", "wraps_at", "most", "amount", "step"),
    [
        (100.0, 160.0, 65536.0, 66.0, 60.0, Step.FORWARD),
        (65500.0, 24.0, 65536.0, 66.0, 60.0, Step.WRAPPED),
        (65500.0, 24.0, None, 66.0, math.nan, Step.RESET),  # nothing is known of a wrap
        (30000.0, 24.0, 65536.0, 66.0, math.nan, Step.RESET),  # 35560 s in a minute cannot be
        (30000.0, 0.0, 65536.0, None, math.nan, Step.RESET),
        (100.0, 9000.0, 65536.0, 66.0, math.nan, Step.UNKNOWN),
        (math.nan, 24.0, 65536.0, 66.0, math.nan, Step.UNKNOWN),
        (100.0, -1.0, 65536.0, 66.0, math.nan, Step.UNKNOWN),
        (100.0, 100.0, 65536.0, 66.0, 0.0, Step.FORWARD),
        (65535.0, 0.0, 65536.0, 66.0, 1.0, Step.WRAPPED),
    ],
)
def test_a_wrap_is_told_from_a_reset(
    prev: float, now: float, wraps_at: float | None, most: float | None, amount: float, step: Step
) -> None:
    found = counter_increment(prev, now, wraps_at, largest_step=most)
    assert found.step is step
    assert found.amount == pytest.approx(amount, nan_ok=True)


@settings(deadline=None)
@given(st.integers(0, 65535), st.integers(0, 3000))
def test_any_small_gain_comes_back_through_the_wrap(prev: int, gain: int) -> None:
    found = counter_increment(prev, (prev + gain) % 65536, 65536, largest_step=3600)
    assert found.amount == gain


def test_a_cooling_curve_gives_its_time_constant_back() -> None:
    time = np.arange(0.0, 120.0, 5.0)
    temp = np.round(cooling_temp_c(time, 700.0, 180.0, 400.0), 1)
    assert cooling_time_constant_s(time, temp, 180.0) == pytest.approx(400.0, rel=0.01)


@pytest.mark.parametrize("temps", [[700.0] * 6, [700.0, 701.0, 702.0, 703.0], [math.nan] * 5, [], [700.0]])
def test_what_does_not_cool_has_no_time_constant(temps: list[float]) -> None:
    assert math.isnan(cooling_time_constant_s(np.arange(len(temps)), temps, 180.0))
