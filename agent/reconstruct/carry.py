"""Carrying values across stretches and across a restart: last-known times, and numbers that JSON cannot hold."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from detectors.stretch import Floats

__all__ = ["last_time", "storable", "unstorable"]


def last_time(mask: NDArray[np.bool_], time_s: Floats, carried_s: float) -> Floats:
    """For every sample the time of the last one, up to itself, where `mask` held; `carried_s` before the first."""
    return np.maximum(np.maximum.accumulate(np.where(mask, time_s, -np.inf)), carried_s)


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
