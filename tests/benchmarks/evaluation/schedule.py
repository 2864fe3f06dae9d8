"""When gas of our own comes to the cell, when the power goes, when the historian sleeps: drawn for a whole record."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import AIR, Floats
from tests.benchmarks.evaluation.probe_plan import ProbePlan

__all__ = ["AIR_CHECK", "BLOWBACK", "TEST_GAS", "Schedule", "make_schedule", "union"]

_DAY = 86400.0
AIR_CHECK, TEST_GAS, BLOWBACK = 1, 2, 3
# Polls see a blowback's air only as far as it pushes the flue gas away: its share of air at the cell.


@dataclass(slots=True, kw_only=True)
class Schedule:
    """Episodes in time order, and the segments they are made of: one gas each."""

    start_s: Floats
    end_s: Floats
    kind: NDArray[np.int8]
    scatter_mv: Floats  # of this episode's gas about the usual bias
    tau_log: Floats  # scatter of the return's time constant
    seg_start_s: Floats
    seg_end_s: Floats
    seg_gas: Floats  # O2 fraction
    seg_before: Floats  # gas before it; NaN: the process
    seg_episode: NDArray[np.int64]
    outages: tuple[tuple[float, float], ...]  # transmitter and heater without power
    gaps: tuple[tuple[float, float], ...]  # the historian wrote nothing
    clock_steps: tuple[tuple[float, float, float], ...]  # from, to, how far the clock was wrong
    blow_eras: tuple[tuple[float, float, float], ...]  # from, interval [h], share of dust cleaned

    def of_kind(self, kind: int) -> NDArray[np.int64]:
        """Indices of the episodes of a kind."""
        return np.flatnonzero(self.kind == kind)


def union(spans: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """The same time as spans that neither touch nor overlap."""
    joined: list[tuple[float, float]] = []
    for low, high in sorted(spans):
        if joined and low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return tuple(joined)


def make_schedule(plan: ProbePlan, draw: Draw, from_s: float, to_s: float, decoys: set[str]) -> Schedule:
    """Everything that happens to a probe in its record."""
    rows: list[tuple[float, int, list[tuple[float, float]]]] = []  # start, kind, (length, gas) each
    for at in _air_times(plan, draw, from_s, to_s):
        length = plan.air_s * (1.0 if plan.air_auto else draw.flat(0.6, 1.6))
        rows.append((at, AIR_CHECK, [(length, AIR)]))
    if np.isfinite(plan.test_every_d):
        for at in _manual_times(draw, from_s, to_s, plan.test_every_d):
            gases = [(draw.flat(150.0, 480.0), o2 / 100.0) for o2 in plan.bottles]
            if draw.chance(0.3):
                gases.append((draw.flat(150.0, 480.0), AIR))
            rows.append((at, TEST_GAS, gases))
    rows.sort(key=lambda row: row[0])
    rows = _apart(rows)
    eras = _eras(plan, draw, from_s, to_s)
    rows += _blowbacks(plan, draw, rows, eras, to_s)
    rows.sort(key=lambda row: row[0])

    start, end, seg = [], [], []
    for i, (at, _, gases) in enumerate(rows):
        t, before = at, float("nan")
        for length, gas in gases:
            seg.append((t, t + length, gas, before, i))
            t, before = t + length, gas
        start.append(at)
        end.append(t)
    n = len(rows)
    table = np.array(seg, np.float64).reshape(-1, 5)
    outages, gaps = _interruptions(draw, from_s, to_s, decoys)
    kinds = np.array([kind for _, kind, _ in rows], np.int8)
    return Schedule(
        start_s=np.array(start), end_s=np.array(end), kind=kinds,
        scatter_mv=draw.rng.normal(0.0, plan.air_scatter_mv, n) * np.where(kinds == BLOWBACK, 2.0, 1.0),
        tau_log=draw.rng.normal(0.0, plan.tau_scatter, n),
        seg_start_s=table[:, 0], seg_end_s=table[:, 1], seg_gas=table[:, 2], seg_before=table[:, 3],
        seg_episode=table[:, 4].astype(np.int64), outages=outages, gaps=gaps,
        clock_steps=_clock_steps(draw, from_s, to_s, decoys), blow_eras=eras,
    )  # fmt: skip


def _air_times(plan: ProbePlan, draw: Draw, from_s: float, to_s: float) -> list[float]:
    if not plan.air_auto:
        return _manual_times(draw, from_s, to_s, plan.air_every_d)
    first = from_s + draw.flat(0.1, 1.0) * plan.air_every_d * _DAY
    return [float(t) for t in np.arange(first, to_s - 3600.0, plan.air_every_d * _DAY)]


def _manual_times(draw: Draw, from_s: float, to_s: float, every_d: float) -> list[float]:
    """By people: by day, not on Sundays, early or late by a third."""
    found = []
    at = from_s + draw.flat(0.1, 1.0) * every_d * _DAY
    while at < to_s - 2 * _DAY:
        day = np.floor(at / _DAY)
        day += (day + 3) % 7 == 6
        found.append(float(day * _DAY + draw.flat(7.0, 15.5) * 3600.0))
        at = day * _DAY + every_d * _DAY * float(np.exp(draw.near(0.0, 0.3)))
    return found


def _apart(
    rows: list[tuple[float, int, list[tuple[float, float]]]],
) -> list[tuple[float, int, list[tuple[float, float]]]]:
    """Checks that would run into each other: the later one is left out."""
    kept = rows[:1]
    for row in rows[1:]:
        last = kept[-1]
        if row[0] > last[0] + sum(length for length, _ in last[2]) + 3600.0:
            kept.append(row)
    return kept


def _eras(plan: ProbePlan, draw: Draw, from_s: float, to_s: float) -> tuple[tuple[float, float, float], ...]:
    eras = [(from_s, plan.blow_every_h, plan.blow_clean)]
    if plan.blow_changes:
        at = from_s + draw.flat(0.35, 0.75) * (to_s - from_s)
        other = min(max(plan.blow_every_h * draw.one(0.25, 0.5, 2.0, 3.0), 0.5), 24.0)
        eras.append((at, other, draw.flat(0.5, 0.98)))
    return tuple(eras)


def _blowbacks(
    plan: ProbePlan,
    draw: Draw,
    checks: list[tuple[float, int, list[tuple[float, float]]]],
    eras: tuple[tuple[float, float, float], ...],
    to_s: float,
) -> list[tuple[float, int, list[tuple[float, float]]]]:
    times: list[Floats] = []
    for i, (at, every_h, _) in enumerate(eras):
        if np.isfinite(every_h):
            end = eras[i + 1][0] if i + 1 < len(eras) else to_s
            times.append(np.arange(at + draw.flat(0.0, 1.0) * every_h * 3600.0, end - 1800.0, every_h * 3600.0))
    every = np.concatenate(times) if times else np.empty(0)
    # A transmitter puts a blowback off while it is being checked, and for a while after.
    for at, _, gases in checks:
        length = sum(length for length, _ in gases)
        every = every[(every < at - 900.0) | (every > at + length + 1800.0)]
    share = draw.flat(0.6, 1.0)  # what the blast makes of the gas at the cell: mostly air
    return [(float(t), BLOWBACK, [(plan.blow_s, AIR * share)]) for t in every]


def _interruptions(
    draw: Draw, from_s: float, to_s: float, decoys: set[str]
) -> tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    years = (to_s - from_s) / (365.25 * _DAY)

    def some(rate: float, low: float, high: float) -> list[tuple[float, float]]:
        low_s, high_s = from_s + min(5 * _DAY, 0.2 * (to_s - from_s)), from_s + 0.98 * (to_s - from_s)
        starts = draw.rng.uniform(low_s, high_s, int(draw.rng.poisson(rate * years)))
        return [(float(s), float(s) + draw.wide(low, high)) for s in starts]

    outages = some(draw.wide(0.3, 3.0), 20.0, 4 * 3600.0)
    gaps = some(draw.wide(0.3, 4.0), 600.0, 1.5 * _DAY)
    if "gaps" in decoys:  # FINDINGS: four gaps of more than a day in 85, up to 26.6 days
        gaps += some(12.0, 3600.0, 4 * _DAY) + some(0.8, 5 * _DAY, 26 * _DAY)
    return union(outages), union(gaps)


def _clock_steps(draw: Draw, from_s: float, to_s: float, decoys: set[str]) -> tuple[tuple[float, float, float], ...]:
    if "clock_step" not in decoys:
        return ()
    at = from_s + draw.flat(0.2, 0.8) * (to_s - from_s)
    # An hour of daylight saving taken as UTC, a minute by hand, FINDINGS: -55 min.
    return ((at, at + draw.flat(1.0, 60.0) * _DAY, draw.one(3600.0, 60.0, -3300.0, 3300.0)),)
