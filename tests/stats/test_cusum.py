"""The block CUSUM against the recursion written out, in any cut."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.cusum import CusumState, arl, arl_siegmund, cusum

series = st.lists(st.one_of(st.floats(-5, 5), st.just(math.nan)), max_size=60)


def naive(z: list[float], slack: float, high: float = 0.0, low: float = 0.0) -> list[tuple[float, float]]:
    found = []
    for value in z:
        if math.isfinite(value):
            high, low = max(0.0, high + value - slack), max(0.0, low - value - slack)
        found.append((high, low))
    return found


@settings(deadline=None)
@given(series, st.floats(0, 2), st.floats(0, 5), st.floats(0, 5))
def test_the_block_form_equals_the_recursion(z: list[float], slack: float, high: float, low: float) -> None:
    highs, lows, state = cusum(z, slack=slack, state=CusumState(high=high, low=low))
    expected = naive(z, slack, high, low)
    np.testing.assert_allclose(np.column_stack((highs, lows)), np.array(expected).reshape(-1, 2), atol=1e-9)
    end = expected[-1] if expected else (high, low)
    assert (state.high, state.low) == pytest.approx(end, abs=1e-9)


@settings(deadline=None)
@given(series, st.integers(0, 60))
def test_a_cut_or_a_restart_changes_nothing(z: list[float], at: int) -> None:
    whole = cusum(z, slack=0.5)
    first = cusum(z[:at], slack=0.5)
    second = cusum(z[at:], slack=0.5, state=first[2])
    np.testing.assert_allclose(np.concatenate((first[0], second[0])), whole[0], atol=1e-9)
    assert (second[2].high, second[2].low) == pytest.approx((whole[2].high, whole[2].low), abs=1e-9)


def test_bad_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="slack must be >= 0"):
        cusum([0.0], slack=math.nan)
    with pytest.raises(ValueError, match="infinity at index 1"):
        cusum([0.0, math.inf], slack=0.5)
    with pytest.raises(ValueError, match="limit > 0"):
        arl(0.5, 0.0)


def test_run_length_of_a_simulated_chart_agrees() -> None:
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(2000):
        high, low, _ = cusum(rng.normal(1.0, 1.0, 80), slack=0.5)
        out = np.flatnonzero((high > 4) | (low > 4))
        lengths.append(out[0] + 1 if out.size else 80)
    assert np.mean(lengths) == pytest.approx(arl(0.5, 4.0, shift=1.0), rel=0.04)


def test_autocorrelated_data_run_far_shorter() -> None:
    rng = np.random.default_rng(2)
    alarms = 0
    for _ in range(100):
        x, value = np.empty(150), 0.0
        for i, kick in enumerate(rng.normal(0, math.sqrt(1 - 0.49), 150)):
            value = 0.7 * value + kick
            x[i] = value
        high, low, _ = cusum(x, slack=0.5)
        alarms += bool(((high > 5) | (low > 5)).any())
    independent = 1 - math.exp(-150 / arl(0.5, 5.0))
    assert alarms / 100 > 2 * independent


def test_siegmund_is_close_where_it_claims_to_be() -> None:
    for limit, shift in ((4.0, 0.0), (5.0, 0.0), (5.0, 1.0)):
        assert arl_siegmund(0.5, limit, shift=shift) == pytest.approx(arl(0.5, limit, shift=shift), rel=0.01)
    assert arl_siegmund(0.5, 4.0, shift=0.5, sides=1) == pytest.approx((4 + 1.166) ** 2)
