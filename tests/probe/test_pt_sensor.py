"""Platinum sensors there and back."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.domain import ProbeInputError
from detectors.probe.pt_sensor import dr_dt_ohm_per_k, resistance_ohm, temp_c_from_resistance, tolerance_k


@pytest.mark.parametrize("r0", [100.0, 1000.0])
def test_resistance_and_temperature_are_inverse(r0: float) -> None:
    temps = np.linspace(-200.0, 850.0, 2101)
    np.testing.assert_allclose(temp_c_from_resistance(resistance_ohm(temps, r0), r0), temps, atol=1e-9)


def test_the_slope_is_the_slope() -> None:
    temps = np.array([-150.0, -20.0, 25.0, 400.0])
    by_difference = (resistance_ohm(temps + 1e-3) - resistance_ohm(temps - 1e-3)) / 2e-3
    np.testing.assert_allclose(dr_dt_ohm_per_k(temps), by_difference, rtol=1e-7)


def test_a_broken_wire_and_a_short_are_no_temperatures() -> None:
    with pytest.raises(ProbeInputError, match="resistance_ohm"):
        temp_c_from_resistance(1e6)
    np.testing.assert_array_equal(np.isnan(temp_c_from_resistance([0.0, 1100.0, 1e6], invalid="nan")), [1, 0, 1])


def test_a_class_that_is_not_in_the_standard_is_refused() -> None:
    with pytest.raises(ProbeInputError, match="class_ must be one of AA, A, B, C, got 'D'"):
        tolerance_k(25.0, "D")  # type: ignore[arg-type]


@settings(deadline=None)
@given(st.lists(st.floats(), max_size=20))
def test_any_resistance_gives_a_temperature_in_range_or_nan(values: list[float]) -> None:
    found = temp_c_from_resistance(values, invalid="nan")
    assert np.all(np.isnan(found) | ((found >= -200.0 - 1e-6) & (found <= 850.0 + 1e-6)))


def test_a_missing_value_stays_missing() -> None:
    assert math.isnan(float(resistance_ohm(math.nan)))
