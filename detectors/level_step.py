"""A level that a quantity has left by a step it cannot make, until it is back there."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from detectors.samples import steps_from
from detectors.stretch import Floats

__all__ = ["LevelState", "left_level"]

Codes = NDArray[np.int64]
STEADY = 3  # samples without a step before one counts: a first wild value is no level


@dataclass(slots=True, kw_only=True)
class LevelState:
    """The latest sample, how many before it made no step, and the level that was left."""

    time_s: float | None = None
    value: float | None = None
    steady: int = 0
    level: float | None = None

    def rest(self, time_s: Floats, values: Floats) -> None:
        """Take values that are known to make no step, while no level is left."""
        self.steady = min(STEADY, self.steady + values.size)
        self.time_s, self.value = float(time_s[-1]), float(values[-1])


def left_level(
    state: LevelState, time_s: Floats, values: Floats, is_step: Callable[[Floats, Floats, Floats], Codes], back: float
) -> Floats:
    """The level that was left, at each sample; NaN where none is.

    Parameters
    ----------
    time_s, values : ndarray, shape (n,)
        Finite, time rising.
    is_step : callable
        Of value before, value, and seconds between (arrays): 1 where that is a step it cannot make, -1 where it is one
        that leaves no level but makes the samples before it worthless as one, else 0.
    back : float
        Within this of the level it is back.
    """
    left = np.full(values.size, np.nan)
    if values.size == 0:
        return left
    before = np.concatenate(([values[0] if state.value is None else state.value], values[:-1]))
    dt_s = steps_from(float(time_s[0]) if state.time_s is None else state.time_s, time_s)
    steps = is_step(before, values, dt_s)
    if state.level is None and not np.count_nonzero(steps):
        state.steady = min(STEADY, state.steady + values.size)
    else:
        for i, (earlier, value, step) in enumerate(zip(before.tolist(), values.tolist(), steps.tolist(), strict=True)):
            if state.level is None and step > 0 and state.steady >= STEADY:
                state.level = earlier
            state.steady = 1 if step else min(STEADY, state.steady + 1)
            if state.level is not None and abs(value - state.level) <= back:
                state.level = None
            if state.level is not None:
                left[i] = state.level
    state.time_s, state.value = float(time_s[-1]), float(values[-1])
    return left
