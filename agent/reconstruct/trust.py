"""Can the displayed reading be believed now, and which way does it err?

The figure behind it is the remaining offset: what the last settled air check left over after the stored calibration.
"""

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from agent.reconstruct.mode import CHECKS
from agent.reconstruct.now import Mode, Trust
from detectors.probe.nernst import nernst_factor_mv

__all__ = ["Remaining", "TrustNow", "judge_trust"]

_DOUBTFUL_MV: Final = 2.0  # common practice: a cell within 2 mV is good
_BAD_PCT: Final = 1.0  # % O2, common practice: a third of a usual reading
_SURE: Final = 2.0  # an error is named only beyond twice its standard uncertainty


@dataclass(frozen=True, slots=True)
class Remaining:
    """The last remaining offset. [mV], UTC seconds"""

    offset_mv: float
    u_mv: float
    at_s: float


@dataclass(frozen=True, slots=True)
class TrustNow:
    """`error_pct` is displayed minus true in % O2, None where nothing is known of it."""

    trust: Trust
    steady: Trust  # hold, checks and recoveries aside
    error_pct: float | None
    error_u_pct: float | None
    direction: Literal["high", "low"] | None


def judge_trust(
    *,
    mode: Mode,
    held: bool,
    fresh: bool,
    fault: bool,
    o2_pct: float | None,
    service_o2_pct: float | None,
    cell_temp_c: float | None,
    remaining: Remaining | None,
    ruined_by: str | None,
) -> TrustNow:
    """Trust from what is known.

    `service_o2_pct`: the display when the probe was last in service. `ruined_by` names a symptom that makes the reading
    worthless, None without one.
    """
    error, u, direction = _error(o2_pct, cell_temp_c, remaining)
    # A few mV are a small error of flue gas and a great one of air: steady service is judged by its own gas.
    service_error, _, known = _error(service_o2_pct if service_o2_pct is not None else o2_pct, cell_temp_c, remaining)
    left_mv = 0.0 if remaining is None or known is None else abs(remaining.offset_mv)
    steady = _steady(service_error if known else 0.0, left_mv, fault=fault, ruined=ruined_by is not None)
    if not fresh or mode in (Mode.NO_DATA, Mode.UNKNOWN) or o2_pct is None:
        trust = Trust.BAD if ruined_by is not None and fresh else Trust.UNKNOWN
        return TrustNow(trust, steady, None, None, None)
    if held:
        return TrustNow(Trust.HELD, steady, error, u, direction)
    if ruined_by is not None or mode in (Mode.WARMING_UP, Mode.OFF, *CHECKS):
        return TrustNow(Trust.BAD, steady, None, None, None)
    trust = Trust.DOUBTFUL if steady is Trust.GOOD and mode is Mode.RECOVERY else steady
    return TrustNow(trust, steady, error, u, direction)


def _steady(error_pct: float | None, left_mv: float, *, fault: bool, ruined: bool) -> Trust:
    """Trust as it is while the gas is flue gas and the display follows it: by the known error and faults alone."""
    if ruined or (error_pct is not None and abs(error_pct) >= _BAD_PCT):
        return Trust.BAD
    return Trust.DOUBTFUL if left_mv > _DOUBTFUL_MV or fault else Trust.GOOD


def _error(
    o2_pct: float | None, cell_temp_c: float | None, remaining: Remaining | None
) -> tuple[float | None, float | None, Literal["high", "low"] | None]:
    """An offset c left in E makes the display x = x_true exp(-c/k): error = x (1 - exp(c/k))."""
    if remaining is None or o2_pct is None or cell_temp_c is None:
        return None, None, None
    k_mv = float(nernst_factor_mv(cell_temp_c, invalid="nan"))
    if not k_mv > 0:
        return None, None, None
    error = o2_pct * (1.0 - float(np.exp(remaining.offset_mv / k_mv)))
    u = o2_pct * float(np.exp(remaining.offset_mv / k_mv)) * remaining.u_mv / k_mv
    if abs(error) < max(_SURE * u, 0.05):
        return error, u, None
    return error, u, "high" if error > 0 else "low"
