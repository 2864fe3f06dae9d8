"""When a baseline may be frozen: not while what it learns from is itself on the move."""

from collections.abc import Mapping
from functools import partial
from math import inf

import numpy as np

from detectors.baseline import Baseline, Prior, fit_baseline
from detectors.stats.trend import theil_sen
from detectors.stretch import Floats

__all__ = ["try_freeze"]

TREND = "time"


def try_freeze(
    time_days: Floats,
    y: Floats,
    conditions: Mapping[str, Floats],
    priors: Mapping[str, Prior],
    *,
    rho_floor: float,
    rho_prior_points: float = 0.0,
    least_scatter: float,
    least_trend: float,
    trend_z: float,
    out_of_patience: bool,
    enough_rise: float = inf,
    point_u: Floats | None = None,
) -> Baseline | None:
    """The baseline of these points, or None while they show a trend of their own.

    A trend is a change over the whole time of more than `least_trend`, beyond `trend_z` of its uncertainty with the
    conditions and the autocorrelation counted. Out of patience, the baseline is taken at the lower end of the trend
    (the earliest third of a rise, the latest of a fall), so that it swallows no creep that began while it learnt; its
    note says so. A rise beyond `enough_rise` is not waited for: by then it is what the detector is there to tell.
    """
    span = float(time_days[-1] - time_days[0])
    fit = partial(
        fit_baseline,
        rho_floor=rho_floor,
        rho_prior_points=rho_prior_points,
        least_scatter=least_scatter,
        point_u=point_u,
    )
    if y.size >= 5 and span > 0.0:
        # So wide a prior of the trend that it says nothing: a factor of e over the time.
        rough = theil_sen(time_days, y).slope
        moving = fit(
            y, {**conditions, TREND: time_days}, {**priors, TREND: Prior(0.0, 1.0 / span)}, start={TREND: rough}
        )
        slope, slope_u = moving.slope(TREND)
        if abs(slope) * span > least_trend and abs(slope) > trend_z * slope_u:
            if not out_of_patience and not slope * span > enough_rise:
                return None
            third = max(1, y.size // 3)
            part = time_days[:third] if slope > 0.0 else time_days[-third:]
            words = f"it moved by {100.0 * np.expm1(slope * span):+.0f} % while learning: taken at its lower end"
            return moving.fixed_at(TREND, float(np.mean(part)), words)
    return fit(y, conditions, priors)
