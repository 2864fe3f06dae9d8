"""From the samples of an episode to numbers that detectors judge: an offset on air, a time constant of the way back."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.config.model import Air, Probe
from agent.reconstruct.cell import Cell
from agent.reconstruct.episodes import Check, RecoveryWindow
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from detectors.cell_offset_drift import AirCheck
from detectors.probe.gas_exchange import fit_recovery
from detectors.probe.humidity import reference_shift_mv
from detectors.probe.nernst import cell_emf_mv
from detectors.probe.settled import settled_value
from detectors.slow_recovery import After, Recovery
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["Twin", "Unseen", "expected_air_mv", "judge_air_check", "judge_recovery"]

# A filter in order lets check air through with less than 1 kPa behind it (common practice), which is 0.207 mV: half of
# it is taken as standard uncertainty, since one air point cannot tell offset from pressure.
_U_PRESSURE_MV: Final = 0.1
_LONG_ENOUGH: Final = 3.0  # time constants a window must hold before a try is final; longer ones wait for the next
_HOTTEST_C: Final = 2000.0  # zirconia has melted above 2700 degC; below absolute zero is as far off
_WAY_MV: Final = 15.0  # no cell in use is further from zero on air: it would show 10 % or 40 % of oxygen
_LEAST_WAY_MV: Final = 2.0  # nearer to air beforehand than this, no move can show that air came
_MOST_OF_IT: Final = 0.5
_AFTER: Final[dict[Mode, After]] = {
    Mode.AIR_CHECK: "air_check",
    Mode.BLOWBACK: "blowback",
    Mode.FURNACE_PURGE: "furnace_purge",
    Mode.TEST_GAS: "test_gas",
}
_MIN_STEP_FRAC: Final = 0.05  # of O2 between check gas and flue gas, below which there is no recovery to fit


@dataclass(frozen=True, slots=True)
class Unseen:
    """An episode that told nothing, and why; in words for people."""

    at_s: float
    kind: Mode
    why: str


@dataclass(frozen=True, slots=True)
class Twin:
    """The gas at a twin while it was in service, (m,)."""

    time_s: Floats
    o2_frac: Floats


def expected_air_mv(cell_temp_c: float, reference: Air, check: Air, pressure_kpa: float) -> tuple[float, float]:
    """What a cell without offset shows on check air, and its standard uncertainty, from the damp of both airs. [mV]"""
    if reference.kind == check.kind == "ambient":
        return 0.0, 0.1  # the same air on both sides; their damp may differ a little
    ref = reference_shift_mv(
        cell_temp_c, reference.kind, temp_c=reference.temp_c, rh_pct=reference.humidity, pressure_kpa=pressure_kpa
    )
    gas = reference_shift_mv(
        cell_temp_c, check.kind, temp_c=check.temp_c, rh_pct=check.humidity, pressure_kpa=pressure_kpa
    )
    return ref.mv - gas.mv, float(np.hypot(ref.u_mv, gas.u_mv))


def judge_air_check(check: Check, cell: Cell, probe: Probe, options: EpisodeOptions) -> AirCheck | Unseen:
    """Raw and remaining offset from one air check, or why there is none."""
    trace = check.trace
    known = ~np.isnan(trace.emf_mv)
    if not known.any():
        return Unseen(check.end_s, check.kind, _why_blind(cell))
    if trace.stable[0] != 1.0:
        rest_h = options.stable_after_s / 3600.0
        return Unseen(check.end_s, check.kind, f"the cell had not been hot and at rest for {rest_h:g} h")
    step_mv = cell.emf_step_mv if cell.emf_measured else cell.o2_step_pct  # about 1 mV a % O2 in air
    settled = settled_value(
        trace.time_s[known],
        trace.emf_mv[known],
        trace.temp_c[known],
        skip_s=options.settle_skip_s,
        flat_limit_per_min=options.settle_flat_mv_per_min,
        min_window_s=options.settle_window_s,
        temp_band_c=options.stable_band_k,
        resolution=step_mv,
    )
    if settled.why_not:
        return Unseen(check.end_s, check.kind, settled.why_not)
    temps_c = trace.temp_c[known & ~np.isnan(trace.temp_c)]
    temp_c = median(temps_c) if temps_c.size else np.nan
    if not abs(temp_c) < _HOTTEST_C:
        return Unseen(check.end_s, check.kind, f"a cell temperature of {temp_c:.0f} degC is none")
    expected_mv, expected_u = expected_air_mv(temp_c, probe.reference_air, probe.check_air, probe.barometric_kpa)
    if not _came_to_air(settled.value, expected_mv, temp_c, check.before_frac):
        return Unseen(
            check.end_s,
            check.kind,
            f"the cell did not come to air: it rests at {settled.value:.0f} mV. Either the value is held during "
            "checks, which the map would say, or no air flowed",
        )
    offset_mv = settled.value - expected_mv
    u_mv = float(np.hypot(settled.u, np.hypot(expected_u, _U_PRESSURE_MV)))
    stored = trace.stored_mv[~np.isnan(trace.stored_mv)]
    if stored.size:
        raw, remaining = offset_mv, offset_mv - float(stored[-1])
    elif cell.emf_measured:
        raw, remaining = offset_mv, np.nan
    else:  # the display's own calculation, undone without its stored offset: what is left is what misleads
        raw, remaining = np.nan, offset_mv
    return AirCheck(
        at_s=check.end_s,
        raw_offset_mv=raw,
        raw_u_mv=u_mv if np.isfinite(raw) else np.nan,
        remaining_offset_mv=remaining,
        remaining_u_mv=u_mv if np.isfinite(remaining) else np.nan,
        presumed=check.presumed,
    )


def _came_to_air(value_mv: float, expected_mv: float, cell_temp_c: float, before_frac: float) -> bool:
    """Whether the gas at the cell became air: most of the way there from what it was, or near it where that is unknown.

    A cell with a great offset still moves with its gas; a held value, or a check whose air never came, does not.
    """
    before_mv = float(cell_emf_mv(before_frac, cell_temp_c, invalid="nan"))
    way_mv = before_mv - expected_mv
    if not way_mv > _LEAST_WAY_MV:  # unknown, or air all along
        return abs(value_mv - expected_mv) <= _WAY_MV
    return (before_mv - value_mv) / way_mv >= _MOST_OF_IT


def judge_recovery(
    window: RecoveryWindow, cell: Cell, twin: Twin | None, *, process_known: bool = True
) -> Recovery | None:
    """The time constant of one way back; None when a longer window should be waited for.

    `process_known`: a signal tells whether the unit fires. Where none does, air that no flag explains may have been a
    furnace at rest, and the way back from it a light-off: it is compared with its own like only.
    """
    trace = window.trace
    known = ~np.isnan(trace.o2_frac)
    load, flue = trace.load_pct[~np.isnan(trace.load_pct)], trace.flue_temp_c[~np.isnan(trace.flue_temp_c)]
    temp = trace.temp_c[~np.isnan(trace.temp_c)]

    def result(tau_s: float, u_s: float, *, why_not: str, twin_used: bool = False) -> Recovery:
        return Recovery(
            at_s=window.until_s,
            after="furnace_purge" if window.presumed and not process_known else _AFTER[window.after],
            tau_s=tau_s,
            tau_u_s=u_s,
            accepted=not why_not,
            why_not=why_not,
            load_pct=median(load) if load.size else np.nan,
            flue_temp_c=median(flue) if flue.size else np.nan,
            cell_temp_c=median(temp) if temp.size else np.nan,
            presumed=window.presumed,
            twin_used=twin_used,
        )

    if not known.any():
        return result(np.nan, np.nan, why_not=_why_blind(cell))
    step = abs(float(trace.o2_frac[known][0]) - window.before_frac)
    if np.isfinite(window.before_frac) and step < _MIN_STEP_FRAC:
        return result(np.nan, np.nan, why_not=f"the gas moved by only {100 * step:.1f} % O2")
    fit = fit_recovery(
        trace.time_s[known],
        trace.o2_frac[known],
        start_s=window.from_s,
        damping_s=cell.damping_s,
        process_before_frac=window.before_frac if np.isfinite(window.before_frac) else None,
        twin_time_s=None if twin is None else twin.time_s,
        twin_o2_frac=None if twin is None else twin.o2_frac,
    )
    spanned_s = window.until_s - window.from_s
    if fit.accepted and (window.last or fit.tau_s * _LONG_ENOUGH <= spanned_s - fit.dead_time_s):
        return result(fit.tau_s, fit.tau_u_s, why_not="", twin_used=fit.twin_used)
    if window.last:
        return result(np.nan, np.nan, why_not=fit.why_not)
    return None


def _why_blind(cell: Cell) -> str:
    if cell.held_in_checks:
        what = "cell_emf" if cell.emf_measured else "the display"
        return f"{what} is held during checks; a cell_emf that stays live would show them"
    if not cell.emf_measured and cell.conventions.o2_basis == "dry":
        return "the display is corrected to dry gas; cell_emf would show the cell itself"
    if not cell.emf_measured and cell.conventions.o2_clamp is not None:
        return f"the display ends at {cell.conventions.o2_clamp[1]:g} %; cell_emf would show more"
    return "no value of the cell during the check"
