"""Is there a trend, how steep, and when does it reach a limit: rank methods, for few, uneven and rough values.

[1] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63, 1379-1389, 1968.
[2] R. O. Gilbert, "Statistical Methods for Environmental Pollution Monitoring", Van Nostrand, 1987, chapter 16.
[3] M. G. Kendall, "Rank Correlation Methods", 4th edition, Griffin, 1975: variance of S with ties, continuity.
[4] K. H. Hamed, A. R. Rao, "A modified Mann-Kendall trend test for autocorrelated data", J. Hydrology 204,
    182-196, 1998.

Published corrections for autocorrelation differ by more than the test itself. The one here only ever widens: the
variance of S is multiplied by an inflation >= 1 that the caller gives, or that `residual_inflation` finds.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.autocorrelation import inflation
from detectors.stats.robust import mad_sigma
from detectors.stretch import Floats

__all__ = ["DateRange", "MannKendall", "TheilSen", "date_range", "mann_kendall", "residual_inflation", "theil_sen"]

RankConvention = Literal["interpolated", "rounded"]
_NORMAL = NormalDist()
LARGEST_N = 2000  # n (n - 1) / 2 slopes are held at once: 16 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class MannKendall:
    """S, its variance, Z with continuity correction, two-sided p, and Kendall's tau-a."""

    s: int = 0
    var_s: float = 0.0
    z: float = 0.0
    p: float = 1.0
    tau: float = 0.0
    n: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TheilSen:
    """Median slope with its interval, and the line's value at `mid_time`, the median time. NaN where undetermined."""

    slope: float = math.nan
    low: float = math.nan
    high: float = math.nan
    level: float = math.nan
    level_u: float = math.nan  # standard uncertainty of `level`
    confidence: float = math.nan
    mid_time: float = math.nan
    n: int = 0

    def at(self, time: float) -> float:
        """The line at a time."""
        return self.level + self.slope * (time - self.mid_time)

    @property
    def intercept(self) -> float:
        """The line at time 0."""
        return self.at(0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRange:
    """When a limit is reached: earliest, middle, latest; infinite where that edge of the slope never gets there."""

    earliest: float
    middle: float
    latest: float


def mann_kendall(values: ArrayLike, *, widen_by: float = 1.0) -> MannKendall:
    """Mann-Kendall test of values in time order [2, 3]; only their order counts, so uneven times are no matter.

    Parameters
    ----------
    values : array_like, shape (n,)
        NaN = missing, left out.
    widen_by : float
        Multiplies the variance of S, >= 1: for autocorrelated values.

    Returns
    -------
    MannKendall
        p = 1 for fewer than 3 values or when all are equal.

    Raises
    ------
    ValueError
        widen_by below 1, more than 2000 values.
    """
    if not widen_by >= 1:
        raise ValueError(f"widen_by must be >= 1, got {widen_by!r}")
    x = np.asarray(values, dtype=np.float64)
    x = x[np.isfinite(x)]
    n = int(x.size)
    _check_n(n)
    if n < 3:
        return MannKendall(n=n)
    earlier, later = np.triu_indices(n, 1)
    s = int(np.sum(np.sign(x[later] - x[earlier])))
    ties = np.unique(x, return_counts=True)[1].astype(np.float64)
    var_s = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18 * widen_by
    tau = s / (n * (n - 1) / 2)
    if var_s <= 0:
        return MannKendall(n=n)
    z = (s - math.copysign(1, s)) / math.sqrt(var_s) if s else 0.0
    return MannKendall(s=s, var_s=var_s, z=z, p=math.erfc(abs(z) / math.sqrt(2)), tau=tau, n=n)


def theil_sen(
    time: ArrayLike,
    values: ArrayLike,
    *,
    confidence: float = 0.8,
    ranks: RankConvention = "interpolated",
    widen_by: float = 1.0,
) -> TheilSen:
    """Median of all pairwise slopes [1], per unit of `time`, with an interval from the variance of Kendall's S.

    Parameters
    ----------
    time, values : array_like, shape (n,)
        Uneven times are meant; pairs at equal time count for nothing; NaN = missing.
    confidence : float
        Of the two-sided interval, 0 < confidence < 1.
    ranks : "interpolated" or "rounded"
        Gilbert's M1-th and (M2 + 1)-th slopes, interpolated [2], or rounded as scipy.stats.theilslopes does.
    widen_by : float
        Multiplies the variance of S, >= 1: for autocorrelated values.

    Returns
    -------
    TheilSen
        NaN for fewer than 2 different times; infinite limits where the ranks run off the end.

    Raises
    ------
    ValueError
        A setting out of range, arrays of unequal shape, more than 2000 values.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence!r}")
    if not widen_by >= 1:
        raise ValueError(f"widen_by must be >= 1, got {widen_by!r}")
    t, y = _pairs(time, values)
    n = int(t.size)
    earlier, later = np.triu_indices(n, 1)
    run, rise = t[later] - t[earlier], y[later] - y[earlier]
    apart = run != 0
    if not apart.any():
        return TheilSen(n=n)
    slopes = np.sort(rise[apart] / run[apart])
    slope, mid_time = float(np.median(slopes)), float(np.median(t))
    along = y - slope * (t - mid_time)
    level = float(np.median(along))
    level_u = mad_sigma(along) * math.sqrt(math.pi / 2 * widen_by / n)
    margin = _NORMAL.inv_cdf(0.5 + confidence / 2) * math.sqrt(_var_s_of_pairs(t, y) * widen_by)
    low, high = _limits(slopes, margin, ranks)
    return TheilSen(
        slope=slope, low=low, high=high, level=level, level_u=level_u, confidence=confidence, mid_time=mid_time, n=n
    )


def residual_inflation(time: ArrayLike, values: ArrayLike) -> float:
    """Inflation of what is left once the median slope is out, as [4] advise; >= 1. For near-even times."""
    t, y = _pairs(time, values)
    line = theil_sen(t, y)
    if not math.isfinite(line.slope):
        return 1.0
    return inflation((y - line.slope * (t - line.mid_time))[np.argsort(t, kind="stable")])


def date_range(line: TheilSen, limit: float, *, now: float) -> DateRange | None:
    """When the line reaches a limit, with the range that its interval gives: 80 % by default.

    The edges are where the band of the line, level and slope both uncertain, crosses the limit (Fieller's way round a
    quotient), so a slope near zero gives a far or infinite `latest`, never a wild date from a sign change.

    Parameters
    ----------
    line : TheilSen
    limit : float
        In the unit of the values.
    now : float
        Same clock as the line's time.

    Returns
    -------
    DateRange or None
        None where the line does not lead to the limit, or nothing is known. `now` where that edge is already there.
    """
    if not all(math.isfinite(number) for number in (line.slope, line.level, limit, now)):
        return None
    towards = 1.0 if limit > line.level else -1.0
    speed, way, here = towards * line.slope, abs(limit - line.level), now - line.mid_time
    if not speed > 0:
        return None
    slow, fast = sorted((towards * line.low, towards * line.high))
    spread = line.level_u * _NORMAL.inv_cdf(0.5 + line.confidence / 2)
    earliest = _crossing(way, speed, max(fast - speed, 0.0), spread, here, edge=1.0)
    latest = _crossing(way, speed, max(speed - slow, 0.0), spread, here, edge=-1.0)
    middle = max(way / speed, here)
    since = line.mid_time
    return DateRange(earliest=since + min(earliest, middle), middle=since + middle, latest=since + max(latest, middle))


def _crossing(way: float, speed: float, doubt: float, spread: float, here: float, *, edge: float) -> float:
    """First x >= here at which speed x + edge sqrt(spread^2 + (doubt x)^2) has come to `way`; infinite if never."""
    if math.isinf(doubt):
        return here if edge > 0 else math.inf
    if speed * here + edge * math.hypot(spread, doubt * here) >= way:
        return here
    a, b, c = speed * speed - doubt * doubt, -2 * way * speed, way * way - spread * spread
    if abs(a) <= 1e-12 * speed * speed:
        roots = [-c / b] if b else []
    else:
        inner = b * b - 4 * a * c
        roots = [(-b + sign * math.sqrt(inner)) / (2 * a) for sign in (-1.0, 1.0)] if inner >= 0 else []
    # Squaring brought in the other edge's crossings: keep this edge's.
    return min((x for x in roots if x >= here and edge * (way - speed * x) >= -1e-9 * way), default=math.inf)


def _pairs(time: ArrayLike, values: ArrayLike) -> tuple[Floats, Floats]:
    t, y = np.asarray(time, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape:
        raise ValueError(f"time and values must share one shape (n,), got {t.shape} and {y.shape}")
    known = np.isfinite(t) & np.isfinite(y)
    _check_n(int(known.sum()))
    return t[known], y[known]


def _check_n(n: int) -> None:
    if n > LARGEST_N:
        raise ValueError(f"at most {LARGEST_N} values at once, got {n}; take daily medians")


def _var_s_of_pairs(t: Floats, y: Floats) -> float:
    """Variance of S with ties in both time and value, as scipy.stats.theilslopes counts them."""
    n = t.size
    ties = sum(
        float(np.sum(k * (k - 1) * (2 * k + 5)))
        for k in (np.unique(column, return_counts=True)[1] for column in (t, y))
    )
    return max((n * (n - 1) * (2 * n + 5) - ties) / 18, 0.0)


def _limits(slopes: Floats, margin: float, ranks: RankConvention) -> tuple[float, float]:
    count = slopes.size
    lower, upper = (count - margin) / 2, (count + margin) / 2 + 1  # ranks from 1 [2]
    if ranks == "rounded":
        low_at, high_at = max(round(lower) - 1, 0), min(round(upper - 1), count - 1)
        return float(slopes[low_at]), float(slopes[high_at])
    if lower < 1 or upper > count:
        return -math.inf, math.inf
    at = np.interp([lower, upper], np.arange(1, count + 1), slopes)
    return float(at[0]), float(at[1])
