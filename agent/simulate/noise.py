"""Noise as a function of time: circular tables, so that history and live read the same value at the same instant.

A table is drawn once by the generator that is passed in and read at any time and offset. It repeats after its length
(18 hours for the seconds, 91 days for the minutes), which no daily or weekly schedule meets twice in a season.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from agent.simulate.physics import Floats

__all__ = ["NoiseTables", "circular_ar1", "held", "interpolated"]

SECONDS = 1 << 16
MINUTES = 1 << 17


def circular_ar1(rng: np.random.Generator, size: int, correlation_steps: float) -> Floats:
    """A first-order autoregression of unit variance that joins its own beginning, shape (size,).

    x[k] = a x[k-1] + e[k] with a = exp(-1/correlation_steps), solved on the circle in the frequency domain.
    """
    a = float(np.exp(-1.0 / correlation_steps))
    spectrum = np.fft.rfft(rng.standard_normal(size))
    turn = np.exp(-2j * np.pi * np.arange(spectrum.size) / size)
    return np.asarray(np.fft.irfft(spectrum / (1.0 - a * turn), size) * np.sqrt(1.0 - a * a), dtype=np.float64)


def interpolated(table: Floats, time_s: Floats, step_s: float, offset: int) -> Floats:
    """The table at `time_s`, straight between its points."""
    position = time_s * (1.0 / step_s)
    floor = np.floor(position)
    index = floor.astype(np.int64) + offset
    mask = table.size - 1
    before = table[index & mask]
    return np.asarray(before + (table[(index + 1) & mask] - before) * (position - floor))


def held(table: Floats, time_s: Floats, offset: int) -> Floats:
    """The table at `time_s`, one point a second, held over that second."""
    index = np.floor(time_s).astype(np.int64) + offset
    return np.asarray(table[index & (table.size - 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseTables:
    """Unit-variance noise: by minutes with 1 h and 6 h of memory, by seconds with 15 s of memory and with none."""

    hour: Floats
    six_hours: Floats
    quarter_minute: Floats
    white: Floats

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Self:
        """Draw the four tables."""
        return cls(
            hour=circular_ar1(rng, MINUTES, 60.0),
            six_hours=circular_ar1(rng, MINUTES, 360.0),
            quarter_minute=circular_ar1(rng, SECONDS, 15.0),
            white=rng.standard_normal(SECONDS),
        )

    def hour_at(self, time_s: Floats, offset: int) -> Floats:
        """Memory of an hour."""
        return interpolated(self.hour, time_s, 60.0, offset)

    def six_hours_at(self, time_s: Floats, offset: int) -> Floats:
        """Memory of six hours."""
        return interpolated(self.six_hours, time_s, 60.0, offset)

    def quick_at(self, time_s: Floats, offset: int) -> Floats:
        """Memory of 15 s."""
        return held(self.quarter_minute, time_s, offset)

    def white_at(self, time_s: Floats, offset: int) -> Floats:
        """No memory beyond its second."""
        return held(self.white, time_s, offset)
