"""The last known value of every signal of one probe, measured or worked out, as alerts and people want them."""

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Any, Literal

import numpy as np

from agent.reconstruct.now import Value
from detectors.stretch import Floats

__all__ = ["Known"]

Source = Literal["measured", "reconstructed"]
Row = tuple[float, str, float | None, Source, float]  # the fields of a `Value`


class Known:
    """Kept as plain rows; the `Value`s are made when asked for, and again when something has changed."""

    def __init__(self, rows: Mapping[str, Iterable[Any]] | None = None) -> None:
        self._rows: dict[str, Row] = {}
        self._made: Mapping[str, Value] | None = None
        for name, (value, unit, u, source, at_s) in ({} if rows is None else rows).items():
            self._rows[name] = (value, unit, u, source, at_s)

    def copy(self) -> "Known":
        """The same values, to go on from."""
        other = Known()
        other._rows = self._rows.copy()
        return other

    def to_dict(self) -> dict[str, list[Any]]:
        """As JSON-able data, for the constructor."""
        return {name: list(row) for name, row in self._rows.items()}

    def take(
        self, name: str, unit: str, time_s: Floats, column: Floats, u: Floats | None = None, source: Source = "measured"
    ) -> None:
        """The last finite value of a column, all of shape (n,), n above 0; none changes nothing."""
        i, value = -1, column.item(-1)
        if not isfinite(value):
            known = np.flatnonzero(np.isfinite(column))
            if known.size == 0:
                return
            i = int(known[-1])
            value = column.item(i)
        u_value = None if u is None or not isfinite(u.item(i)) else u.item(i)
        self._rows[name] = (value, unit, u_value, source, time_s.item(i))
        self._made = None

    def tell(self, name: str, value: float, unit: str, u: float | None, at_s: float) -> None:
        """A value that an episode told."""
        self._rows[name] = (value, unit, u if u is not None and isfinite(u) else None, "reconstructed", at_s)
        self._made = None

    def drop(self, name: str) -> None:
        """It is known no longer."""
        self._rows.pop(name, None)
        self._made = None

    def value(self, name: str) -> float | None:
        """A value, None where it is not known."""
        found = self._rows.get(name)
        return None if found is None else found[0]

    def signals(self) -> Mapping[str, Value]:
        """All of them by name; the same object until something changes."""
        if self._made is None:
            self._made = {name: Value(*row) for name, row in sorted(self._rows.items())}
        return self._made
