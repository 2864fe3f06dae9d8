"""The flags of a transmitter: hardly ever is one raised, so only those that are get looked at."""

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from detectors.stretch import Stretch

__all__ = ["CHECK_FLAGS", "Raised", "any_raised", "raised"]

Raised = Mapping[str, NDArray[np.bool_]]  # flag -> where it is 1, (n,); a flag that never is, is not in it

CHECK_FLAGS: Final = (
    "air_check_active", "test_gas_active", "blowback_active", "furnace_purge_active", "calibrating",
)  # fmt: skip
_FLAGS: Final = (*CHECK_FLAGS, "output_held", "warming_up")


def raised(stretch: Stretch) -> Raised:
    """Where each flag that modes and the cell ask for is raised."""
    found = {}
    for name in _FLAGS:
        column = stretch.signals.get(name)
        if column is not None:
            up = column == 1.0
            if np.count_nonzero(up):
                found[name] = up
    return found


def any_raised(flags: Raised, names: Iterable[str], n: int) -> NDArray[np.bool_]:
    """Where any of these is raised, (n,)."""
    up = np.zeros(n, np.bool_)
    for name in names:
        if name in flags:
            up |= flags[name]
    return up
