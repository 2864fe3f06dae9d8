"""Means over windows on fixed UTC boundaries: what slow detectors look at, whatever the polling was."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import storable, unstorable
from detectors.stretch import Floats

__all__ = ["Closed", "WindowMeans"]

# Values are laid on a grid of 2^-20 (1e-6 of any unit here): sums of up to 8192 of them below 2^20 are then exact in a
# double, whatever their order, so the cut of the stream cannot show even in the last bit.
_GRID: Final = 2.0**20
_LARGEST: Final = 2.0**20
_ENOUGH: Final = 256  # samples that wait at most: some kilobytes a probe


@dataclass(frozen=True, slots=True)
class Closed:
    """Windows that are complete: starts (m,), means and counts (m, columns), share of usable samples (m,).

    Only usable samples enter a mean. A column without one has a NaN mean and count 0.
    """

    start_s: Floats
    mean: Floats
    count: Floats
    usable: Floats


class WindowMeans:
    """Carries the open window of one probe. A window is given out once a later sample, or time itself, has passed it.

    Parameters
    ----------
    window_s : float
        Length; windows begin at multiples of it since 1970. [s]
    names : tuple of str
        The columns.
    """

    def __init__(self, window_s: float, names: tuple[str, ...], state: dict[str, Any] | None = None) -> None:
        self.window_s, self.names = window_s, names
        width = len(names)
        self._open: int | None = None
        # What a live agent brings comes a few samples at a time: they wait here until they are worth adding up.
        self._waiting: list[tuple[Mapping[str, Floats], NDArray[np.bool_]]] = []
        self._waiting_samples = 0
        self._sum, self._count = np.zeros(width), np.zeros(width)
        self._usable, self._samples = 0, 0
        self._none = Closed(np.zeros(0), np.zeros((0, width)), np.zeros((0, width)), np.zeros(0))
        if state is not None and state["window_s"] == window_s and state["names"] == list(names):
            self._open = state["open"]
            self._sum = np.array(unstorable(state["sum"]), np.float64)
            self._count = np.array(state["count"], np.float64)
            self._usable, self._samples = state["usable"], state["samples"]

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        self._add_up()
        return {
            "window_s": self.window_s,
            "names": list(self.names),
            "open": self._open,
            "sum": storable(self._sum),
            "count": storable(self._count),
            "usable": self._usable,
            "samples": self._samples,
        }

    def add(self, time_s: Floats, columns: Mapping[str, Floats], usable: NDArray[np.bool_]) -> Closed:
        """Take samples, each column (n,), a column that is not there being unknown; return the windows they closed."""
        n = time_s.size
        if n == 0:
            return self._nothing()
        first, last = floor(time_s.item(0) / self.window_s), floor(time_s.item(-1) / self.window_s)
        if first == last and self._open in (None, first):
            self._open = first
            self._waiting.append((columns, usable))
            self._waiting_samples += n
            if self._waiting_samples >= _ENOUGH:
                self._add_up()
            return self._nothing()
        self._add_up()
        window = np.floor(time_s / self.window_s)
        heads = np.append(0, np.flatnonzero(window[1:] != window[:-1]) + 1)
        ids = window[heads].astype(np.int64)
        samples = np.diff(heads, append=n)
        usables = _true_in(usable, heads, samples)
        sums, counts = np.zeros((ids.size, len(self.names))), np.zeros((ids.size, len(self.names)))
        for row, name in enumerate(self.names):
            if name in columns:
                sums[:, row], counts[:, row] = _sums_in(columns[name], usable, heads, samples, usables)
        if self._open is not None and self._open != ids[0]:
            ids, samples, usables = np.append(self._open, ids), np.append(0, samples), np.append(0, usables)
            nothing = np.zeros((1, len(self.names)))
            sums, counts = np.concatenate((nothing, sums)), np.concatenate((nothing, counts))
        sums[0] += self._sum
        counts[0] += self._count
        samples[0] += self._samples
        usables[0] += self._usable
        self._open = int(ids[-1])
        self._sum, self._count = sums[-1].copy(), counts[-1].copy()
        self._usable, self._samples = int(usables[-1]), int(samples[-1])
        return self._means(ids[:-1], sums[:-1], counts[:-1], usables[:-1], samples[:-1])

    def advance(self, now_s: float) -> Closed:
        """Close the open window if `now_s` is past its end."""
        if self._open is None or now_s < (self._open + 1) * self.window_s:
            return self._nothing()
        self._add_up()
        out = self._means(
            np.array([self._open]),
            self._sum[None],
            self._count[None],
            np.array([self._usable]),
            np.array([self._samples]),
        )
        self._open = None
        self._sum, self._count = np.zeros(len(self.names)), np.zeros(len(self.names))
        self._usable, self._samples = 0, 0
        return out

    def _add_up(self) -> None:
        """Put what waits into the sums of the open window."""
        waiting, self._waiting, self._waiting_samples = self._waiting, [], 0
        if not waiting:
            return
        usable = np.concatenate([part for _, part in waiting])
        self._usable += int(np.count_nonzero(usable))
        self._samples += usable.size
        whole, n = np.zeros(1, np.intp), np.array([usable.size])
        usables = _true_in(usable, whole, n)
        for row, name in enumerate(self.names):
            if any(name in columns for columns, _ in waiting):
                parts = [columns[name] if name in columns else np.full(part.size, np.nan) for columns, part in waiting]
                sums, counts = _sums_in(np.concatenate(parts), usable, whole, n, usables)
                self._sum[row] += sums[0]
                self._count[row] += counts[0]

    def _nothing(self) -> Closed:
        return self._none

    def _means(
        self,
        ids: NDArray[np.int64],
        sums: Floats,
        counts: Floats,
        usables: NDArray[np.int64],
        samples: NDArray[np.int64],
    ) -> Closed:
        means = np.asarray(np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan), np.float64)
        start_s = np.asarray(ids * self.window_s, np.float64)
        return Closed(start_s, means, counts, usables / np.maximum(samples, 1))


def _true_in(mask: NDArray[np.bool_], heads: NDArray[np.intp], sizes: NDArray[np.intp]) -> NDArray[np.intp]:
    """How many are true in each window of so many samples from `heads` on."""
    true = np.count_nonzero(mask)
    if true == mask.size:
        return sizes.copy()
    if true == 0:
        return np.zeros_like(sizes)
    return np.add.reduceat(mask, heads, dtype=np.intp)


def _sums_in(
    column: Floats,
    usable: NDArray[np.bool_],
    heads: NDArray[np.intp],
    sizes: NDArray[np.intp],
    usables: NDArray[np.intp],
) -> tuple[Floats, NDArray[np.intp]]:
    """Sum on the grid, and number, of the good values of each window."""
    sound = np.abs(column) < _LARGEST
    all_sound = np.count_nonzero(sound) == column.size
    good = usable if all_sound else sound & usable
    counts = usables if all_sound else _true_in(good, heads, sizes)
    values = column if np.count_nonzero(good) == column.size else np.where(good, column, 0.0)
    on_grid = values * _GRID
    return np.add.reduceat(np.rint(on_grid, out=on_grid), heads) / _GRID, counts
