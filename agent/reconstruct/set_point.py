"""The set point of every sample: as told, as the settings say, or learnt from where the controller holds the cell.

Learnt where nobody says it. A cell that has stood still for two hours, at a temperature at which zirconia conducts,
with the heater neither fully on nor off, is at ITS set point: nothing but the controller holds it there. A heater that
has reached its ceiling, or one that is off, holds nothing.
"""

from typing import Any, Final

import numpy as np

from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.windows import Closed, WindowMeans
from detectors.stats.robust import median
from detectors.stretch import Floats, Stretch

__all__ = ["SetPoint"]

_USUAL_C: Final = 700.0  # before anything is known; the usual one of in-situ cells, common practice
_WORKING_C: Final = 500.0  # below, a zirconia cell hardly conducts and no maker holds it there, common practice
_WINDOW_S: Final = 600.0
_WINDOWS: Final = 12  # two hours
_HELD: Final = (0.03, 0.97)  # duty between its ends


class SetPoint:
    """Carries the last known set point of one probe. `said` is what the settings say, None where they do not."""

    def __init__(self, said: float | None, told: bool, band_k: float, state: dict[str, Any] | None = None) -> None:
        self._learns = said is None and not told
        self._band_k = band_k
        self.value_c = _USUAL_C if said is None else said
        self.learnt = False
        self._stood_c: list[float] = []  # means of the last windows, each after the other
        self._next_s = -np.inf  # where the next window must begin
        saved: dict[str, Any] = {} if state is None else state
        self._windows = WindowMeans(_WINDOW_S, ("temp", "duty"), saved.get("windows"))
        if state is not None:
            self.value_c = float(unstorable(state["value_c"]))
            self.learnt = state["learnt"]
            self._stood_c, self._next_s = list(state["stood_c"]), float(unstorable(state["next_s"]))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {
            "value_c": storable(self.value_c),
            "learnt": self.learnt,
            "stood_c": self._stood_c,
            "next_s": storable(self._next_s),
            "windows": self._windows.to_dict() if self._learns else None,
        }

    def run(self, stretch: Stretch, duty: Floats) -> Floats:
        """The set point of every sample, (n,); `duty` 0..1, NaN unknown."""
        told = stretch.signals.get("cell_temp_setpoint")
        if told is not None:
            return self._told(told)
        out = np.full(len(stretch), self.value_c)
        if self._learns and "cell_temp" in stretch.signals:
            columns = {"temp": stretch.signals["cell_temp"], "duty": duty}
            closed = self._windows.add(stretch.time_s, columns, np.ones(len(stretch), np.bool_))
            for from_s, value_c in self._learn(closed):
                out[stretch.time_s.searchsorted(from_s) :] = value_c
        return out

    def _told(self, told: Floats) -> Floats:
        known = np.isfinite(told)
        if np.count_nonzero(known) < known.size:
            last = np.maximum.accumulate(np.where(known, np.arange(known.size), -1))
            told = np.where(last >= 0, told[last], self.value_c)
        if told.size:
            self.value_c = float(told[-1])
        return told

    def _learn(self, closed: Closed) -> list[tuple[float, float]]:
        """Set points that these windows teach, and from when on each holds."""
        found: list[tuple[float, float]] = []
        temps_c = closed.mean[:, 0]
        near = np.abs(temps_c - self.value_c) <= self._band_k
        if self.learnt and near.size and np.count_nonzero(near) == near.size:
            self._stood_c = []  # as nearly always: it is where it belongs
            return found
        for start_s, (temp_c, duty) in zip(closed.start_s.tolist(), closed.mean.tolist(), strict=True):
            # An unknown duty speaks not against it.
            held = temp_c >= _WORKING_C and not (duty < _HELD[0] or duty > _HELD[1])
            if not held or (self.learnt and abs(temp_c - self.value_c) <= self._band_k):
                self._stood_c = []
                continue
            if start_s != self._next_s:
                self._stood_c = []
            self._next_s = start_s + _WINDOW_S
            self._stood_c = [*self._stood_c, temp_c][-_WINDOWS:]
            if len(self._stood_c) < _WINDOWS or max(self._stood_c) - min(self._stood_c) > self._band_k:
                continue
            self.learnt, self.value_c = True, median(np.array(self._stood_c))
            self._stood_c = []
            found.append((self._next_s, self.value_c))
        return found
