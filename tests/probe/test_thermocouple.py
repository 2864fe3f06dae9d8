"""Thermocouples there and back."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.domain import ProbeInputError
from detectors.probe.thermocouple import (
    TYPES,
    emf_mv,
    range_c,
    seebeck_mv_per_k,
    temp_c_from_emf,
    temp_c_from_terminal,
    terminal_mv,
)


@pytest.mark.parametrize("type_", TYPES)
def test_emf_and_temperature_are_inverse_over_the_whole_range(type_: str) -> None:
    low, high = range_c(type_)
    temps = np.linspace(25.0 if type_ == "B" else low, high, 2001)
    # 1e-10 mV over a type B of some 0.01 uV/K near its turn is 1e-5 K; everywhere else it is far below.
    assert np.max(np.abs(temp_c_from_emf(emf_mv(temps, type_), type_) - temps)) < 1e-5


@pytest.mark.parametrize("type_", TYPES)
def test_the_seebeck_coefficient_is_the_slope(type_: str) -> None:
    low, high = range_c(type_)
    joins = np.array([0.0, 630.615, 760.0, 1064.18, 1664.5])
    temps = np.linspace(low + 1, high - 1, 400)
    temps = temps[np.min(np.abs(temps[:, None] - joins[None, :]), axis=1) > 0.1]
    h = 1e-3
    slope = (emf_mv(temps + h, type_) - emf_mv(temps - h, type_)) / (2 * h)
    np.testing.assert_allclose(seebeck_mv_per_k(temps, type_), slope, atol=2e-8)


@pytest.mark.parametrize("type_", TYPES)
def test_the_pieces_of_a_reference_function_meet(type_: str) -> None:
    for join in (0.0, 630.615, 760.0, 1064.18, 1664.5):
        low, high = range_c(type_)
        if low < join < high:
            below, above = emf_mv([join - 1e-9, join + 1e-9], type_)
            assert above == pytest.approx(below, abs=5e-5)  # the tables are printed to 1e-3 mV


def test_terminals_show_the_difference_and_give_the_cell_back() -> None:
    heads = np.array([-10.0, 25.0, 60.0])
    shown = terminal_mv(700.0, heads)
    np.testing.assert_allclose(temp_c_from_terminal(shown, heads), 700.0, atol=1e-6)


def test_leads_shorted_at_the_head_read_the_heads_temperature() -> None:
    assert temp_c_from_terminal(0.0, 43.0) == pytest.approx(43.0, abs=1e-7)


def test_a_reversed_type_k_at_work_is_below_the_range() -> None:
    with pytest.raises(ProbeInputError, match=r"emf_mv must be >= -6\.45"):
        temp_c_from_terminal(-27.5, 40.0)
    assert math.isnan(float(temp_c_from_terminal(-27.5, 40.0, invalid="nan")))


def test_an_unknown_type_is_refused() -> None:
    with pytest.raises(ProbeInputError, match="must be one of B, E, J, K, N, R, S, T, got 'X'"):
        emf_mv(700.0, "X")


def test_shapes_are_kept() -> None:
    assert temp_c_from_emf(np.zeros((2, 3)) + 20.0).shape == (2, 3)
    assert temp_c_from_emf(20.0).shape == ()
    assert temp_c_from_emf([]).shape == (0,)


@settings(deadline=None)
@given(st.lists(st.floats(), max_size=20), st.sampled_from(TYPES))
def test_any_millivolt_gives_a_temperature_in_range_or_nan(values: list[float], type_: str) -> None:
    low, high = range_c(type_)
    found = temp_c_from_emf(values, type_, invalid="nan")
    assert np.all(np.isnan(found) | ((found >= low) & (found <= high)))
