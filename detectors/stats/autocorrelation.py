"""How much evidence a correlated series holds: effective sample size, and standard errors of mean and median.

Neighbouring values of one process are alike, so n of them are worth fewer than n. Everything here rests on the
inflation 1 + 2 sum rho_k: the factor by which the variance of the mean exceeds that of independent values.

[1] F. H. C. Marriott, J. A. Pope, "Bias in the estimation of autocorrelations", Biometrika 41, 390-402, 1954.
[2] C. J. Geyer, "Practical Markov chain Monte Carlo", Statistical Science 7, 473-483, 1992: initial positive sequence.
[3] A. Zieba, "Effective number of observations and unbiased estimators of variance for autocorrelated data",
    Metrology and Measurement Systems 17, 3-16, 2010.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.robust import mad_sigma, median
from detectors.stretch import Floats

__all__ = [
    "ar1_inflation",
    "autocorrelation",
    "effective_sample_size",
    "inflation",
    "lag1",
    "mean_with_error",
    "median_inflation",
    "median_with_error",
]

LARGEST_LAG1 = 0.98  # beyond, no record of ours is long enough to tell a process from a trend
_FEWEST = 4  # below, an autocorrelation means nothing


def autocorrelation(values: ArrayLike, max_lag: int) -> Floats:
    """Autocorrelation at lags 0 .. max_lag of an evenly spaced series, NaN = missing.

    Parameters
    ----------
    values : array_like, shape (n,)
        Evenly spaced.
    max_lag : int
        Cut to n - 1.

    Returns
    -------
    ndarray, shape (min(max_lag, n - 1) + 1,)
        1 at lag 0. The sums are divided by the number of values, not of pairs (the usual, positive definite estimate).
        All zero after lag 0 where the series has no spread; empty for an empty series.
    """
    series = np.asarray(values, dtype=np.float64)
    known = np.isfinite(series)
    if not known.any():
        return np.zeros(0)
    centred = np.where(known, series, 0.0)
    centred = np.where(known, centred - centred.sum() / known.sum(), 0.0)
    lags = min(max_lag, series.size - 1)
    size = 1 << int(series.size + lags).bit_length()
    power = np.abs(np.fft.rfft(centred, size)) ** 2
    sums = np.fft.irfft(power, size)[: lags + 1]
    if not sums[0] > 0:
        return np.asarray(np.concatenate(([1.0], np.zeros(lags))))
    # A missing value takes pairs away: scale each lag to the pairs that a full series would have.
    if not known.all():
        there = np.fft.irfft(np.abs(np.fft.rfft(known.astype(np.float64), size)) ** 2, size)[: lags + 1]
        full = known.sum() * (series.size - np.arange(lags + 1)) / series.size
        sums = sums * full / np.maximum(there, 1.0)
    return np.asarray(np.clip(sums / sums[0], -1.0, 1.0))


def lag1(values: ArrayLike, *, corrected: bool = True) -> float:
    """Lag-1 autocorrelation; `corrected` undoes the downward bias of a short series, (n r + 1) / (n - 4) [1].

    Returns
    -------
    float
        Within +-0.98. 0 where it cannot be told: fewer than 6 values (4 uncorrected), or no spread.
    """
    series = np.asarray(values, dtype=np.float64)
    n = int(np.count_nonzero(np.isfinite(series)))
    if n < (6 if corrected else _FEWEST):
        return 0.0
    found = autocorrelation(series, 1)
    r = float(found[1]) if found.size > 1 else 0.0
    if r == 0.0:
        return 0.0
    if corrected:
        r = (n * r + 1.0) / (n - 4.0)
    return min(max(r, -LARGEST_LAG1), LARGEST_LAG1)


def ar1_inflation(r: float, n: float = math.inf) -> float:
    """Inflation of a first-order process, (1 + r) / (1 - r), exactly for n values; below 1 for a negative r."""
    r = min(max(r, -LARGEST_LAG1), LARGEST_LAG1)
    inflated = (1 + r) / (1 - r)
    if math.isfinite(n) and n >= 1 and r != 0.0:
        inflated -= 2 * r * (1 - r**n) / (n * (1 - r) ** 2)
    return inflated


def inflation(values: ArrayLike, *, at_least_lag1: float = 0.0) -> float:
    """Variance of the mean over that of independent values, from the series itself; never below 1.

    The larger of two estimates: a first-order process with a bias-corrected lag-1 (fit for 14 to 100 daily values), and
    the initial positive sequence [2], which sees slow tails in longer records. A negative correlation is not believed.

    Fourteen values cannot show a lag-1 of 0.9: the standard error then comes out at a third of the truth (simulated).
    Who knows the process says so.

    Parameters
    ----------
    values : array_like, shape (n,)
        Evenly spaced, NaN = missing.
    at_least_lag1 : float
        A lag-1 autocorrelation known from elsewhere, 0 <= r < 1.

    Returns
    -------
    float
        1 .. n / 2; for fewer than 6 values what `at_least_lag1` gives.
    """
    series = np.asarray(values, dtype=np.float64)
    n = int(np.count_nonzero(np.isfinite(series)))
    known = ar1_inflation(max(at_least_lag1, 0.0), max(n, 1))
    if n < 6:
        return float(min(known, max(n / 2, 1.0)))
    first_order = max(ar1_inflation(lag1(series), n), known)
    rho = autocorrelation(series, min(series.size - 1, max(10, series.size // 3)))
    return float(min(max(1.0, first_order, _initial_positive(rho)), n / 2))


def median_inflation(values: ArrayLike, *, at_least_lag1: float = 0.0) -> float:
    """The same for the median: signs are less alike than values, (2/pi) asin(rho) for a normal process. >= 1."""
    return _of_the_median(inflation(values, at_least_lag1=at_least_lag1))


def _of_the_median(inflated: float) -> float:
    if inflated <= 1.0:
        return 1.0
    r = (inflated - 1) / (inflated + 1)  # the first-order process with this inflation
    powers = r ** np.arange(1, 1 + math.ceil(math.log(1e-6) / math.log(r)) if r > 1e-6 else 2)
    return float(1 + 2 * np.sum(2 / np.pi * np.arcsin(powers)))


def effective_sample_size(values: ArrayLike, *, at_least_lag1: float = 0.0) -> float:
    """How many independent values the known ones are worth: n / inflation; 0 for none."""
    n = int(np.count_nonzero(np.isfinite(np.asarray(values, dtype=np.float64))))
    return n / inflation(values, at_least_lag1=at_least_lag1) if n else 0.0


def mean_with_error(values: ArrayLike, *, at_least_lag1: float = 0.0) -> tuple[float, float]:
    """Mean and its standard error under autocorrelation; the spread is freed of its own bias [3].

    Returns
    -------
    (float, float)
        (nan, nan) without values, (value, nan) for a single one.
    """
    known = _known(values)
    if known.size < 2:
        return (float(known[0]), math.nan) if known.size else (math.nan, math.nan)
    inflated = inflation(values, at_least_lag1=at_least_lag1)
    n = known.size
    return float(known.mean()), _spread(float(known.std(ddof=1)), inflated, n) * math.sqrt(inflated / n)


def median_with_error(values: ArrayLike, *, at_least_lag1: float = 0.0) -> tuple[float, float]:
    """Median and its standard error under autocorrelation, from the MAD, or the spread where the MAD is 0.

    The large-sample error of a normal series, sqrt(pi/2) sigma / sqrt(n). Returns as `mean_with_error`.
    """
    known = _known(values)
    if known.size < 2:
        return (float(known[0]), math.nan) if known.size else (math.nan, math.nan)
    sigma = mad_sigma(known)
    if sigma == 0.0:
        sigma = float(known.std(ddof=1))
    n = known.size
    inflated = inflation(values, at_least_lag1=at_least_lag1)
    return median(known), _spread(sigma, inflated, n) * math.sqrt(math.pi / 2 * _of_the_median(inflated) / n)


def _known(values: ArrayLike) -> Floats:
    series = np.asarray(values, dtype=np.float64)
    return series[np.isfinite(series)]


def _spread(sigma: float, inflated: float, n: int) -> float:
    """A sample's spread misses what moves all of it together: s^2 (n - 1) / (n - inflation) is free of that [3]."""
    return sigma * math.sqrt((n - 1) / max(n - inflated, n / 4))


def _initial_positive(rho: Floats) -> float:
    """1 + 2 sum rho_k, summed in pairs for as long as they are positive [2]."""
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0)
    kept = pairs[: ends[0]] if ends.size else pairs
    return float(2 * kept.sum() - 1) if kept.size else 1.0
