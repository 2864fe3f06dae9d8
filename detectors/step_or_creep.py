"""Whether a level went up at once or little by little: the best single step against the best straight line.

Both have two levels to fit (before and after; intercept and slope), the step has its day on top, so it must be clearly
the better one to be called a step: a contact that failed overnight, a supply that was switched, a probe that was moved.
"""

from dataclasses import dataclass

import numpy as np

from detectors.stretch import Floats

__all__ = ["Shape", "step_or_creep"]

FEWEST = 8  # points in all
FEWEST_SIDE = 3  # points on each side of a step: fewer could be outliers
STEP_SHARE = 0.7  # a step leaves at most this part of the squares that a line leaves


@dataclass(frozen=True, slots=True)
class Shape:
    """The word, and the time of the first point after a step (None for a creep)."""

    word: str
    at_day: float | None = None


def step_or_creep(day: Floats, y: Floats) -> Shape:
    """'step' or 'creep'.

    Parameters
    ----------
    day, y : ndarrays, shape (n,)
        Times rising, finite values.

    Returns
    -------
    Shape
        'creep' where there is too little to tell.
    """
    n = y.size
    if n < FEWEST:
        return Shape("creep")
    y = np.clip(y, *np.percentile(y, [2.0, 98.0]))  # one wild day is neither
    centred = y - np.mean(y)
    total = float(centred @ centred)
    if total <= 0.0:
        return Shape("creep")
    # With a mean of zero, a step after k points explains S_k^2 n / (k (n - k)) of the squares, S_k the sum of the k.
    k = np.arange(FEWEST_SIDE, n - FEWEST_SIDE + 1)
    explained = np.cumsum(centred)[k - 1] ** 2 * n / (k * (n - k))
    best = int(np.argmax(explained))
    time = day - np.mean(day)
    along = float(time @ centred) ** 2 / max(float(time @ time), 1e-300)
    if total - float(explained[best]) <= STEP_SHARE * (total - along):
        return Shape("step", float(day[k[best]]))
    return Shape("creep")
