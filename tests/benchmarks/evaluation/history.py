"""The slow truth of one probe: resistance, offset, calibration, filter, demand, and when a fault matters."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.fault_paths import FaultPath, first_sustained
from tests.benchmarks.evaluation.physics import Floats, ar1, diffusion_factor, nernst_mv_per_ln, water_vapour_pa
from tests.benchmarks.evaluation.probe_plan import ProbePlan, rated
from tests.benchmarks.evaluation.schedule import AIR_CHECK, Schedule
from tests.benchmarks.evaluation.unit import GRID_S, Unit

__all__ = ["History", "make_history", "matters_of"]

_DAY = 86400.0
_BACK_PRESSURE_MV = -0.207  # mV/kPa at 700 degC: RT/4F over 101.325 kPa, by hand


@dataclass(slots=True, kw_only=True)
class History:
    """Arrays on the unit's grid `time_s`, unless said otherwise."""

    time_s: Floats
    loss_log: Floats  # unexplained, natural log
    r_factor: Floats
    offset_mv: Floats
    fault_mv: Floats  # the fault's part of it
    damp_mv: Floats  # of damp reference air, <= 0; 0 where it is dry
    air_damp_mv: Floats  # the same for any air of the room
    tau_s: Floats  # filter, without the dust of the last hours
    tau_factor: Floats  # the fault's part of it
    head_c: Floats
    demand: Floats  # share of full output, in hot service, at the supply of the moment
    demand_nominal: Floats  # the same at nominal supply
    resistance_ohm: float  # as new
    to_flue: float  # W/K
    to_head: float
    stored_from_s: Floats  # when each stored offset came to hold
    stored_mv: Floats
    check_mv: Floats  # offset that each air check would show, by number of air check

    def stored_at(self, time_s: Floats) -> Floats:
        """The calibration in force."""
        return np.asarray(self.stored_mv[np.searchsorted(self.stored_from_s, time_s, side="right") - 1])


def make_history(
    plan: ProbePlan, unit: Unit, schedule: Schedule, fault: FaultPath | None, draw: Draw, decoys: set[str]
) -> History:
    """The probe's slow truth, with its fault where it has one."""
    rng, t = draw.rng, unit.time_s
    n, per_day = t.size, _DAY / GRID_S
    years = (t - t[0]) / (365.25 * _DAY)

    def path(kind: str, none: float) -> Floats:
        return fault.path if fault is not None and fault.kind == kind else np.full(n, none)

    loss_log = ar1(rng, n, plan.loss_day_sd, -per_day / np.log(plan.loss_day_rho))
    r_factor = (1.0 + plan.ageing_a_year * years) * path("heater_duty_creep", 1.0)
    fault_mv = path("cell_offset_drift", 0.0)
    wander = ar1(rng, n, plan.wander_mv, draw.flat(15.0, 90.0) * per_day).clip(
        -2.5 * plan.wander_mv, 2.5 * plan.wander_mv
    )
    offset = plan.offset_mv + wander + fault_mv
    pressure_pa = unit.plan.barometric_kpa * 1e3
    damp_fraction = water_vapour_pa(unit.ambient_c + 8.0, 0.6 * unit.humidity) / pressure_pa  # warmed near the boiler
    damp_mv = nernst_mv_per_ln(plan.setpoint_c) * np.log1p(-damp_fraction.clip(0.0, 0.3))
    tau_factor = path("slow_recovery", 1.0)
    tau = plan.tau_s * (1.0 + plan.tau_growth_a_year * years) * tau_factor
    hot = float(np.median(unit.flue_c[unit.firing])) if unit.firing.any() else 200.0
    tau = tau * diffusion_factor(unit.flue_c.clip(20.0), hot)

    resistance, to_flue, to_head = rated(plan, unit.plan, unit.coldest_c)
    head = unit.ambient_c + plan.head_over_ambient + plan.head_per_flue * (unit.flue_c - unit.ambient_c)
    true_c = plan.setpoint_c + plan.thermocouple_error_c
    loss = to_flue * (1.0 + plan.load_gain * unit.load / 100.0) * (true_c - unit.flue_c).clip(0.0)
    loss = (loss + to_head * (true_c - head)) * np.exp(loss_log)
    demand = loss * resistance * r_factor / unit.volts**2
    nominal = loss * resistance * r_factor / unit.plan.nominal_v**2

    checks = schedule.of_kind(AIR_CHECK)
    at = schedule.start_s[checks]
    damp_at = np.interp(at, t, damp_mv)
    bias = plan.air_bias_mv + _BACK_PRESSURE_MV * 0.4 * (np.interp(at, t, tau_factor) - 1.0)
    seen = np.interp(at, t, offset) + bias + schedule.scatter_mv[checks]
    seen = seen + (damp_at if plan.reference == "ambient" else 0.0) - (damp_at if plan.check_air == "ambient" else 0.0)
    stored_from, stored = _calibrations(plan, draw, schedule, checks, seen, damp_mv, decoys)
    return History(
        time_s=t, loss_log=loss_log, r_factor=r_factor, offset_mv=offset, fault_mv=fault_mv,
        damp_mv=damp_mv if plan.reference == "ambient" else np.zeros(n), tau_s=tau, tau_factor=tau_factor, head_c=head,
        air_damp_mv=damp_mv,
        demand=demand, demand_nominal=nominal, resistance_ohm=resistance, to_flue=to_flue, to_head=to_head,
        stored_from_s=stored_from, stored_mv=stored, check_mv=seen,
    )  # fmt: skip


