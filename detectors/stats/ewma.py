"""Exponentially weighted moving average, its control limits and its run length.

[1] S. W. Roberts, "Control chart tests based on geometric moving averages", Technometrics 1, 239-250, 1959.
[2] J. M. Lucas, M. S. Saccucci, "Exponentially weighted moving average control schemes", Technometrics 32, 1-12, 1990.
"""

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from detectors.stretch import Floats

__all__ = ["arl", "ewma", "limits"]

_NODES = 80
_BLOCK = 256


def ewma(values: ArrayLike, *, weight: float, start: float) -> tuple[Floats, float]:
    """z = weight x + (1 - weight) z [1], over a block.

    Parameters
    ----------
    values : array_like, shape (n,)
        Evenly spaced; NaN = missing, keeps the average.
    weight : float
        0 < weight <= 1.
    start : float
        The average before the block: the target at first, then what the last call returned.

    Returns
    -------
    (averages, carried)
        After each value, shape (n,), and the last one.

    Raises
    ------
    ValueError
        weight out of range.
    """
    _check_weight(weight)
    x = np.asarray(values, dtype=np.float64)
    known = np.isfinite(x)
    result = np.empty(x.size)
    carried = start
    compact = x[known]
    averages = np.empty(compact.size)
    keep = 1.0 - weight
    if keep == 0.0:
        averages[:] = compact
    else:
        # Within a block the recursion is a product with the lower triangle of powers of `keep`: no loop over samples.
        size = min(_BLOCK, max(compact.size, 1))
        lag = np.subtract.outer(np.arange(size), np.arange(size))
        triangle = np.where(lag >= 0, weight * keep ** np.maximum(lag, 0), 0.0)
        fade = keep ** np.arange(1, size + 1)
        for first in range(0, compact.size, size):
            part = compact[first : first + size]
            averages[first : first + part.size] = (
                triangle[: part.size, : part.size] @ part + fade[: part.size] * carried
            )
            carried = float(averages[first + part.size - 1])
    count = np.cumsum(known)
    result = np.where(count > 0, averages[np.maximum(count - 1, 0)] if compact.size else start, start)
    return np.asarray(result), float(result[-1]) if x.size else start


def limits(
    target: float, sigma: float, *, weight: float, width: float = 3.0, n: int | None = None
) -> tuple[float, float]:
    """Lower and upper limit, target -+ width sigma sqrt(weight / (2 - weight)); for the n-th value when n is given.

    Raises
    ------
    ValueError
        weight out of range, sigma or width negative, n below 1.
    """
    _check_weight(weight)
    if not (sigma >= 0 and width >= 0):
        raise ValueError(f"sigma and width must be >= 0, got {sigma!r} and {width!r}")
    if n is not None and n < 1:
        raise ValueError(f"n must be >= 1, got {n!r}")
    share = weight / (2 - weight) * (1.0 if n is None else 1 - (1 - weight) ** (2 * n))
    half = width * sigma * math.sqrt(share)
    return target - half, target + half


def arl(weight: float, width: float, *, shift: float = 0.0, nodes: int = _NODES) -> float:
    """Average run length of the two-sided chart with steady limits, from the target, by the integral equation [2].

    Parameters
    ----------
    weight, width : float
        0 < weight <= 1; width > 0 in standard deviations of the average.
    shift : float
        In standard deviations of one value. Independent normal values only.
    """
    _check_weight(weight)
    if not width > 0:
        raise ValueError(f"width must be > 0, got {width!r}")
    normal = NormalDist()
    half = width * math.sqrt(weight / (2 - weight))
    if weight == 1.0:
        return 1 / (normal.cdf(-half - shift) + normal.cdf(-half + shift))
    points, weights = np.polynomial.legendre.leggauss(nodes)
    x, w = half * points, half * weights
    away = (x[np.newaxis, :] - (1 - weight) * x[:, np.newaxis]) / weight - shift
    kernel = np.exp(-0.5 * away**2) / math.sqrt(2 * math.pi) / weight * w
    lengths = np.linalg.solve(np.eye(nodes) - kernel, np.ones(nodes))
    at_target = np.exp(-0.5 * (x / weight - shift) ** 2) / math.sqrt(2 * math.pi) / weight * w
    return float(1 + at_target @ lengths)


def _check_weight(weight: float) -> None:
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be > 0 and <= 1, got {weight!r}")
