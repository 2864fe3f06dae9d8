"""A case from its recipe: plans drawn, the slow truth computed, rows left to be made when asked for."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from tests.benchmarks.evaluation.case import Case, CaseRecipe, Chunk, Excuse, Fault
from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.fault_paths import FaultPath, draw_fault
from tests.benchmarks.evaluation.gas import flue_blocks, unlike_twin
from tests.benchmarks.evaluation.heater import Heater
from tests.benchmarks.evaluation.history import History, make_history, matters_of
from tests.benchmarks.evaluation.physics import Floats, nernst_mv_per_ln
from tests.benchmarks.evaluation.probe_plan import ProbePlan, draw_probe, made_observable
from tests.benchmarks.evaluation.registers import Registers, draw_registers, make_settings
from tests.benchmarks.evaluation.rows import ProbeRows, true_taus
from tests.benchmarks.evaluation.schedule import AIR_CHECK, BLOWBACK, TEST_GAS, Schedule, make_schedule, union
from tests.benchmarks.evaluation.unit import Unit, make_unit
from tests.benchmarks.evaluation.unit_plan import draw_unit

__all__ = ["DECOYS", "make_case"]

_DAY = 86400.0
_BLOCK_DAYS = 4.0
DECOYS = (
    "load_steps", "winter", "supply_sags", "fuel_switch", "shut_downs", "gaps", "calibration_jumps",
    "coarse_quantisation", "always_slow", "always_high_duty", "drifting_humidity", "offset_from_new", "noisy_mv",
    "near_air_at_idle", "blowback_change", "poll_period_change", "clock_step", "clamp_saturation", "unflagged_checks",
)  # fmt: skip
_NUMBERED = {
    name: i for i, name in enumerate(("unit", "unit_run", "plan", "probe", "schedule", "fault", "gas", "settings"))
}


@dataclass(slots=True)
class _Probe:
    """One probe of a case before its rows."""

    plan: ProbePlan
    own: Registers
    schedule: Schedule
    history: History
    fault: FaultPath | None
    slower_from_s: float


def make_case(recipe: CaseRecipe) -> Case:
    """The case of a recipe."""

    def draws(what: str, probe: int = 0) -> Draw:
        return Draw(recipe.seed, recipe.number, _NUMBERED[what], probe)

    first = draws("plan", 9)
    decoys = _decoys(first, healthy=recipe.fault is None)
    from_s = 86400.0 * float(first.rng.integers(18_600, 20_400))  # some day from 2020-12 to 2025-11
    to_s = from_s + recipe.days * _DAY
    unit = make_unit(draw_unit(draws("unit"), decoys), draws("unit_run"), from_s, recipe.days)
    twins = first.chance(0.12)
    named: dict[str, _Probe] = {}
    feed = Registers()
    for i, name in enumerate(("east", "west") if twins else ("east",)):
        kind = recipe.fault if i == 0 else None
        named[name], feeds = _probe(unit, kind, decoys if i == 0 else set(), draws, i, from_s, to_s)
        if i == 0:
            feed = feeds
        else:  # one line, one supply, one agent: the second is polled like the first
            like = named["east"].plan
            same = {"period_s": like.period_s, "feeds": like.feeds, "feed_period_s": like.feed_period_s}
            named[name].plan = replace(named[name].plan, burst_s=min(like.burst_s, like.period_s), **same)
            gaps = named["east"].schedule.gaps  # of the recorder, which they share
            named[name].schedule = replace(named[name].schedule, gaps=gaps)
    settings = make_settings(
        {name: (p.plan, p.own) for name, p in named.items()}, unit.plan, feed, recipe.number, draws("settings")
    )
    probe = named["east"]
    faults = _faults(probe, unit)

    def chunks() -> Iterator[Chunk]:
        yield from _chunks(recipe, named, unit, feed, from_s, to_s)

    return Case(
        seed=recipe.seed, number=recipe.number, settings=settings, probe="east", chunks=chunks,
        from_s=from_s, to_s=to_s, faults=faults, decoys=tuple(sorted(decoys)), excuses=_excuses(named, to_s),
        truth=_truth(probe, unit), noise=_noise(probe, unit), events=_events(probe, unit),
        traits=_traits(probe, unit, twins),
    )  # fmt: skip


def _decoys(draw: Draw, *, healthy: bool) -> set[str]:
    few = int(draw.rng.integers(1, 5)) if healthy else int(draw.rng.integers(0, 3))
    chosen = set(draw.rng.choice(DECOYS, few, replace=False).tolist())
    if {"always_slow", "always_high_duty"} <= chosen:
        chosen.discard("always_slow")
    return chosen


def _probe(
    unit: Unit, kind: str | None, decoys: set[str], draws: Callable[..., Draw], i: int, from_s: float, to_s: float
) -> tuple[_Probe, Registers]:
    plan = draw_probe(draws("plan", i), unit.plan, decoys)
    if kind is not None:
        plan = made_observable(plan, unit.plan, kind, draws("fault", i))
    schedule = make_schedule(plan, draws("schedule", i), from_s, to_s, decoys)
    own, feed = draw_registers(plan, draws("settings", 10 + i))
    fault = None
    if kind is not None:
        returns = min(plan.air_every_d, plan.blow_every_h / 24.0)
        fault = draw_fault(
            kind, draws("fault", 20 + i), unit.time_s,
            exhausted_at=1.0 / plan.cold_duty, check_every_d=plan.air_every_d, tau_every_d=returns,
            misread_mv=0.2 * _mv_per_pct(plan, unit), hidden=plan.calibrates,
        )  # fmt: skip
    history = make_history(plan, unit, schedule, fault, draws("probe", i), decoys)
    slower = from_s + draws("probe", 30 + i).flat(0.3, 0.7) * (to_s - from_s)
    return _Probe(plan, own, schedule, history, fault, slower if "poll_period_change" in decoys else np.inf), feed


def _chunks(
    recipe: CaseRecipe,
    named: dict[str, _Probe],
    unit: Unit,
    feed: Registers,
    from_s: float,
    to_s: float,
) -> Iterator[Chunk]:
    period = next(iter(named.values())).plan.period_s
    step = 5.0 if period <= 5.0 else 20.0
    edges = np.minimum(from_s + _BLOCK_DAYS * _DAY * np.arange(np.ceil((to_s - from_s) / _DAY / _BLOCK_DAYS) + 1), to_s)
    rows: dict[str, ProbeRows] = {}
    for i, (name, p) in enumerate(named.items()):
        draw = Draw(recipe.seed, recipe.number, 100, i)
        off = list(p.schedule.outages)
        if p.plan.off_with_unit:
            on_s = np.append(unit.light_off_s, to_s + _DAY)
            off += [(s + 3600.0, on_s[on_s > s][0] - 7200.0) for s in unit.stop_s if on_s[on_s > s][0] - s > _DAY]
        broken = p.fault.onset_s if p.fault is not None and p.fault.kind == "heater_open" else np.inf
        heater = Heater(
            plan=p.plan, unit=unit, history=p.history, draw=Draw(recipe.seed, recipe.number, 101, i),
            off=union(off), open_from_s=broken, starts_cold=draw.chance(0.3),
        )  # fmt: skip
        rows[name] = ProbeRows(
            plan=p.plan, unit=unit, history=p.history, schedule=p.schedule, heater=heater, own=p.own, feed=feed,
            draw=draw, slower_from_s=p.slower_from_s,
            silent_from_s=p.fault.onset_s if p.fault is not None and p.fault.kind == "no_communication" else np.inf,
            unlike=unlike_twin(Draw(recipe.seed, recipe.number, 102, i), unit) if i else None,
        )  # fmt: skip
    last = dict.fromkeys(named, -np.inf)
    for g, flue in flue_blocks(unit, Draw(recipe.seed, recipe.number, 103), edges, step):
        blocks = {name: r.block(g, flue) for name, r in rows.items()}
        # Twins come a day of each in turn, a lone probe block by block.
        cuts = np.append(np.arange(g[0] + _DAY, g[-1], _DAY), np.inf) if len(named) > 1 else np.array([np.inf])
        done = dict.fromkeys(named, 0)
        for cut in cuts:
            for name, (t, signals) in blocks.items():
                end = int(np.searchsorted(t, cut)) if np.isfinite(cut) else t.size
                part = slice(done[name], end)
                done[name] = end
                times, columns = t[part], {key: column[part] for key, column in signals.items()}
                times, columns, last[name] = _rising(times, columns, last[name])
                if times.size:
                    yield name, times, columns


def _rising(t: Floats, columns: dict[str, Floats], last: float) -> tuple[Floats, dict[str, Floats], float]:
    """Without what a clock put back would give twice."""
    if not t.size:
        return t, columns, last
    peak = np.maximum.accumulate(np.concatenate([[last], t]))
    fresh = t > peak[:-1]
    if fresh.all():
        return t, columns, float(t[-1])
    return t[fresh], {key: column[fresh] for key, column in columns.items()}, float(peak[-1])


def _faults(probe: _Probe, unit: Unit) -> tuple[Fault, ...]:
    path = probe.fault
    if path is None:
        return ()
    ways, first = matters_of(path, probe.plan, probe.history, mv_per_pct=_mv_per_pct(probe.plan, unit))
    worth = {"cell_offset_drift": path.path[-1], "heater_open": 1.0, "no_communication": 1.0}
    return (
        Fault(
            kind=path.kind, shape=path.shape, part=path.part, parts=path.parts, symptoms=(path.kind,),
            onset_s=path.onset_s, matters_s=first, matters=ways,
            severity=float(worth.get(path.kind, path.path.max())),
        ),
    )  # fmt: skip


def _operating(unit: Unit) -> float:
    hot = unit.firing & (unit.load > 15.0)
    return float(np.median(unit.o2[hot])) if hot.any() else unit.plan.o2_full


def _mv_per_pct(plan: ProbePlan, unit: Unit) -> float:
    return float(nernst_mv_per_ln(plan.setpoint_c)) / _operating(unit)


def _excuses(named: dict[str, _Probe], to_s: float) -> tuple[Excuse, ...]:
    """Outages long enough that the line really was silent, and the hour in which that is told."""
    return tuple(
        Excuse(name, "no_communication", low, min(high + 3600.0, to_s))
        for name, p in named.items()
        for low, high in p.schedule.outages
        if high - low + 2.5 * p.plan.period_s > 300.0  # between two answers lie the outage and up to two polls
    )


def _truth(p: _Probe, unit: Unit) -> dict[str, Floats]:
    h, per_day = p.history, 288
    n = (h.time_s.size - 2) // per_day

    def daily(x: Floats) -> Floats:
        return np.asarray(x[: n * per_day].reshape(n, per_day).mean(axis=1))

    silent = np.inf if p.fault is None or p.fault.kind != "no_communication" else p.fault.onset_s
    alive = (h.time_s < silent).astype(np.float64)
    broken = np.inf if p.fault is None or p.fault.kind != "heater_open" else p.fault.onset_s
    for low, high in (*p.schedule.outages, *p.schedule.gaps):
        alive[(h.time_s >= low) & (h.time_s < high)] = 0.0
    return {
        "day_s": h.time_s[: n * per_day : per_day],
        "r_factor": daily(h.r_factor),
        "offset_mv": daily(h.offset_mv),
        "remaining_mv": daily(h.offset_mv + h.damp_mv - h.stored_at(h.time_s)),
        "tau_s": daily(h.tau_s),
        "tau_factor": daily(h.tau_factor),
        "duty": daily(np.minimum(h.demand, 1.0)),
        "demand_noise": daily(h.loss_log),
        "alive": daily(alive),
        "load_pct": daily(unit.load),
        "in_service": daily((unit.firing & (h.time_s < broken)).astype(np.float64)),
    }


def _noise(p: _Probe, unit: Unit) -> dict[str, float]:
    return {
        "demand_day_sd": p.plan.loss_day_sd,
        "demand_day_rho": p.plan.loss_day_rho,
        "offset_check_sd_mv": p.plan.air_scatter_mv,
        "offset_wander_sd_mv": p.plan.wander_mv,
        "tau_log_sd": float(np.hypot(p.plan.tau_scatter, 0.03)),
        "operating_o2_pct": _operating(unit),
        "mv_per_pct": _mv_per_pct(p.plan, unit),
    }


def _events(p: _Probe, unit: Unit) -> dict[str, Floats]:
    sch, h = p.schedule, p.history
    air, test, blow = (sch.of_kind(kind) for kind in (AIR_CHECK, TEST_GAS, BLOWBACK))
    outages = np.array([low for low, _ in sch.outages])
    return {
        "air_check_s": sch.start_s[air],
        "air_check_mv": h.check_mv,
        "recovery_s": sch.end_s,
        "recovery_tau_s": true_taus(p.plan, h, sch),
        "test_gas_s": sch.start_s[test],
        "blowback_s": sch.start_s[blow],
        "light_off_s": unit.light_off_s,
        "calibration_s": h.stored_from_s[1:],
        "outage_s": outages,
    }


def _traits(p: _Probe, unit: Unit, twins: bool) -> dict[str, str]:
    plan = p.plan
    return {
        "period": f"{plan.period_s:g} s",
        "burst": f"{plan.burst_s:g} s" if plan.burst_s else "none",
        "heater": plan.heater_signal,
        "control": plan.control,
        "checks": f"{'automatic' if plan.air_auto else 'manual'}, {plan.flags}",
        "blowback": "none" if not np.isfinite(plan.blow_every_h) else f"{plan.blow_every_h:.1f} h",
        "hold": plan.hold,
        "emf": "mapped" if "cell_emf" in plan.signals else "not mapped",
        "volts": "mapped" if "supply_voltage" in plan.signals else "not mapped",
        "feeds": ",".join(plan.feeds) or "none",
        "pattern": unit.plan.pattern,
        "twins": "yes" if twins else "no",
    }
