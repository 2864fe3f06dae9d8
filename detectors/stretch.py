"""Consecutive samples of one probe as arrays: what every vectorised step takes."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["Floats", "Stretch"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """`time_s` is UTC in seconds since 1970, shape (n,), strictly rising; each signal has shape (n,), NaN = missing.

    A signal that is not there at all is not mapped. How a stream is cut into stretches never matters.
    """

    time_s: Floats
    signals: Mapping[str, Floats]

    def get(self, name: str) -> Floats:
        """A signal, all NaN (and not to be written to) when it is not mapped."""
        found = self.signals.get(name)
        return _missing(self.time_s.size) if found is None else found

    def __len__(self) -> int:
        return int(self.time_s.size)


@lru_cache(maxsize=8)
def _missing(n: int) -> Floats:
    """NaN n times, one array for all who ask: most probes lack some signal, in every stretch anew."""
    column = np.full(n, np.nan)
    column.flags.writeable = False
    return column
