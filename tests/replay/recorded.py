"""Made history in memory, for the tests of replay. Not a test."""

import os
from dataclasses import dataclass, field

import numpy as np

from detectors.stretch import Stretch

Stream = tuple[np.ndarray, dict[str, np.ndarray]]


@dataclass
class MemoryHistory:
    """Streams by probe, given out in chunks. `breaks`: the probe whose reader fails after its first chunk."""

    streams: dict[str, Stream]
    chunk: int = 50_000
    breaks: str = ""
    kills: str = ""  # the probe whose worker process ends without a word
    said: dict[str, str] = field(default_factory=dict)  # by probe, what its reader finds wrong

    @property
    def probes(self):
        return tuple(self.streams)

    def span(self, probe):
        time_s = self.streams[probe][0]
        return (float(time_s[0]), float(time_s[-1])) if time_s.size else None

    def rows(self, probe):
        return self.streams[probe][0].size

    def stretches(self, probe, problems):
        time_s, signals = self.streams[probe]
        if probe in self.said:
            problems.add(f"probe={probe}/x.csv", self.said[probe], rows=1)
        for first in range(0, time_s.size, self.chunk):
            rows = slice(first, first + self.chunk)
            yield Stretch(time_s[rows], {name: column[rows] for name, column in signals.items()})
            if probe == self.breaks:
                raise RuntimeError("the reader's fault")
            if probe == self.kills:
                os._exit(3)
