"""A share from counted samples: how wide it is, and what dependence between samples costs.

[1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22, 209-212, 1927.
[2] R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statist. Med. 17, 857-872, 1998.
"""

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.autocorrelation import ar1_inflation, lag1

__all__ = ["duty_interval", "effective_n", "wilson"]


def wilson(hits: float, n: float, *, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval [1], without continuity correction; never outside 0..1, honest at 0 and n.

    Parameters
    ----------
    hits, n : float
        0 <= hits <= n. Not whole where n is an effective number.
    confidence : float
        Two-sided, 0 < confidence < 1.

    Returns
    -------
    (low, high)
        (0, 1) for n = 0: nothing is known.

    Raises
    ------
    ValueError
        Out of range.
    """
    if not (n >= 0 and 0 <= hits <= n and math.isfinite(n)):
        raise ValueError(f"need 0 <= hits <= n, got {hits!r} of {n!r}")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    if n == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    half = z * math.sqrt(hits * (n - hits) / n + z * z / 4)
    middle = hits + z * z / 2
    low = (middle - half) / (n + z * z) if hits > 0 else 0.0  # exactly: rounding would leave 1e-17
    high = (middle + half) / (n + z * z) if hits < n else 1.0
    return max(low, 0.0), min(high, 1.0)


def effective_n(n: float, r: float) -> float:
    """Independent samples that n of a switching process with lag-1 correlation r are worth: n (1 - r) / (1 + r).

    A negative r (a regular cycle, well sampled) is not believed: never more than n.

    Raises
    ------
    ValueError
        n below 0, r outside -1 < r < 1.
    """
    if not (n >= 0 and -1 < r < 1):
        raise ValueError(f"need n >= 0 and -1 < r < 1, got {n!r} and {r!r}")
    return n * (1 - r) / (1 + r) if r > 0 else n


def duty_interval(on: ArrayLike, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Duty of a sampled relay with its Wilson interval, dependence between samples counted.

    Parameters
    ----------
    on : array_like, shape (n,)
        0 or 1 at each poll; NaN = missing.
    confidence : float
        Two-sided.

    Returns
    -------
    (duty, low, high)
        (nan, 0, 1) without samples. A poll locked to the relay's cycle cannot be seen from here and is biased at will:
        the poll has to be dithered.
    """
    samples = np.asarray(on, dtype=np.float64)
    known = samples[np.isfinite(samples)]
    if not known.size:
        return math.nan, 0.0, 1.0
    duty = float(np.clip(known.mean(), 0.0, 1.0))
    n = known.size / max(ar1_inflation(lag1(samples), known.size), 1.0)
    low, high = wilson(duty * n, n, confidence=confidence)
    return duty, low, high
