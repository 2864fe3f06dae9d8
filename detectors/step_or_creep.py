"""Whether a level went up at once or little by little: the best single step against the best line and the best bend.

A contact that failed overnight, a supply that was switched, a probe that was moved are steps. A creep is a straight
line, or, where the record reaches back into health, a level that bends upwards one day. Bend and step have the same
freedom (a level, a size, a day), so least squares compares them fairly; a step must still be clearly the better of
them, since a creep with a few odd days looks like one.
"""

from dataclasses import dataclass

import numpy as np

from detectors.stretch import Floats

__all__ = ["Shape", "step_or_creep"]

FEWEST = 8  # points in all
FEWEST_SIDE = 3  # points on each side of a step: fewer could be outliers
STEP_SHARE = 0.7  # a step leaves at most this part of the squares that line and bend leave


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
    if total - float(explained[best]) <= STEP_SHARE * (total - _along(day, centred)):
        return Shape("step", float(day[k[best]]))
    return Shape("creep")


def _along(day: Floats, centred: Floats) -> float:
    """Squares that the best bend explains; one at the first point is the line."""
    rise = np.maximum(0.0, day - day[:-FEWEST_SIDE, np.newaxis])  # one row a bend
    rise -= rise.mean(axis=1, keepdims=True)
    squares = np.maximum((rise**2).sum(axis=1), 1e-300)
    return float(np.max((rise @ centred) ** 2 / squares))
