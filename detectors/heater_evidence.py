"""How surely a heater's demand is beyond what nothing but health, weather and supply would do.

The window's level w is held against what healthy days foretell of it. What nobody measured moves the level all the
same, slowly, so days near each other share it:

    r(t) = x(t) d + c + v(t) + s(t) + noise,    r = ln demand - ln baseline

x d: the error of the baseline's coefficients at the conditions of the day (their covariance comes from learning);
c: the true level, unknown; v: levels of supply, of an unmeasured load, and of what no signal tells, which last for
`lasts_days` (covariance sigma^2 exp(-lag / lasts): also that of levels drawn anew at random instants); s: the season
of what is not measured, A cos(wt) + B sin(wt) of unknown phase, which differs a little from year to year (covariance
a^2 / 2 cos(w lag) exp(-lag / year), a the swing). The best linear prediction from the known values (kriging [1]) and
its variance are exact for this model. With the learning days alone the variance is that of a difference of two draws;
each fortnight of health since narrows it: a level that has been seen to rise and fall with the season is known.

Which days were healthy is not known, so it is asked with several: all but the last four weeks, six, nine, thirteen,
half a year, and the learning days alone. If health went on to the window, each of these z is standard normal; the
largest is taken. Where a fault began earlier, days that hold it foretell some of it and only lower z. Six such
questions of one slowly moving quantity are alike: the largest costs far less than six times, and the effect must be
there as well (10 %, which with all measured is five to eight of its standard uncertainties).

What it cannot do: a level of the supply, unmeasured, that goes up by three of its standard deviations for a fortnight
is taken for the heater. Measuring the voltage ends that.

[1] C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press, 2006, eq. 2.25-2.26.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, pi, sqrt

import numpy as np

from detectors.baseline import Baseline
from detectors.stats.autocorrelation import ar1_inflation
from detectors.stretch import Floats

__all__ = ["Evidence", "Level", "Unmeasured", "evidence", "sampling_u"]

MEDIAN_COST = sqrt(pi / 2.0)  # standard error of a median over that of a mean, normal scatter
YEAR_DAYS = 365.25
HEALTHY_BUT_DAYS = (28, 42, 63, 91, 182)
ANY_LEVEL = 2.0  # standard deviation of c: so wide that it says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Some days together: their middle day, median of r, how many, and their conditions beside the baseline's."""

    day: float
    residual: float
    days: int
    away: tuple[float, ...]  # conditions minus the baseline's centre, in its order
    unknown_var: float = 0.0  # of conditions that were not known these days


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmeasured:
    """Standard deviations of the slow levels that no signal tells, and the swing of the season; of ln demand."""

    level: float
    season: float
    lasts_days: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The standard uncertainty of the window's level beyond what was foretold, and how many of it that is."""

    z: float
    u: float
    from_days: float  # of health that foretold it ended so long ago; inf: the learning days alone


def sampling_u(scatter: float, rho: float, n: int) -> float:
    """Standard error of the median of n days with this scatter and autocorrelation of neighbours."""
    return MEDIAN_COST * scatter * sqrt(ar1_inflation(rho, n) / n)


def evidence(
    baseline: Baseline,
    baseline_day: float,
    past: Sequence[Level],
    window: Level,
    *,
    unmeasured: Unmeasured,
    rho: float,
    since_learning_only: bool = False,
) -> Evidence:
    """Hold the window against what the past foretells of it.

    Parameters
    ----------
    baseline, baseline_day
        The frozen baseline, and the middle of its learning days (UTC days since 1970).
    past : sequence of Level
        Complete levels before the window, days rising; those of the learning days among them are no new evidence and
        are left out by who calls.
    rho : float
        Autocorrelation of neighbouring days within a level.
    since_learning_only
        Ask with the learning days alone: a fraction of the work, where the effect is too small to matter.
    """
    learnt = Level(day=baseline_day, residual=0.0, days=baseline.points, away=(0.0,) * len(baseline.names))
    levels = [learnt, *past, window]
    day = np.array([level.day for level in levels])
    value = np.array([level.residual for level in levels])
    noise = np.array([sampling_u(baseline.scatter, rho, level.days) ** 2 + level.unknown_var for level in levels])
    noise[0] = baseline.cov[0][0]
    covariance = _covariance(day, unmeasured) + np.diag(noise)
    if baseline.names:
        away = np.array([level.away for level in levels])
        covariance += away @ np.array(baseline.cov)[1:, 1:] @ away.T
    best: Evidence | None = None
    ends = () if since_learning_only else HEALTHY_BUT_DAYS
    counts = {1: inf}  # how many levels foretell -> days since the last of them
    for back in ends:
        counts.setdefault(1 + int(np.count_nonzero(day[1:-1] <= day[-1] - back)), float(back))
    for count, back_days in counts.items():
        foretold, variance = _foretell(covariance, value, count)
        u = sqrt(max(variance, 1e-12))
        z = (window.residual - foretold) / u
        if best is None or z > best.z:
            best = Evidence(z=z, u=u, from_days=back_days)
    assert best is not None
    return best


def _covariance(day: Floats, unmeasured: Unmeasured) -> Floats:
    lag = np.abs(day[:, np.newaxis] - day)
    slow = unmeasured.level**2 * np.exp(-lag / unmeasured.lasts_days)
    season = 0.5 * unmeasured.season**2 * np.cos(2.0 * pi * lag / YEAR_DAYS) * np.exp(-lag / YEAR_DAYS)
    return np.asarray(slow + season + ANY_LEVEL**2)


def _foretell(covariance: Floats, value: Floats, count: int) -> tuple[float, float]:
    """The last value from the first `count`: mean and variance."""
    shared = covariance[:count, -1]
    weight = np.linalg.solve(covariance[:count, :count], shared)
    return float(weight @ value[:count]), float(covariance[-1, -1] - weight @ shared)
