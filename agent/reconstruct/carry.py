"""Carrying values across stretches and across a restart: last-known times, and numbers that JSON cannot hold."""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from detectors.stretch import Floats

__all__ = ["last_time", "last_time_of", "storable", "unstorable"]

_OFTEN: Final = 16  # a mask that holds once in so many samples is seldom, and its runs are written one by one


def last_time(mask: NDArray[np.bool_], time_s: Floats, carried_s: float) -> Floats:
    """For every sample the time of the last one, up to itself, where `mask` held; `carried_s` before the first.

    Times rise; `carried_s` counts for as long as it is the later one.
    """
    at = np.flatnonzero(mask)
    if at.size == mask.size:
        return np.maximum(time_s, carried_s)
    if at.size == 0:
        return np.full(mask.size, carried_s)
    if at.size * _OFTEN > mask.size:
        return np.maximum(np.maximum.accumulate(np.where(mask, time_s, -np.inf)), carried_s)
    lasting = np.diff(at, prepend=0, append=mask.size)
    return np.repeat(np.maximum(np.append(carried_s, time_s[at]), carried_s), lasting)


def last_time_of(mask: NDArray[np.bool_], time_s: Floats, carried_s: float) -> float:
    """What `last_time` says of the last sample, n above 0."""
    if mask[-1]:
        return max(time_s.item(-1), carried_s)
    at = mask[::-1].argmax()
    return max(time_s.item(-1 - int(at)), carried_s) if mask[-1 - at] else carried_s


def storable(value: Any) -> Any:
    """A number, list or dict as JSON can hold it: NaN and infinities become their names."""
    if isinstance(value, dict):
        return {key: storable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [storable(item) for item in value]
    if isinstance(value, np.ndarray):
        return [storable(item) for item in value.tolist()]
    if isinstance(value, float) and not np.isfinite(value):
        return repr(float(value))
    return value


def unstorable(value: Any) -> Any:
    """The inverse of `storable` for numbers and lists and dicts of them."""
    if isinstance(value, dict):
        return {key: unstorable(item) for key, item in value.items()}
    if isinstance(value, list):
        return [unstorable(item) for item in value]
    if value in ("nan", "inf", "-inf"):
        return float(value)
    return value
