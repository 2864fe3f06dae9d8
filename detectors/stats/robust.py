"""Location and scale that a few wild values cannot move.

[1] F. R. Hampel, "The influence curve and its role in robust estimation", JASA 69, 383-393, 1974.
[2] P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Statist. 35, 73-101, 1964.
"""

from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.stretch import Floats

__all__ = ["MAD_TO_SIGMA", "hampel_outliers", "huber_location", "mad_sigma", "median", "weighted_median"]

MAD_TO_SIGMA = 1.0 / NormalDist().inv_cdf(0.75)  # 1.482602: the MAD of a normal distribution is 0.6745 sigma [1]
_HUBER_STEPS = 50


def median(values: Floats) -> float:
    """The median of an array of shape (n,), n >= 1; NaN where one is. Ten times numpy.median's pace on a few values."""
    ordered = np.sort(values)  # NaN last
    half = ordered.size // 2
    last = ordered.item(-1)
    if last != last:
        return float("nan")
    return ordered.item(half) if ordered.size % 2 else 0.5 * (ordered.item(half - 1) + ordered.item(half))


def mad_sigma(values: ArrayLike) -> float:
    """1.4826 times the median absolute deviation of the finite values; NaN without any."""
    series = np.asarray(values, dtype=np.float64)
    known = series[np.isfinite(series)]
    return MAD_TO_SIGMA * median(np.abs(known - median(known))) if known.size else float("nan")


def hampel_outliers(
    values: ArrayLike, *, half_width: int = 3, limit_sigma: float = 6.0, floor: float = 0.0
) -> NDArray[np.bool_]:
    """Which values stand off the running median of their neighbourhood.

    Parameters
    ----------
    values : array_like, shape (n,)
        NaN = missing; never an outlier.
    half_width : int
        Neighbours on each side, >= 1; the window shrinks at the ends.
    limit_sigma : float
        Limit in running MAD sigmas. Real tails are heavy: 5 flags 2.7 % of healthy flue-gas rows.
    floor : float
        A deviation up to this is never an outlier, in the unit of the values: the resolution, or what does not matter.

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    ValueError
        half_width below 1.
    """
    if half_width < 1:
        raise ValueError(f"half_width must be >= 1, got {half_width!r}")
    series = np.asarray(values, dtype=np.float64)
    result = np.zeros(series.shape, dtype=np.bool_)
    known = np.isfinite(series)
    short = series[known]
    if short.size < 3:
        return result
    padded = np.pad(short, half_width, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_width + 1)
    middle = _row_medians(windows)
    sigma = MAD_TO_SIGMA * _row_medians(np.abs(windows - middle[:, np.newaxis]))
    result[known] = np.abs(short - middle) > np.maximum(limit_sigma * sigma, floor)
    return result


def weighted_median(values: ArrayLike, weights: ArrayLike) -> float:
    """The lower weighted median: the smallest value with at least half of the weight at or below it.

    Parameters
    ----------
    values, weights : array_like, shape (n,)
        Pairs with a NaN, or a weight that is not above zero, are left out.

    Returns
    -------
    float
        The plain median where all weights are equal (even n: mean of the two in the middle). NaN without any pair.
    """
    v, w = np.asarray(values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    use = np.isfinite(v) & np.isfinite(w) & (w > 0)
    if not use.any():
        return float("nan")
    order = np.argsort(v[use], kind="stable")
    v, w = v[use][order], w[use][order]
    cumulative = np.cumsum(w)
    half = 0.5 * cumulative[-1]
    at = min(int(np.searchsorted(cumulative, half * (1 - 1e-12))), v.size - 1)
    if abs(cumulative[at] - half) <= 1e-12 * half and at + 1 < v.size:
        return float((v[at] + v[at + 1]) / 2)
    return float(v[at])


def huber_location(values: ArrayLike, *, k: float = 1.345) -> float:
    """Huber's location [2]: the mean of values pulled in to k MAD sigmas; 95 % efficient on normal data at 1.345.

    Returns
    -------
    float
        The median where more than half of the values are equal; NaN without values.
    """
    series = np.asarray(values, dtype=np.float64)
    known = series[np.isfinite(series)]
    if not known.size:
        return float("nan")
    centre, sigma = median(known), mad_sigma(known)
    if sigma == 0.0:
        return centre
    for _ in range(_HUBER_STEPS):
        moved = centre + float(np.clip(known - centre, -k * sigma, k * sigma).mean())
        if abs(moved - centre) <= 1e-9 * sigma:
            return moved
        centre = moved
    return centre


def _row_medians(rows: Floats) -> Floats:
    """Median of each row, NaN ignored; each row holds at least one value. Much faster than numpy.nanmedian."""
    ordered = np.sort(rows, axis=1)  # NaN last
    count = rows.shape[1] - np.isnan(rows).sum(axis=1)
    index = np.arange(rows.shape[0])
    return np.asarray(0.5 * (ordered[index, (count - 1) // 2] + ordered[index, count // 2]))
