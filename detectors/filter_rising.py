"""A filter that is closing, known before it has doubled its time constant.

That tau is beyond twice the baseline in three of four episodes is evident only once it has doubled. A filter that will
have doubled within a month, by a trend that is evident, is worth a word before: at the next chance its change costs
nothing. Three things must hold at once, from daily means of tau over baseline:

- effect: the median of the last three days with episodes is at `rising_ratio` or beyond;
- evidence: ln of it is beyond z = 3 of its standard uncertainty. That joins what the filter's own past shows, the
  typical distance of its days from the baseline until a fortnight ago (scatter, slow wander and the baseline's error in
  one; 15 % where fewer than 15 such days are known, and never less than one episode's scatter: days near each other are
  alike, so three of them count as one), and what moves tau for weeks and no signal tells: 12 % where the flue
  temperature is unknown (40 K of 573 K, times 1.75: common practice), 6 % where the load is (12 % of load at 0.5 %
  each), and 8 % always;
- rise: a trend of the last fortnight or of the last 45 days (one for a quick rise, one for a slow) with Mann-Kendall
  p < 0.005, autocorrelation counted, that may reach `slow_ratio` within 30 days by the steep end of its 80 % range.

A filter that stands at 1.6 for good is slow, but is not closing, and is not told here. With z and p met by chance in
0.13 % and 0.5 % of independent months, and both of them needed, a healthy filter would speak less than once in 1000
years; taus are not that well behaved: made noise with heavy tails gave 2 in 120.
"""

from math import hypot, log

import numpy as np

from detectors.day_trend import DayMeans, Reach, day_trend
from detectors.stats.robust import MAD_TO_SIGMA, median
from detectors.stretch import Floats

__all__ = ["LAST_DAYS", "recent_ratio", "rising", "unmeasured_u"]

LAST_DAYS = 3
RISE_DAYS = (14, 45)
SOON_S = 30.0 * 86400.0
EVIDENCE_Z = 3.0
ENOUGH_DAYS = 15
UNKNOWN_WANDER = 0.15
LEAST_RATIO = 1e-6
NO_FLUE_U, NO_LOAD_U, ALWAYS_U = 0.12, 0.06, 0.08


def unmeasured_u(*, flue_known: bool, load_known: bool) -> float:
    """Standard uncertainty of ln tau by what lasts for weeks and is not measured."""
    return hypot(hypot(0.0 if flue_known else NO_FLUE_U, 0.0 if load_known else NO_LOAD_U), ALWAYS_U)


def recent_ratio(days: DayMeans) -> float:
    """Median ratio of the last days with episodes; 0 where they are too few."""
    return median(np.array(days.mean[-LAST_DAYS:])) if len(days.mean) >= LAST_DAYS else 0.0


def rising(
    days: DayMeans, at_s: float, *, least_ratio: float, slow_ratio: float, scatter: float, level_u: float
) -> bool:
    """Whether the filter is evidently closing and will soon have doubled.

    Parameters
    ----------
    days : DayMeans
        Of tau over baseline.
    scatter : float
        Of ln tau of one episode, as learnt.
    level_u : float
        Standard uncertainty of the baseline, with what is not measured. [ln]
    """
    ratio = recent_ratio(days)
    if not ratio >= least_ratio:
        return False
    day: Floats = np.array(days.day, dtype=np.float64)
    before = day <= day[-1] - RISE_DAYS[0]
    wander = UNKNOWN_WANDER
    if np.count_nonzero(before) >= ENOUGH_DAYS:
        distance = np.abs(np.log(np.maximum(np.array(days.mean)[before], LEAST_RATIO)))
        wander = MAD_TO_SIGMA * float(np.median(distance))
    if not log(ratio) > EVIDENCE_Z * hypot(level_u, max(scatter, wander)):
        return False
    value = np.array(days.mean)
    reach = Reach(limit=slow_ratio)
    for span in RISE_DAYS:
        recent = day > day[-1] - span
        trend = day_trend(day[recent], value[recent], min_points=6, min_days=4.0, max_p=0.005, reach=reach)
        if trend is not None and trend.slope_per_day > 0.0:
            soon = trend.earliest_s is not None and trend.earliest_s <= at_s + SOON_S
            if soon or ratio >= slow_ratio:
                return True
    return False
