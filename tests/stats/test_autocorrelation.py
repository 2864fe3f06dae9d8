"""Autocorrelation-aware errors against definitions written out, and against simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from detectors.stats.autocorrelation import (
    ar1_inflation,
    autocorrelation,
    effective_sample_size,
    inflation,
    lag1,
    mean_with_error,
    median_inflation,
    median_with_error,
)


def first_order(rng: np.random.Generator, n: int, r: float) -> NDArray[np.float64]:
    kicks = rng.normal(0, math.sqrt(1 - r * r), n)
    series = np.empty(n)
    value = rng.normal()
    for i in range(n):
        value = r * value + kicks[i]
        series[i] = value
    return series


def test_autocorrelation_equals_the_sum_written_out() -> None:
    x = np.random.default_rng(1).normal(size=37)
    c = x - x.mean()
    expected = [float(np.sum(c[: 37 - k] * c[k:]) / np.sum(c * c)) for k in range(11)]
    np.testing.assert_allclose(autocorrelation(x, 10), expected, atol=1e-12)


def test_a_missing_value_breaks_pairs_and_nothing_else() -> None:
    rng = np.random.default_rng(2)
    full = first_order(rng, 4000, 0.7)
    holed = np.where(rng.random(4000) < 0.3, np.nan, full)
    assert lag1(holed) == pytest.approx(lag1(full), abs=0.04)


def test_the_correction_takes_the_bias_out_of_short_series() -> None:
    rng = np.random.default_rng(3)
    for r in (0.0, 0.5, 0.7):
        runs = [first_order(rng, 20, r) for _ in range(800)]
        plain = np.mean([lag1(run, corrected=False) for run in runs])
        corrected = np.mean([lag1(run) for run in runs])
        assert plain < r - 0.04  # the known bias, about -(1 + 4 r) / n
        assert corrected == pytest.approx(r, abs=0.06)


def test_inflation_of_a_first_order_process_is_the_sum_of_its_correlations() -> None:
    for r in (0.3, 0.8, -0.4):
        for n in (5, 40):
            summed = 1 + 2 * sum((1 - k / n) * r**k for k in range(1, n))
            assert ar1_inflation(r, n) == pytest.approx(summed, rel=1e-9)
    assert ar1_inflation(0.5) == pytest.approx(3.0)


def test_a_known_correlation_is_the_least_that_is_believed() -> None:
    white = np.random.default_rng(4).normal(size=30)
    assert inflation(white) < 2.0
    assert inflation(white, at_least_lag1=0.7) == pytest.approx(ar1_inflation(0.7, 30))
    assert effective_sample_size(white, at_least_lag1=0.7) == pytest.approx(30 / ar1_inflation(0.7, 30))
    assert inflation([1.0, 2.0, 1.0], at_least_lag1=0.7) == 1.5  # never fewer than two values' worth
    assert median_inflation(white, at_least_lag1=0.5) < inflation(white, at_least_lag1=0.5)


def test_no_values_one_value_and_equal_values() -> None:
    assert all(math.isnan(v) for v in mean_with_error([]))
    assert mean_with_error([3.0])[0] == 3.0
    assert math.isnan(median_with_error([math.nan, 3.0])[1])
    assert mean_with_error([2.0] * 20) == (2.0, 0.0)
    assert median_with_error([2.0] * 20) == (2.0, 0.0)
    assert lag1([1.0] * 10) == 0.0
    assert autocorrelation([], 5).size == 0
    assert effective_sample_size([]) == 0.0


@settings(deadline=None)
@given(st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(math.nan)), max_size=60))
def test_effective_size_lies_between_two_and_the_count(values: list[float]) -> None:
    n = int(np.sum(np.isfinite(np.asarray(values, dtype=float))))
    assert min(n, 2) * (1 - 1e-9) <= effective_sample_size(values) <= n
    assert 1.0 <= median_inflation(values) <= inflation(values) * (1 + 1e-9)
