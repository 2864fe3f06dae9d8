"""Thermal stability: a heater and a cell are judged only when the probe has come to rest at its set point.

After a warm-up that is two hours (common practice). A blowback or a gust that pushes the cell out of its band for some
minutes disturbs less: a part of the probe with any time constant tau, pushed for T, is left after four times T with at
most (1 - x) x^4 of what pushed it, x = exp(-T / tau): 8 %, whatever its tau. So every excursion asks for ten minutes of
rest and every second of it for four more, two hours at most, and every second in the band serves them. Else a probe
that is blown back every hour would never be judged.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import last_time, storable, unstorable
from agent.reconstruct.options import EpisodeOptions
from detectors.stretch import Floats

__all__ = ["Stability"]


_REST_PER_EXCURSION: Final = 4.0
_LEAST_REST_S: Final = 600.0


class Stability:
    """Carries the last excursion of one probe from its set point, and the rest that it asks for."""

    def __init__(self, options: EpisodeOptions, state: dict[str, Any] | None = None) -> None:
        saved: dict[str, Any] = {} if state is None else {name: unstorable(value) for name, value in state.items()}
        self._options = options
        self._unstable_s = float(saved.get("unstable_s", -np.inf))  # its last sample
        self._since_s = float(saved.get("since_s", self._unstable_s))  # its first one
        self._rest_s = float(saved.get("rest_s", options.stable_after_s))  # what was owed at the first one
        self._off = bool(saved.get("off", False))  # whether the last known temperature was off the band
        self._seen_s = float(saved.get("seen_s", -np.inf))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {
            "unstable_s": storable(self._unstable_s),
            "since_s": storable(self._since_s),
            "rest_s": self._rest_s,
            "off": self._off,
            "seen_s": storable(self._seen_s),
        }

    @property
    def _stable_from_s(self) -> float:
        """When the rest after the last excursion is, or was, enough."""
        if self._unstable_s == -np.inf:
            return -np.inf
        rest_s = self._rest_s + _REST_PER_EXCURSION * (self._unstable_s - self._since_s)
        return self._unstable_s + min(rest_s, self._options.stable_after_s)

    def run(self, time_s: Floats, cell_temp_c: Floats, set_point_c: Floats) -> NDArray[np.bool_]:
        """Where the probe has been within the band for long enough, (n,). A missing temperature decides nothing."""
        if time_s.size == 0:
            return np.zeros(0, np.bool_)
        close = np.abs(cell_temp_c - set_point_c) <= self._options.stable_band_k
        if np.count_nonzero(close) == close.size:
            first_s, last_s, gap_s = float(time_s[0]), float(time_s[-1]), self._options.stable_gap_s
            if first_s - self._seen_s <= gap_s and (
                last_s - first_s <= gap_s or not np.count_nonzero(time_s[1:] - time_s[:-1] > gap_s)
            ):  # as nearly always
                self._seen_s, self._off = last_s, False
                return np.asarray(time_s >= self._stable_from_s)
        known = ~np.isnan(cell_temp_c)
        off = known & ~close
        # After a long silence nobody knows whether the heater was on: rest is proved anew from the first sample.
        seen_s = last_time(known, time_s, self._seen_s)
        anew = np.zeros(time_s.size, np.bool_)
        anew[0] = known[0] and time_s.item(0) - self._seen_s > self._options.stable_gap_s
        anew[1:] = known[1:] & (time_s[1:] - seen_s[:-1] > self._options.stable_gap_s)
        off |= anew
        stable = self._after_excursions(time_s, known, off, anew)
        if self._seen_s == -np.inf:  # never seen before: nothing is known up to the first sample
            stable &= seen_s > -np.inf
        self._seen_s = seen_s.item(-1)
        return stable

    def _after_excursions(
        self, time_s: Floats, known: NDArray[np.bool_], off: NDArray[np.bool_], anew: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Where the probe rests, (n,), given where it is off its band and where that is only proved anew."""
        stable = np.asarray(time_s >= self._stable_from_s)
        at = np.cumsum(known)[off]  # counts known samples: a missing one parts no excursion
        index = np.flatnonzero(off)
        if index.size:
            parts = (np.diff(at) > 1) | anew[index[1:]]
            heads = [0, *(np.flatnonzero(parts) + 1).tolist()]
            ends = [*heads[1:], index.size]
            for head, end in zip(heads, ends, strict=True):
                first = int(index[head])
                first_s = time_s.item(first)
                goes_on = self._off and at[head] == 1
                if anew[first]:
                    self._since_s, self._rest_s = first_s, self._options.stable_after_s
                elif not goes_on or head > 0:
                    self._rest_s = max(_LEAST_REST_S, self._stable_from_s - first_s)
                    self._since_s = first_s
                self._unstable_s = time_s.item(int(index[end - 1]))
                until = int(index[end]) if end < index.size else time_s.size
                stable[first:until] = time_s[first:until] >= self._stable_from_s
        if np.count_nonzero(known):
            self._off = bool(off[np.flatnonzero(known)[-1]])
        return stable
