"""The rows of one probe, given out up to one instant after another, however the files part them."""

from collections.abc import Iterator
from math import inf
from typing import Final

import numpy as np

from detectors.stretch import Stretch

__all__ = ["Rows"]

_USUAL_OF: Final = 1000  # rows from which the usual time between two is taken


class Rows:
    """Takes stretches in order of time; rows outside `from_s` (included) to `to_s` (not) are left out."""

    def __init__(self, stretches: Iterator[Stretch], from_s: float = -inf, to_s: float = inf) -> None:
        self._stretches, self._from_s, self._to_s = stretches, from_s, to_s
        self._waiting: list[Stretch] = []  # none empty
        self._ended = False
        while not self._ended and sum(len(one) for one in self._waiting) < _USUAL_OF:
            self._read()

    @property
    def next_s(self) -> float:
        """Time of the next row; infinite after the last."""
        while not self._waiting and not self._ended:
            self._read()
        return self._waiting[0].time_s.item(0) if self._waiting else inf

    def usual_s(self) -> float:
        """The usual time between two of the first rows, 0 where there are fewer than two. Asked before `until`."""
        steps = np.diff(np.concatenate([one.time_s for one in self._waiting])[:_USUAL_OF]) if self._waiting else ()
        return float(np.median(steps)) if len(steps) else 0.0

    def until(self, end_s: float) -> Iterator[Stretch]:
        """The rows up to and with `end_s` that have not been given out yet, as views."""
        while self.next_s <= end_s:
            stretch = self._waiting.pop(0)
            n = int(stretch.time_s.searchsorted(end_s, side="right"))
            if n < len(stretch):
                self._waiting.insert(0, _rows(stretch, n, len(stretch)))
                stretch = _rows(stretch, 0, n)
            yield stretch

    def _read(self) -> None:
        stretch = next(self._stretches, None)
        if stretch is None:
            self._ended = True
            return
        first, end = stretch.time_s.searchsorted((self._from_s, self._to_s), side="left").tolist()
        if end < len(stretch):
            self._ended = True
        if end > first:
            self._waiting.append(_rows(stretch, first, end) if end - first < len(stretch) else stretch)


def _rows(stretch: Stretch, first: int, end: int) -> Stretch:
    return Stretch(stretch.time_s[first:end], {name: column[first:end] for name, column in stretch.signals.items()})
