"""The Nernst equation both ways, its sensitivities, and the slope from two gases."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.domain import ProbeInputError
from detectors.probe.nernst import (
    cell_emf_mv,
    d_emf_d_gas_pressure,
    d_emf_d_o2,
    d_emf_d_temp,
    nernst_factor_mv,
    o2_frac_from_emf,
    slope_from_two_points,
)

any_float = st.floats(allow_nan=True, allow_infinity=True)


@settings(deadline=None)
@given(
    o2=st.floats(1e-6, 1.0),
    temp=st.floats(500.0, 900.0),
    ratio=st.floats(0.8, 1.2),
    slope=st.floats(0.7, 1.3),
    offset=st.floats(-50.0, 50.0),
)
def test_emf_and_oxygen_are_inverse(o2: float, temp: float, ratio: float, slope: float, offset: float) -> None:
    cell = {"pressure_ratio": ratio, "slope_frac": slope, "offset_mv": offset}
    assert o2_frac_from_emf(cell_emf_mv(o2, temp, **cell), temp, **cell) == pytest.approx(o2, rel=1e-9)


@settings(deadline=None)
@given(st.lists(any_float, max_size=20), any_float)
def test_whatever_a_register_holds_becomes_a_finite_number_or_nan(values: list[float], temp: float) -> None:
    for found in (
        cell_emf_mv(values, temp, invalid="nan"),
        d_emf_d_o2(values, temp, invalid="nan"),
        d_emf_d_temp(values, invalid="nan"),
        nernst_factor_mv(values, invalid="nan"),
    ):
        assert not np.isinf(found).any()
        assert found.shape == (len(values),)


def test_a_missing_value_stays_missing() -> None:
    np.testing.assert_array_equal(np.isnan(cell_emf_mv([0.03, math.nan], [700.0, 700.0])), [False, True])
    assert math.isnan(float(o2_frac_from_emf(40.0, math.nan)))


def test_a_display_of_zero_has_no_emf() -> None:
    with pytest.raises(ProbeInputError, match=r"o2_frac must be > 0 and <= 1, got 0\.0 at index 1"):
        cell_emf_mv([0.03, 0.0], 700.0)
    np.testing.assert_array_equal(np.isnan(cell_emf_mv([0.03, 0.0, 1.2], 700.0, invalid="nan")), [False, True, True])


def test_a_slope_of_zero_is_refused_on_the_way_back() -> None:
    with pytest.raises(ProbeInputError, match="slope_frac must be > 0"):
        o2_frac_from_emf(40.0, 700.0, slope_frac=0.0)


@pytest.mark.parametrize(("o2", "temp"), [(0.03, 700.0), (0.15, 650.0), (0.001, 820.0)])
def test_the_sensitivities_are_the_slopes_of_the_function(o2: float, temp: float) -> None:
    h_o2, h_temp, h_kpa = 1e-6, 1e-3, 1e-3
    by_o2 = (cell_emf_mv(o2 + h_o2, temp, slope_frac=0.97) - cell_emf_mv(o2 - h_o2, temp, slope_frac=0.97)) / (2 * h_o2)
    assert d_emf_d_o2(o2, temp, slope_frac=0.97) == pytest.approx(float(by_o2), rel=1e-5)
    by_temp = (cell_emf_mv(o2, temp + h_temp) - cell_emf_mv(o2, temp - h_temp)) / (2 * h_temp)
    assert d_emf_d_temp(o2) == pytest.approx(float(by_temp), rel=1e-6)
    p = 101.325
    by_kpa = (
        cell_emf_mv(o2, temp, pressure_ratio=p / (p + h_kpa)) - cell_emf_mv(o2, temp, pressure_ratio=p / (p - h_kpa))
    ) / (2 * h_kpa)
    assert d_emf_d_gas_pressure(temp, gas_pressure_kpa=p) == pytest.approx(float(by_kpa), rel=1e-6)


def test_the_slope_of_a_made_cell_comes_back_whatever_its_offset() -> None:
    cell = {"slope_frac": 0.93, "offset_mv": -3.2}
    found = slope_from_two_points(
        gas_emf_mv=float(cell_emf_mv(0.02, 700.0, **cell)),
        gas_o2_frac=0.02,
        gas_cell_temp_c=700.0,
        air_emf_mv=float(cell_emf_mv(0.2095, 700.0, **cell)),
        air_o2_frac=0.2095,
        air_cell_temp_c=700.0,
    )
    assert found.frac == pytest.approx(0.93, abs=1e-12)
    assert found.u_frac == 0.0


# 2 % of the bottle's value over ln(20.95 / bottle): 0.02 / 3.042 and 0.02 / 0.9627, by hand.
@pytest.mark.parametrize(("bottle_frac", "u_slope"), [(0.01, 0.00657), (0.08, 0.02077)])
def test_the_bottle_dominates_the_slopes_uncertainty(bottle_frac: float, u_slope: float) -> None:
    found = slope_from_two_points(
        gas_emf_mv=float(cell_emf_mv(bottle_frac, 700.0)),
        gas_o2_frac=bottle_frac,
        gas_cell_temp_c=700.0,
        air_emf_mv=0.0,
        air_o2_frac=0.2095,
        air_cell_temp_c=700.0,
        gas_o2_rel_u=0.02,
    )
    assert found.u_frac == pytest.approx(u_slope, abs=2e-5)


def test_two_gases_too_alike_give_no_slope() -> None:
    with pytest.raises(ProbeInputError, match=r"ln\(air_o2_frac / gas_o2_frac\)"):
        slope_from_two_points(
            gas_emf_mv=0.1,
            gas_o2_frac=0.2,
            gas_cell_temp_c=700.0,
            air_emf_mv=0.0,
            air_o2_frac=0.2095,
            air_cell_temp_c=700.0,
        )


def test_a_mis_scaled_emf_is_refused_rather_than_infinite() -> None:
    with pytest.raises(ProbeInputError, match="o2_frac from emf_mv must be finite"):
        o2_frac_from_emf(-30_000.0, 700.0)
    assert math.isnan(float(o2_frac_from_emf(-30_000.0, 700.0, invalid="nan")))


@settings(deadline=None)
@given(st.lists(any_float, max_size=20), any_float)
def test_any_emf_gives_a_finite_fraction_or_nan(values: list[float], temp: float) -> None:
    assert not np.isinf(o2_frac_from_emf(values, temp, invalid="nan")).any()
