"""Damp air, and what it does to the emf."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.domain import ProbeInputError
from detectors.probe.humidity import damp_air_o2_frac, reference_shift_mv, saturation_pressure_kpa, water_frac


def test_dry_air_keeps_all_its_oxygen() -> None:
    assert damp_air_o2_frac(30.0, 0.0) == pytest.approx(0.2095, abs=0)


def test_air_that_would_boil_is_refused() -> None:
    with pytest.raises(ProbeInputError, match="water_frac"):
        water_frac(101.0, 100.0, 101.325)


def test_vapour_pressure_is_continuous_where_ice_melts() -> None:
    below, above = saturation_pressure_kpa([0.0099, 0.0101])
    assert above == pytest.approx(below, rel=1e-4)
    assert above > below


def test_ambient_air_at_20_degc_and_50_pct_costs_a_quarter_of_a_millivolt() -> None:
    # k(700) ln(1 - 1169.402 / 101325) = -0.2434 mV with p_w of psychrolib 2.5.0; the spread of the inputs adds 1 %.
    found = reference_shift_mv(700.0, "ambient", temp_c=20.0, rh_pct=50.0)
    assert found.mv == pytest.approx(-0.2434, abs=0.004)
    # 2 K of 20 degC is 12.4 % of p_ws, 5 % of 50 % is 10 %: together 16 %.
    assert found.u_mv == pytest.approx(0.16 * 0.2434, rel=0.05)


def test_exactly_known_air_has_no_uncertainty() -> None:
    found = reference_shift_mv(700.0, "ambient", temp_c=40.0, rh_pct=70.0, temp_u_k=0.0, rh_u_pct=0.0)
    # k(700) ln(1 - 0.7 x 7383.460 / 101325), p_ws of psychrolib 2.5.0
    assert found.mv == pytest.approx(20.964895 * math.log(1 - 0.7 * 7383.460 / 101325), abs=1e-5)
    assert found.u_mv == pytest.approx(0.0, abs=1e-9)


def test_the_less_is_known_the_wider_it_gets() -> None:
    known = reference_shift_mv(700.0, "ambient", temp_c=22.5, rh_pct=55.0)
    half = reference_shift_mv(700.0, "ambient", temp_c=22.5)
    nothing = reference_shift_mv(700.0, "ambient")
    assert known.u_mv < half.u_mv < nothing.u_mv
    assert reference_shift_mv(700.0, "ambient", temp_c=math.nan, rh_pct=math.nan) == nothing


def test_instrument_air_hardly_shifts_and_unknown_air_covers_both() -> None:
    dry, damp = reference_shift_mv(700.0, "instrument"), reference_shift_mv(700.0, "ambient")
    either = reference_shift_mv(700.0, "unknown")
    assert -0.02 < dry.mv < 0
    assert dry.u_mv < 0.01
    assert damp.mv < either.mv < dry.mv
    assert either.u_mv >= (dry.mv - damp.mv) / 2


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ProbeInputError, match="kind must be ambient, instrument or unknown, got 'bottled'"):
        reference_shift_mv(700.0, "bottled")  # type: ignore[arg-type]


@settings(deadline=None)
@given(st.lists(st.floats(), max_size=10), st.floats(), st.floats())
def test_any_input_gives_a_fraction_or_nan(temps: list[float], rh: float, pressure: float) -> None:
    found = damp_air_o2_frac(temps, rh, pressure, invalid="nan")
    assert np.all(np.isnan(found) | ((found >= 0) & (found <= 0.2095)))
