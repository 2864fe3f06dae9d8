"""Numbers of a column made values of a signal: scaled, and missing where no such quantity can be."""

from math import isfinite
from typing import Final

import numpy as np

from agent.replay.files.problems import Problems
from agent.signals import SIGNALS, Kind
from detectors.stretch import Floats

__all__ = ["bounded", "value_of"]

_FLAG: Final = "neither 0 nor 1, taken as missing"


def bounded(signal: str, low: float, high: float) -> bool:
    """Whether every number between `low` and `high` (of a column whose numbers are whole, for a flag) is possible."""
    least, most = _limits(signal)
    return isfinite(low) and isfinite(high) and low >= least and high <= most


def value_of(signal: str, numbers: Floats, file: str, problems: Problems, *, first_row: int = 1) -> Floats:
    """The numbers, (n,), with NaN for what such a signal can never be. The array itself where nothing is to be done."""
    if not numbers.size:
        return numbers
    if SIGNALS[signal].kind is Kind.FLAG:
        if bool(((numbers == 0.0) | (numbers == 1.0)).all()):
            return numbers
        bad = ~((numbers == 0.0) | (numbers == 1.0) | np.isnan(numbers))
        what = f"{signal} {_FLAG}"
    else:
        least, most = _limits(signal)
        if np.fmin.reduce(numbers) >= least and np.fmax.reduce(numbers) <= most:
            return numbers
        bad = ~(((numbers >= least) & (numbers <= most)) | np.isnan(numbers))
        unit = SIGNALS[signal].unit
        within = "" if not isfinite(SIGNALS[signal].possible[0]) else f" outside {least:g} to {most:g} {unit}"
        what = f"{signal}{within or ' infinite'}: no such value, taken as missing"
    where = np.flatnonzero(bad)
    if not where.size:  # all missing
        return numbers
    problems.add(file, what, rows=where.size, first_row=first_row + int(where[0]))
    cleaned = numbers.copy()
    cleaned[where] = np.nan
    return cleaned


def _limits(signal: str) -> tuple[float, float]:
    """What is possible, infinity never."""
    if SIGNALS[signal].kind is Kind.FLAG:
        return 0.0, 1.0
    least, most = SIGNALS[signal].possible
    biggest = float(np.finfo(np.float64).max)
    return max(least, -biggest), min(most, biggest)