def _calibrations(
    plan: ProbePlan,
    draw: Draw,
    schedule: Schedule,
    checks: NDArray[np.int64],
    seen: Floats,
    damp_mv: Floats,
    decoys: set[str],
) -> tuple[Floats, Floats]:
    """Stored offsets and from when they hold. Commissioned on an air check like the later ones."""
    damp = float(damp_mv[0])
    new = plan.offset_mv + plan.air_bias_mv + draw.near(0.0, 0.15)
    new += (damp if plan.reference == "ambient" else 0.0) - (damp if plan.check_air == "ambient" else 0.0)
    if "calibration_jumps" in decoys:  # the first calibration puts right what commissioning left
        new += draw.flat(0.4, 0.9) * draw.one(-1.0, 1.0)
    if plan.calibrates:
        chosen = np.arange(checks.size)
    else:
        wanted = np.arange(schedule.start_s[0] if schedule.start_s.size else 0.0, 4e9, plan.manual_cal_every_d * _DAY)[
            1:40
        ]
        chosen = np.unique(np.searchsorted(schedule.start_s[checks], wanted))
        chosen = chosen[chosen < checks.size]
    from_s = np.concatenate([[-np.inf], schedule.end_s[checks[chosen]] - 5.0])
    return from_s, np.concatenate([[new], np.round(seen[chosen], 2)])


def matters_of(
    fault: FaultPath, plan: ProbePlan, history: History, *, mv_per_pct: float
) -> tuple[dict[str, float], float]:
    """From when each way of mattering holds, and the first of them [UTC s]."""
    t, day = history.time_s, _DAY
    ways: dict[str, float] = {}
    if fault.kind == "heater_duty_creep":
        ways["exhausted"] = first_sustained(t, history.r_factor * plan.cold_duty >= 1.0, day)
    elif fault.kind == "cell_offset_drift":
        ways["offset_5mv"] = first_sustained(t, np.abs(history.offset_mv) >= 5.0, day)
        calibrated_at = history.stored_from_s[np.searchsorted(history.stored_from_s, t, side="right") - 1]
        hidden = np.interp(np.maximum(calibrated_at, t[0]), t, history.fault_mv)
        ways["reading_0.2"] = first_sustained(t, np.abs(history.fault_mv - hidden) >= 0.2 * mv_per_pct, day)
    elif fault.kind == "slow_recovery":
        ways["tau_doubled"] = first_sustained(t, history.tau_factor >= 2.0, day)
    else:
        ways["lost"] = fault.onset_s
    ways = {way: max(at, fault.onset_s) for way, at in ways.items()}
    return ways, min(ways.values())
