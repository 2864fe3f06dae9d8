"""Gas of a probe in the same duct: kept for those who declare this one their twin, and asked of theirs."""

from collections import deque
from collections.abc import Callable, Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.episodes import RecoveryWindow
from agent.reconstruct.judge import Twin
from detectors.stretch import Floats

__all__ = ["ServiceGas", "TwinGas", "TwinOf", "twin_in"]

TwinGas = tuple[Twin | None, float]  # the recent gas of a probe in service, and the time of its last sample
TwinOf = Callable[[str], TwinGas]

_KEEP_S: Final = 900.0  # behind the last judgement: the longest window, the grace, and some turns
_FEWEST: Final = 5  # a twin seen less often than this in the window tells nothing
_GRACE_S: Final = 60.0  # how long a recovery waits for its twin's samples


class ServiceGas:
    """The gas of the last minutes at one probe while it was in service."""

    def __init__(self, rows: Iterable[Any] = ()) -> None:
        self._parts = deque((np.array(unstorable(t)), np.array(unstorable(gas))) for t, gas in rows)

    def to_rows(self) -> list[list[Any]]:
        """As JSON-able data, for the constructor."""
        return [[storable(time_s), storable(gas)] for time_s, gas in self._parts]

    def add(self, time_s: Floats, o2_frac: Floats, use: NDArray[np.bool_]) -> None:
        """Take the samples that may be used, each of shape (n,)."""
        if np.count_nonzero(use):
            self._parts.append((time_s[use], o2_frac[use]))

    def recent(self) -> Twin | None:
        """All that is kept; None where there is none."""
        if not self._parts:
            return None
        times, gas = zip(*self._parts, strict=True)
        return Twin(np.concatenate(times), np.concatenate(gas))

    def forget(self, judged_s: float) -> None:
        """Let go of gas that no twin can ask for any more: everybody has been judged up to here, but for the grace."""
        while self._parts and self._parts[0][0][-1] < judged_s - _KEEP_S:
            self._parts.popleft()


def twin_in(window: RecoveryWindow, twins: Iterable[str], now_s: float, twin_of: TwinOf) -> tuple[Twin | None, bool]:
    """The first twin that was in service in the window, and whether all had their time to tell.

    Only what it saw up to the window's end is given out: what came later depends on when this is asked.
    """
    for twin_id in twins:
        gas, seen_s = twin_of(twin_id)
        if seen_s < window.until_s and now_s < window.until_s + _GRACE_S:
            return None, False
        if gas is None:
            continue
        first = int(gas.time_s.searchsorted(window.from_s - _GRACE_S, side="left"))
        end = int(gas.time_s.searchsorted(window.until_s, side="right"))
        inside = end - int(gas.time_s.searchsorted(window.from_s, side="left"))
        if inside >= _FEWEST:
            return Twin(gas.time_s[first:end], gas.o2_frac[first:end]), True
    return None, True
