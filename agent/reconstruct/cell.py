"""The cell's millivolts and the gas at the cell, measured or worked out, and how well they are known.

A transmitter that shows only % O2 still tells its millivolts: they are what its own calculation started from. That
calculation is undone here, never while the display is held, clamped, corrected to dry gas or lagging behind.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from agent.config.model import Conventions, RegisterMap
from agent.reconstruct.carry import storable, unstorable
from detectors.probe.nernst import cell_emf_mv, nernst_factor_mv, o2_frac_from_emf
from detectors.stretch import Floats, Stretch

__all__ = ["Cell", "CellTrack"]

_SQRT12: Final = float(np.sqrt(12.0))
_U_TEMP_K: Final = 1.0  # of the cell temperature register against the cell itself, common practice
_LAG_PCT: Final = 0.02  # % O2 between display and gas from which a damped display counts as moving


@dataclass(frozen=True, slots=True)
class CellTrack:
    """Shapes (n,), NaN = unknown.

    `emf_mv` and `emf_u_mv`: the cell's own millivolts with standard uncertainty. `residual_mv`: measured millivolts
    minus those that the displayed % O2 stands for. `o2_frac`: the gas at the cell, with the stored calibration taken
    out. `stored_mv`: the stored offset as the cell's own. `held`: the display does not follow the gas.
    """

    emf_mv: Floats
    emf_u_mv: Floats
    residual_mv: Floats
    o2_frac: Floats
    stored_mv: Floats
    held: NDArray[np.bool_]


class Cell:
    """One probe's cell. It carries the last displayed value, from which a damped display's rate is told."""

    def __init__(self, register_map: RegisterMap, state: dict[str, Any] | None = None) -> None:
        self._last = (np.nan, np.nan) if state is None else (unstorable(state["time_s"]), unstorable(state["o2_pct"]))
        conventions = register_map.conventions
        mapped = register_map.signals
        self.conventions: Conventions = conventions
        self.emf_measured = "cell_emf" in mapped
        self.offset_known = "stored_offset" in mapped
        self.trace: Literal["emf", "o2"] = "emf" if self.emf_measured else "o2"
        self.damping_s = conventions.cell_emf_damping_s if self.emf_measured else conventions.o2_damping_s
        self.held_in_checks = (
            conventions.cell_emf_during_checks if self.emf_measured else conventions.o2_during_checks
        ) == "held"
        emf, o2 = mapped.get("cell_emf"), mapped.get("o2")
        self.emf_step_mv = 0.0 if emf is None or emf.type.startswith("float") else abs(emf.scale)
        o2_step = 0.0 if o2 is None or o2.type.startswith("float") else abs(o2.scale)
        self.o2_step_pct = conventions.o2_resolution or o2_step

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {"time_s": storable(self._last[0]), "o2_pct": storable(self._last[1])}

    def run(self, stretch: Stretch, checking: NDArray[np.bool_]) -> CellTrack:
        """Work out the cell of every sample. `checking`: where a flag says gas of our own is at the cell, (n,)."""
        n = len(stretch)
        temp_c, o2_pct = stretch.get("cell_temp"), stretch.get("o2")
        sign = 1.0 if self.conventions.stored_offset_sign == "cell" else -1.0
        stored_mv = sign * stretch.get("stored_offset")
        slope = stretch.get("stored_slope") / 100.0
        slope = np.where((slope > 0.5) & (slope < 1.5), slope, 1.0)
        offset_mv = np.where(np.isnan(stored_mv), 0.0, stored_mv)
        held = (stretch.get("output_held") == 1.0) | ((checking) & (self.conventions.o2_during_checks == "held"))
        live_o2 = np.where(held, np.nan, o2_pct) / 100.0
        shown_mv = cell_emf_mv(live_o2, temp_c, slope_frac=slope, offset_mv=offset_mv, invalid="nan")
        k_mv = nernst_factor_mv(temp_c, invalid="nan")
        if self.emf_measured:
            emf = stretch.get("cell_emf")
            if self.held_in_checks:
                emf = np.where(checking, np.nan, emf)
            emf_u = np.full(n, self.emf_step_mv / _SQRT12)
            residual = emf - shown_mv
            o2_frac = o2_frac_from_emf(emf, temp_c, slope_frac=slope, offset_mv=offset_mv, invalid="nan")
        else:
            emf = shown_mv if self.conventions.o2_basis == "wet" else np.full(n, np.nan)
            emf = np.where(self._lagging(stretch.time_s, o2_pct), np.nan, emf)
            with np.errstate(divide="ignore", invalid="ignore"):
                step_mv = k_mv * slope * self.o2_step_pct / 100.0 / live_o2
            temp_mv = _U_TEMP_K * np.abs(emf) / (temp_c + 273.15)
            emf_u = np.hypot(step_mv / _SQRT12, temp_mv)
            residual = np.full(n, np.nan)
            o2_frac = live_o2
        return CellTrack(emf, emf_u, residual, o2_frac, stored_mv, held)

    def _lagging(self, time_s: Floats, o2_pct: Floats) -> NDArray[np.bool_]:
        """Where a damped display is still moving: its rate times its time constant is how far behind it is."""
        damping_s = self.conventions.o2_damping_s
        if damping_s == 0.0 or time_s.size == 0:
            return np.zeros(time_s.size, np.bool_)
        dt = np.diff(time_s, prepend=self._last[0])
        lag_pct = np.abs(np.diff(o2_pct, prepend=self._last[1]) / dt) * damping_s
        self._last = (float(time_s[-1]), float(o2_pct[-1]))
        return lag_pct > max(_LAG_PCT, 2.0 * self.o2_step_pct)
