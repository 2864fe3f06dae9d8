"""Wilson's interval as Newcombe printed it, and standard errors that hold on simulated first-order series."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from detectors.stats.autocorrelation import mean_with_error, median_with_error
from detectors.stats.proportion import wilson

# R. G. Newcombe, Statistics in Medicine 17, 857-872, 1998, table I, score method without continuity correction, 95 %.
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
    (29, 29, 0.8830, 1.0),
]


@pytest.mark.parametrize(("hits", "n", "low", "high"), NEWCOMBE)
def test_newcombes_table(hits: int, n: int, low: float, high: float) -> None:
    assert wilson(hits, n) == pytest.approx((low, high), abs=5.1e-5)


def first_order(rng: np.random.Generator, runs: int, n: int, r: float) -> NDArray[np.float64]:
    """Many series at once, each of mean 0 and standard deviation 1."""
    series = np.empty((runs, n))
    series[:, 0] = rng.normal(size=runs)
    for i in range(1, n):
        series[:, i] = r * series[:, i - 1] + rng.normal(0, math.sqrt(1 - r * r), runs)
    return series


# 300 runs: one sigma of the share within 1.96 standard errors is 1.3 %. What n values cannot know is stated: 14 daily
# values with a correlation of 0.6 hold 86 % instead of 95 %, a naive error holds two thirds.
@pytest.mark.parametrize(
    ("n", "r", "least"), [(14, 0.0, 0.90), (14, 0.6, 0.80), (30, 0.6, 0.85), (100, 0.6, 0.90), (1000, 0.9, 0.90)]
)
def test_errors_of_mean_and_median_hold_under_correlation(n: int, r: float, least: float) -> None:
    runs = first_order(np.random.default_rng(1), 300, n, r)
    inside_mean = inside_median = naive = 0
    for run in runs:
        mean, error = mean_with_error(run)
        inside_mean += abs(mean) < 1.96 * error
        median, error = median_with_error(run)
        inside_median += abs(median) < 1.96 * error
        naive += abs(mean) < 1.96 * run.std(ddof=1) / math.sqrt(n)
    assert inside_mean / 300 >= least
    assert inside_median / 300 >= least - 0.02
    if r >= 0.6:
        assert naive / 300 < inside_mean / 300 - 0.1


def test_a_correlation_known_from_elsewhere_helps_a_short_series() -> None:
    runs = first_order(np.random.default_rng(2), 300, 14, 0.6)
    inside = [abs(mean) < 1.96 * error for mean, error in (mean_with_error(run, at_least_lag1=0.6) for run in runs)]
    assert np.mean(inside) >= 0.9
