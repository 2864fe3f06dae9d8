"""The cell's millivolts and the gas at the cell, measured or worked out, and how well they are known.

A transmitter that shows only % O2 still tells its millivolts: they are what its own calculation started from. That
calculation is undone here, never while the display is held, clamped, corrected to dry gas or lagging behind.

The formulas are those of `detectors.probe.nernst`, without its checks: every probe passes here every few seconds.
"""

from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from agent.config.model import Conventions, RegisterMap
from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.flags import CHECK_FLAGS, Raised, any_raised
from agent.register_value import step_of
from detectors.probe.nernst import ABSOLUTE_ZERO_C, AIR_O2_FRAC, MV_PER_K, ZERO_C_IN_K
from detectors.stretch import Floats, Stretch

__all__ = ["Cell", "CellTrack"]

_SQRT12: Final = float(np.sqrt(12.0))
_U_TEMP_K: Final = 1.0  # of the cell temperature register against the cell itself, common practice
_LARGEST: Final = float(np.finfo(np.float64).max)
_LOG_AIR: Final = float(np.log(AIR_O2_FRAC))
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
        self.emf_step_mv = step_of(emf)
        self.o2_step_pct = conventions.o2_resolution or step_of(o2)

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {"time_s": storable(self._last[0]), "o2_pct": storable(self._last[1])}

    def run(self, stretch: Stretch, flags: Raised) -> CellTrack:
        """Work out the cell of every sample. `flags`: where the transmitter's flags are raised."""
        n = len(stretch)
        checking = any_raised(flags, CHECK_FLAGS, n) if flags else None
        held = self._held(flags, checking, n)
        temp_c = _known_where(stretch.get("cell_temp"), above=ABSOLUTE_ZERO_C)
        o2_pct = stretch.get("o2")
        o2 = _known_where(o2_pct) / 100.0
        if np.count_nonzero(held):
            o2 = np.where(held, np.nan, o2)
        if self.conventions.o2_clamp is not None:
            low, high = self.conventions.o2_clamp
            o2 = np.where((o2_pct > low) & (o2_pct < high), o2, np.nan)
        stored_mv, offset_mv = self._offset(stretch)
        factor_mv = _slope(stretch) * (MV_PER_K * (temp_c + ZERO_C_IN_K))
        shown_mv = factor_mv * (_LOG_AIR - np.log(_known_where(o2, above=0.0, up_to=1.0))) + offset_mv
        if self.emf_measured:
            emf = _known_where(stretch.get("cell_emf"))
            if self.held_in_checks and checking is not None:
                emf = np.where(checking, np.nan, emf)
            emf_u = np.full(n, self.emf_step_mv / _SQRT12)
            with np.errstate(over="ignore"):  # -30 V of a mis-scaled register
                o2_frac = _known_where(AIR_O2_FRAC * np.exp((offset_mv - emf) / factor_mv))
            return CellTrack(emf, emf_u, emf - shown_mv, o2_frac, stored_mv, held)
        emf = shown_mv if self.conventions.o2_basis == "wet" else np.full(n, np.nan)
        if self.conventions.o2_damping_s > 0.0:
            emf = np.where(self._lagging(stretch.time_s, o2_pct), np.nan, emf)
        with np.errstate(divide="ignore", invalid="ignore"):
            step_mv = factor_mv * self.o2_step_pct / 100.0 / o2
        temp_mv = _U_TEMP_K * np.abs(emf) / (temp_c + ZERO_C_IN_K)
        emf_u = np.hypot(step_mv / _SQRT12, temp_mv)
        return CellTrack(emf, emf_u, np.full(n, np.nan), o2, stored_mv, held)

    def _held(self, flags: Raised, checking: NDArray[np.bool_] | None, n: int) -> NDArray[np.bool_]:
        held = flags.get("output_held")
        if checking is not None and self.conventions.o2_during_checks == "held":
            return checking if held is None else checking | held
        return np.zeros(n, np.bool_) if held is None else held

    def _offset(self, stretch: Stretch) -> tuple[Floats, Floats | float]:
        """The stored offset as the cell's own, NaN where it is not known, and what a calculation takes for it."""
        stored = stretch.signals.get("stored_offset")
        if stored is None:
            return stretch.get("stored_offset"), 0.0
        stored_mv = _known_where(stored if self.conventions.stored_offset_sign == "cell" else -stored)
        missing = np.isnan(stored_mv)
        return stored_mv, np.where(missing, 0.0, stored_mv) if np.count_nonzero(missing) else stored_mv

    def _lagging(self, time_s: Floats, o2_pct: Floats) -> NDArray[np.bool_]:
        """Where a damped display is still moving: its rate times its time constant is how far behind it is.

        A rate is one between known values: a missed sample between two hides no movement.
        """
        lagging = np.zeros(time_s.size, np.bool_)
        known = np.flatnonzero(np.isfinite(o2_pct))
        if known.size == 0:
            return lagging
        t, shown = time_s[known], o2_pct[known]
        dt = np.diff(t, prepend=self._last[0])
        lag_pct = np.abs(np.diff(shown, prepend=self._last[1]) / dt) * self.conventions.o2_damping_s
        self._last = (float(t[-1]), float(shown[-1]))
        lagging[known] = lag_pct > max(_LAG_PCT, 2.0 * self.o2_step_pct)
        return lagging


def _slope(stretch: Stretch) -> Floats | float:
    """The stored slope as a fraction; 1 where it is not known or no slope of any cell."""
    stored = stretch.signals.get("stored_slope")
    if stored is None:
        return 1.0
    slope = stored / 100.0
    sound = (slope > 0.5) & (slope < 1.5)
    return slope if np.count_nonzero(sound) == slope.size else np.where(sound, slope, 1.0)


def _known_where(values: Floats, *, above: float = -np.inf, up_to: float = _LARGEST) -> Floats:
    """The values, NaN where they are outside the bounds or infinite."""
    sound = (values > above) & (values <= up_to)
    return values if np.count_nonzero(sound) == values.size else np.where(sound, values, np.nan)
