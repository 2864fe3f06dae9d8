"""The block EWMA against the recursion written out, in any cut."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.ewma import arl, ewma, limits

series = st.lists(st.one_of(st.floats(-5, 5), st.just(math.nan)), max_size=40)


def naive(x: list[float], weight: float, z: float) -> list[float]:
    found = []
    for value in x:
        z = weight * value + (1 - weight) * z if math.isfinite(value) else z
        found.append(z)
    return found


@settings(deadline=None)
@given(series, st.floats(0.01, 1.0), st.floats(-3, 3))
def test_the_block_form_equals_the_recursion(x: list[float], weight: float, start: float) -> None:
    found, carried = ewma(x, weight=weight, start=start)
    expected = naive(x, weight, start)
    np.testing.assert_allclose(found, expected, atol=1e-9)
    assert carried == pytest.approx(expected[-1] if expected else start, abs=1e-9)


def test_long_blocks_are_carried_over_their_inner_seams() -> None:
    x = np.random.default_rng(1).normal(size=1500)
    np.testing.assert_allclose(ewma(x, weight=0.03, start=1.0)[0], naive(list(x), 0.03, 1.0), atol=1e-12)


@settings(deadline=None)
@given(series, st.integers(0, 40))
def test_a_cut_changes_nothing(x: list[float], at: int) -> None:
    whole, end = ewma(x, weight=0.2, start=0.0)
    first, carried = ewma(x[:at], weight=0.2, start=0.0)
    second, carried = ewma(x[at:], weight=0.2, start=carried)
    np.testing.assert_allclose(np.concatenate((first, second)), whole, atol=1e-9)
    assert carried == pytest.approx(end, abs=1e-9)


def test_early_limits_are_narrower_and_end_at_the_steady_ones() -> None:
    early, late, steady = (limits(0.0, 1.0, weight=0.2, n=n) for n in (1, 200, None))
    assert early == pytest.approx((-0.6, 0.6))  # 3 sigma weight
    assert late == pytest.approx(steady)


def test_a_weight_of_one_is_a_shewhart_chart() -> None:
    assert arl(1.0, 3.0) == pytest.approx(370.40, abs=0.005)  # 1 / (2 Phi(-3))


@pytest.mark.parametrize("weight", [0.0, 1.1, math.nan])
def test_a_weight_out_of_range_is_refused(weight: float) -> None:
    with pytest.raises(ValueError, match="weight must be > 0 and <= 1"):
        ewma([0.0], weight=weight, start=0.0)
    with pytest.raises(ValueError, match="weight must be > 0 and <= 1"):
        arl(weight, 3.0)


def test_other_settings_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="sigma and width"):
        limits(0.0, -1.0, weight=0.2)
    with pytest.raises(ValueError, match="n must be >= 1"):
        limits(0.0, 1.0, weight=0.2, n=0)
    with pytest.raises(ValueError, match="width must be > 0"):
        arl(0.2, 0.0)
