"""A running counter of heater on-time: the integral of duty, by minutes, as far as it has been asked for."""

from collections.abc import Callable

import numpy as np

from agent.simulate.physics import Floats

__all__ = ["RunningCounter"]

STEP_S = 60.0
AHEAD = 7 * 1440  # minutes summed beyond what is asked for, so that live seldom sums


class RunningCounter:
    """Seconds on since `zero_s`; the register wraps, this does not. `duty_at` gives the duty at instants, 0..1."""

    def __init__(self, duty_at: Callable[[Floats], Floats], zero_s: float) -> None:
        self._duty_at, self._zero_s = duty_at, zero_s
        self._sum: Floats = np.zeros(1)

    def at(self, time_s: Floats) -> Floats:
        """The counter at `time_s` [s]."""
        minutes = (time_s - self._zero_s) / STEP_S
        needed = int(minutes.max(initial=0.0)) + 2
        if needed > self._sum.size:
            self._extend(needed + AHEAD)
        whole = np.maximum(np.floor(minutes), 0.0)  # the counter stands at zero before its time
        index = whole.astype(np.int64)
        before = self._sum[index]
        share = np.maximum(minutes, 0.0) - whole
        return np.asarray(before + (self._sum[index + 1] - before) * share)

    def _extend(self, size: int) -> None:
        first = self._sum.size - 1
        middles = self._zero_s + (np.arange(first, size - 1, dtype=np.float64) + 0.5) * STEP_S
        more = self._sum[-1] + np.cumsum(self._duty_at(middles)) * STEP_S
        self._sum = np.concatenate([self._sum, more])
