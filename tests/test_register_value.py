"""The decimal a register stands for, against decimal arithmetic and numpy's own shortest float32."""

from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.register_value import step_of, value_reader, values_of


def register(kind, scale=1.0, offset=0.0, decimals=None):
    return SimpleNamespace(type=kind, scale=scale, offset=offset, decimals=decimals)


def same(a, b):
    return a == b or (a != a and b != b)


def digits(value):
    return len(Decimal(str(value)).normalize().as_tuple().digits)


@given(
    raw=st.integers(-(2**31), 2**32 - 1),
    scale=st.sampled_from([1.0, 0.1, 0.01, -0.25, 0.0048828125, 1 / 3, 1.8, 1e-30, 10.0]),
    offset=st.sampled_from([0.0, -40.0, 0.5, -17.77, 273.15]),
)
def test_a_scaled_register_is_the_float_nearest_to_its_decimal(raw, scale, offset):
    at = register("int32", scale, offset)
    value = value_reader(at)(raw)
    if scale != 1e-30:  # outlandish scales are taken as they come
        assert value == float(raw * Decimal(repr(scale)) + Decimal(repr(offset)))
    assert values_of(at, np.array([float(raw), np.nan]))[0] == value


@pytest.mark.parametrize(("raw", "scale", "text"), [(3, 0.1, "0.3"), (703, 0.1, "70.3"), (2095, 0.01, "20.95")])
def test_its_shortest_text_is_what_the_maker_meant(raw, scale, text):
    assert repr(value_reader(register("uint16", scale))(raw)) == text


@given(st.floats(width=32))
def test_a_float32_is_a_short_decimal_that_only_it_is_nearest_to(raw):
    value = value_reader(register("float32"))(raw)
    with np.errstate(over="ignore"):
        assert same(np.float32(value), np.float32(raw))
    if 1e-30 < abs(raw) < 1e38:
        # A digit more than the shortest, hardly ever; a whole number is its own decimal.
        assert float(raw).is_integer() or digits(value) <= digits(np.float32(raw)) + 1
    assert same(values_of(register("float32"), np.array([raw]))[0], value)


def test_nothing_changes_a_float64_or_a_plain_count():
    assert value_reader(register("float64"))(0.1 + 0.2) == 0.1 + 0.2
    assert value_reader(register("uint16"))(65535) == 65535.0
    assert values_of(register("uint16"), np.array([1.0, np.nan]))[0] == 1.0


@given(st.floats(-1e4, 1e4, width=32), st.integers(0, 4))
def test_digits_that_mean_nothing_are_rounded_off_live_and_in_arrays_alike(raw, decimals):
    at = register("float32", decimals=decimals)
    value = value_reader(at)(raw)
    if abs(raw) < 1e-6:  # what a wrong word order gives: no zero comes of it
        assert value == raw
    else:
        assert value == round(value, decimals)
    assert abs(value - raw) <= 0.5000001 * 10.0**-decimals
    assert values_of(at, np.array([raw]))[0] == value
    assert step_of(at) == pytest.approx(10.0**-decimals)


def test_the_step_of_a_register():
    assert step_of(register("uint16", -0.01)) == 0.01
    assert step_of(register("float32")) == step_of(None) == 0.0
