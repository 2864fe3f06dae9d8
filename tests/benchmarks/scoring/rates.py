"""Intervals for counts: what so many cases can and cannot prove.

[1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28, 437-442, 1936.
[2] E. B. Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22, 209-212, 1927.
"""

from math import inf, nan, sqrt

from scipy.stats import chi2

__all__ = ["rate_interval", "share_interval"]

Z95 = 1.959963984540054


def rate_interval(count: int, exposure: float, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a Poisson rate [1]; (0, inf) without exposure."""
    if exposure <= 0.0:
        return 0.0, inf
    tail = (1.0 - level) / 2.0
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2.0
    return low / exposure, float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0 / exposure


def share_interval(hits: int, n: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share [2]; NaN without cases."""
    if n == 0:
        return nan, nan
    p, z2 = hits / n, Z95 * Z95
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 * sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return max(0.0, centre - half), min(1.0, centre + half)
