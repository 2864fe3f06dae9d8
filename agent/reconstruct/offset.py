"""The last offset of a cell on air, carried on: a calibration stored after a check changes what remains of it.

A calibration that no settled check of ours goes with (the poll was too slow for it) still tells: what it stored is the
offset that the transmitter found.
"""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.now import Value
from agent.reconstruct.trust import Remaining
from detectors.cell_offset_drift import AirCheck
from detectors.stretch import Floats

__all__ = ["Offset"]

_SAME_S: Final = 3600.0  # a calibration follows its check within this
_U_STORED_MV: Final = 0.5  # how it settled, and on what air, nobody saw: the same as for a check of unknown uncertainty


class Offset:
    """Carries one probe's last raw and remaining offset."""

    def __init__(self, state: Mapping[str, Any] | None = None) -> None:
        self.remaining: Remaining | None = None
        self._raw: Remaining | None = None
        self._stored_mv = np.nan
        if state is not None:
            self.remaining = None if state["remaining"] is None else Remaining(*state["remaining"])
            self._raw = None if state["raw"] is None else Remaining(*state["raw"])
            self._stored_mv = float(unstorable(state["stored_mv"]))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        rows = {"raw": self._raw, "remaining": self.remaining}
        plain = {name: None if row is None else [row.offset_mv, row.u_mv, row.at_s] for name, row in rows.items()}
        return {**plain, "stored_mv": storable(self._stored_mv)}

    def checked(self, check: AirCheck) -> None:
        """An air check has settled. What it does not tell is no longer known."""
        self._raw = self.remaining = None
        if np.isfinite(check.raw_offset_mv):
            self._raw = Remaining(check.raw_offset_mv, check.raw_u_mv, check.at_s)
        if np.isfinite(check.remaining_offset_mv):
            self.remaining = Remaining(check.remaining_offset_mv, check.remaining_u_mv, check.at_s)

    def stored(self, time_s: Floats, stored_mv: Floats) -> list[AirCheck]:
        """Take the stored offset of a stretch, (n,), as the cell's own. What remains after each change, in order."""
        if stored_mv.size == 0 or (stored_mv == self._stored_mv).all():  # nearly always
            return []
        out: list[AirCheck] = []
        known = np.flatnonzero(~np.isnan(stored_mv))
        told_mv = stored_mv[known]
        for i in known[told_mv != np.append(self._stored_mv, told_mv[:-1])].tolist():
            value = float(stored_mv[i])
            known_before, self._stored_mv = not np.isnan(self._stored_mv), value
            if not known_before:
                continue
            if self._raw is None or not time_s.item(i) - self._raw.at_s <= _SAME_S:
                self._raw, self.remaining = Remaining(value, _U_STORED_MV, time_s.item(i)), None
                out.append(
                    AirCheck(
                        at_s=time_s.item(i),
                        raw_offset_mv=value,
                        raw_u_mv=_U_STORED_MV,
                        remaining_offset_mv=np.nan,
                        remaining_u_mv=np.nan,
                    )
                )
                continue
            left_mv = self._raw.offset_mv - value
            self.remaining = Remaining(left_mv, self._raw.u_mv, float(time_s[i]))
            out.append(
                AirCheck(
                    at_s=float(time_s[i]),
                    raw_offset_mv=np.nan,
                    raw_u_mv=np.nan,
                    remaining_offset_mv=left_mv,
                    remaining_u_mv=self._raw.u_mv,
                    restored=True,
                )
            )
        return out

    def values(self) -> dict[str, Value]:
        """What is known, as the signals `raw_offset` and `remaining_offset`."""
        rows = {"raw_offset": self._raw, "remaining_offset": self.remaining}
        return {
            name: Value(row.offset_mv, "mV", row.u_mv, "reconstructed", row.at_s)
            for name, row in rows.items()
            if row is not None
        }
