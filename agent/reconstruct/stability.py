"""Thermal stability: a heater and a cell are judged only two hours after the probe came to rest at its set point."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import last_time, storable, unstorable
from agent.reconstruct.options import EpisodeOptions
from detectors.stretch import Floats

__all__ = ["Stability"]


class Stability:
    """Carries the instant at which one probe was last off its set point."""

    def __init__(self, options: EpisodeOptions, state: dict[str, Any] | None = None) -> None:
        self._options = options
        self._unstable_s = -np.inf if state is None else float(unstorable(state["unstable_s"]))
        self._seen_s = -np.inf if state is None else float(unstorable(state["seen_s"]))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {"unstable_s": storable(self._unstable_s), "seen_s": storable(self._seen_s)}

    def run(self, time_s: Floats, cell_temp_c: Floats, set_point_c: Floats) -> NDArray[np.bool_]:
        """Where the probe has been within the band for long enough, (n,). A missing temperature decides nothing."""
        if time_s.size == 0:
            return np.zeros(0, np.bool_)
        close = np.abs(cell_temp_c - set_point_c) <= self._options.stable_band_k
        if np.count_nonzero(close) == close.size:
            first_s, last_s = float(time_s[0]), float(time_s[-1])
            gaps = max(first_s - self._seen_s, last_s - first_s)
            if gaps <= self._options.stable_gap_s:  # as nearly always
                self._seen_s = last_s
                return np.asarray(time_s - self._unstable_s >= self._options.stable_after_s)
        known = ~np.isnan(cell_temp_c)
        off = known & ~close
        # After a long silence nobody knows whether the heater was on: rest is proved anew from the first sample.
        seen_s = last_time(known, time_s, self._seen_s)
        off[0] |= known[0] & (time_s.item(0) - self._seen_s > self._options.stable_gap_s)
        off[1:] |= known[1:] & (time_s[1:] - seen_s[:-1] > self._options.stable_gap_s)
        unstable_s: Floats | float = self._unstable_s
        if np.count_nonzero(off):
            unstable_s = last_time(off, time_s, self._unstable_s)
            self._unstable_s = unstable_s.item(-1)
        stable = np.asarray(time_s - unstable_s >= self._options.stable_after_s)
        if self._seen_s == -np.inf:  # never seen before: nothing is known up to the first sample
            stable &= seen_s > -np.inf
        self._seen_s = seen_s.item(-1)
        return stable
