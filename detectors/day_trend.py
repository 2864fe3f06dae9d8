"""The trend of a quantity that is known on some days, and when it will reach a limit.

Theil-Sen slope and Mann-Kendall test over daily means, the variance of S widened by the autocorrelation of what the
line leaves. Nothing is said of a trend that is not evident, nor a date where the slope's 80 % range holds zero.
"""

from bisect import bisect_left
from dataclasses import dataclass, field
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.autocorrelation import inflation
from detectors.stats.trend import TheilSen, date_range, mann_kendall, theil_sen

__all__ = ["LATEST_S", "DayMeans", "DayTrend", "Reach", "day_trend"]

DAY_S = 86400.0
LATEST_S = 1e11  # the year 5138: a time beyond it is no time, and taken for one it would silence all that follow
KEPT = 120  # days with a value; pairs grow with their square
OLDEST_DAYS = 365  # drift changes its pace: what was a year ago tells no date
FEWEST_FOR_AUTOCORRELATION = 10  # of fewer points it cannot be told, and checks lie days apart
ROUNDING = 1e-9  # of the range: what an exact line leaves is no noise
HORIZON_DAYS = 3650.0  # a range that ends beyond ten years says nothing to a planner


@dataclass(slots=True, kw_only=True)
class DayMeans:
    """Running means by UTC day, the latest `KEPT` of them and no older than a year."""

    day: list[int] = field(default_factory=list)
    count: list[int] = field(default_factory=list)
    mean: list[float] = field(default_factory=list)

    def add(self, at_s: float, value: float) -> None:
        """Take a finite value; times do not fall back behind the last day (one that does counts to the last day)."""
        day = int(at_s // DAY_S)
        if self.day and day <= self.day[-1]:
            self.count[-1] += 1
            self.mean[-1] += (value - self.mean[-1]) / self.count[-1]
            return
        first = bisect_left(self.day, day - OLDEST_DAYS, lo=max(0, len(self.day) - KEPT + 1))
        self.day = [*self.day[first:], day]
        self.count = [*self.count[first:], 1]
        self.mean = [*self.mean[first:], value]


@dataclass(frozen=True, slots=True)
class Reach:
    """A limit that a trend may reach: from below, or with `both_sides` its negative from above as well."""

    limit: float
    both_sides: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DayTrend:
    """An evident trend: slope and date with their 80 % ranges (no date: None), and a two-sided p."""

    slope_per_day: float
    low_per_day: float
    high_per_day: float
    p: float
    earliest_s: float | None
    latest_s: float | None


def day_trend(
    day: ArrayLike, value: ArrayLike, *, min_points: int, min_days: float, max_p: float, reach: Reach
) -> DayTrend | None:
    """The trend of finite values at rising days (UTC days since 1970), shape (n,).

    Returns
    -------
    DayTrend or None
        None for fewer than `min_points`, less than `min_days` from first to last, or p of `max_p` and above.
    """
    time, y = np.asarray(day, dtype=np.float64), np.asarray(value, dtype=np.float64)
    n = y.size
    if n < max(3, min_points) or time[-1] - time[0] < min_days:
        return None
    line = theil_sen(time, y, confidence=0.8)
    left = y - line.at(0.0) - line.slope * time
    widen_by = 1.0
    if n >= FEWEST_FOR_AUTOCORRELATION and np.ptp(left) > ROUNDING * np.ptp(y):
        widen_by = inflation(left)
        line = theil_sen(time, y, confidence=0.8, widen_by=widen_by)
    p = mann_kendall(y, widen_by=widen_by).p
    if not p < max_p:
        return None
    soonest, latest = _dates(line, float(time[-1]), reach)
    return DayTrend(
        slope_per_day=line.slope,
        low_per_day=line.low,
        high_per_day=line.high,
        p=p,
        earliest_s=None if soonest is None else (soonest + 0.5) * DAY_S,
        latest_s=None if latest is None else (latest + 0.5) * DAY_S,
    )


def _dates(line: TheilSen, today: float, reach: Reach) -> tuple[float | None, float | None]:
    """Days at which the limit is reached, from the steepest to the flattest believable slope."""
    limit = -reach.limit if reach.both_sides and line.slope < 0.0 else reach.limit
    if not line.low * line.high > 0.0 or (limit - line.at(today)) * line.slope <= 0.0:
        return None, None
    found = date_range(line, limit, now=today)
    if found is None:
        return None, None
    latest = found.latest
    if not isfinite(latest):
        # The band crosses the limit where its slowest slope leads there; only an exact line loses it in rounding.
        latest = max(found.middle, today + (limit - line.at(today)) / min(line.low, line.high, key=abs))
    return (found.earliest, latest) if latest <= today + HORIZON_DAYS else (None, None)
