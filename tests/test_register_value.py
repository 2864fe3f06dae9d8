"""The decimal a register stands for, against decimal arithmetic and numpy's own shortest float32."""

from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.register_value import value_reader, values_of


def register(kind, scale=1.0, offset=0.0):
    return SimpleNamespace(type=kind, scale=scale, offset=offset)


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
