"""False alerts per probe-year and days to detection under invented disturbances; by hand, with a number of seeds.

    python tests/benchmarks/detector_quality.py 60

The noise is ours and harsher than what the detectors assume: AR(1) days, seasons nobody measures, weekly load, sags.
"""

import sys
import time
from dataclasses import dataclass

import numpy as np

from detectors.cell_offset_drift import AirCheck, CellOffsetDrift
from detectors.heater_days import DayRow
from detectors.heater_duty_creep import HeaterDutyCreep
from detectors.slow_recovery import Recovery, SlowRecovery

DAY0 = 20_000


@dataclass(frozen=True)
class Outcome:
    """Active spells in health, the years they took, and when after its onset the fault was first told."""

    spells: int
    years: float
    delays: list[float]


def ar1(rng, n, sd, rho):
    x = np.empty(n)
    x[0] = rng.normal(0.0, sd)
    steps = rng.normal(0.0, sd * np.sqrt(1.0 - rho**2), n)
    for i in range(1, n):
        x[i] = rho * x[i - 1] + steps[i]
    return x


def spells(active):
    return int(np.count_nonzero(np.diff(np.concatenate([[0], np.asarray(active, dtype=int)])) > 0))


def heater_days(rng, n, *, sd, rho, flue, head, volts, swing_k):
    """Rows of a healthy heater."""
    day = np.arange(n)
    season = -np.cos(2.0 * np.pi * (day / 365.25 + rng.random()))
    flue_c = 300.0 + swing_k * season + ar1(rng, n, 4.0, 0.7)
    head_c = 40.0 + 15.0 * season + ar1(rng, n, 3.0, 0.7)
    load = np.where(day % 7 < 5, 85.0, 60.0) + ar1(rng, n, 5.0, 0.5)
    y = np.log(0.40) - (flue_c - 300.0) / 400.0 - 0.0004 * (head_c - 40.0) + rng.normal(0.0, 0.001) * (load - 78.0)
    y = y + ar1(rng, n, sd, rho)
    for at in np.flatnonzero(rng.random(n) < 4.0 / 365.0):  # sags and upsets of some days, also seen by the demand
        y[at : at + rng.integers(1, 5)] += rng.uniform(0.0, 0.15)
    if not volts:
        y = y - 2.0 * (ar1(rng, n, 0.01, 0.6) + ar1(rng, n, 0.012, 0.99))
    usable = rng.random(n) > 0.1
    nan = np.full(n, np.nan)
    return day, y, load, flue_c if flue else nan, head_c if head else nan, usable


def creep(rng, *, years, onset=None, rate=0.0, step=0.0, **how):
    n = int(365 * years)
    day, y, load, flue_c, head_c, usable = heater_days(rng, n, **how)
    if onset is not None:
        y = y + np.where(day >= onset, step + np.log1p(rate * np.maximum(0, day - onset)), 0.0)
    detector = HeaterDutyCreep()
    active = []
    for i in range(n):
        row = DayRow(
            day=DAY0 + i, minutes=1400 if usable[i] else 0, has_voltage=how["volts"], demand=float(np.exp(y[i])),
            duty=float(np.exp(y[i])), watts=np.nan, resistance_ohm=np.nan, load_pct=float(load[i]),
            flue_temp_c=float(flue_c[i]), head_temp_c=float(head_c[i]),
        )  # fmt: skip
        found = detector._take(row)
        active.append(found[-1].active if found else (active[-1] if active else False))
    return np.array(active)


def offsets(rng, *, years, every_days, onset=None, rate=0.0):
    n = int(365 * years / every_days)
    at = DAY0 + np.arange(n) * every_days
    raw = rng.normal(0.0, 0.5) + ar1(rng, n, 0.35, 0.5) + np.where(rng.random(n) < 0.005, rng.normal(0.0, 2.0, n), 0.0)
    raw += 0.3 * np.cos(2.0 * np.pi * at / 365.25)  # damp air in summer
    if onset is not None:
        raw = raw + rate * np.maximum(0.0, at - DAY0 - onset)
    detector = CellOffsetDrift()
    return at - DAY0, np.array(
        [f.active for a, r in zip(at, raw, strict=True)
         for f in detector.update([AirCheck(at_s=86400.0 * a, raw_offset_mv=r, raw_u_mv=0.4)])]
    )  # fmt: skip


def recoveries(rng, *, years, per_day, onset=None, doubling_days=0.0, known=True):
    n = int(365 * years * per_day)
    at = DAY0 + np.arange(n) / per_day
    flue_c = 300.0 + 15.0 * np.cos(2.0 * np.pi * at / 365.25) + ar1(rng, n, 10.0, 0.9)
    load = 75.0 + ar1(rng, n, 12.0, 0.9)
    y = np.log(12.0) - 1.75 * np.log((flue_c + 273.15) / 573.15) - 0.003 * (load - 75.0)
    y += ar1(rng, n, 0.12, 0.8) + rng.normal(0.0, 0.1, n) + np.where(rng.random(n) < 0.03, rng.normal(0.5, 0.5, n), 0.0)
    if onset is not None:
        y = y + np.log(2.0) * np.maximum(0.0, at - DAY0 - onset) / doubling_days
    detector, active = SlowRecovery(), []
    for i in range(n):
        found = detector.update(
            [Recovery(at_s=86400.0 * at[i], after="air_check", tau_s=float(np.exp(y[i])), tau_u_s=1.2,
                      load_pct=load[i] if known else np.nan, flue_temp_c=flue_c[i] if known else np.nan)]
        )  # fmt: skip
        active.append(found[-1].active if found else False)
    return at - DAY0, np.array(active)


def line(name, healthy, delays, missed):
    count, years = sum(spells(a) for a, _ in healthy), sum(y for _, y in healthy)
    said = "never" if not delays else f"median {np.median(delays):5.0f} d, p90 {np.percentile(delays, 90):5.0f} d"
    rate = f"{count:4d} spells in {years:6.0f} probe-years = {count / years:7.4f}/yr"
    print(f"{name:58s} {rate} | told after {said}, missed {missed}", flush=True)


def creeps(seeds):
    for sd, rho in ((0.015, 0.5), (0.02, 0.7), (0.02, 0.8)):
        for flue, head, volts in ((True, True, True), (True, False, False), (False, True, True), (False, False, False)):
            how = {"sd": sd, "rho": rho, "flue": flue, "head": head, "volts": volts, "swing_k": 15.0}
            healthy = [(creep(np.random.default_rng(s), years=2.0, **how), 2.0) for s in range(seeds)]
            delays, missed = [], 0
            for s in range(seeds // 3):
                a = creep(np.random.default_rng(10_000 + s), years=1.0, onset=100, rate=0.0025, **how)
                first = np.flatnonzero(a[100:])
                delays += [float(first[0])] if first.size else []
                missed += int(first.size == 0)
            known = "+".join(n for n, on in (("flue", flue), ("head", head), ("volts", volts)) if on) or "nothing"
            line(f"creep 0.25 %/day, sd {sd} rho {rho}, known {known}", healthy, delays, missed)


def others(seeds):
    for every in (1.0, 7.0, 30.0):
        healthy = [(offsets(np.random.default_rng(s), years=3.0, every_days=every)[1], 3.0) for s in range(seeds)]
        delays, missed = [], 0
        for s in range(seeds):
            at, a = offsets(np.random.default_rng(5000 + s), years=1.5, every_days=every, onset=100.0, rate=0.03)
            first = at[a & (at >= 100.0)]
            delays += [float(first[0] - 100.0)] if first.size else []
            missed += int(first.size == 0)
        line(f"offset 0.03 mV/day, a check every {every:g} days", healthy, delays, missed)
    for per_day in (0.2, 1.0, 6.0):
        for known in (True, False):
            healthy = [(recoveries(np.random.default_rng(s), years=1.0, per_day=per_day, known=known)[1], 1.0)
                       for s in range(seeds)]  # fmt: skip
            delays, missed = [], 0
            for s in range(seeds // 3):
                at, a = recoveries(np.random.default_rng(5000 + s), years=0.8, per_day=per_day, onset=80.0,
                                   doubling_days=60.0, known=known)  # fmt: skip
                first = at[a & (at >= 80.0)]
                delays += [float(first[0] - 80.0)] if first.size else []
                missed += int(first.size == 0)
            line(f"tau doubles in 60 d, {per_day:g} a day, load and flue known {known}", healthy, delays, missed)


if __name__ == "__main__":
    n_seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    began = time.monotonic()
    creeps(n_seeds)
    others(n_seeds)
    print(f"{time.monotonic() - began:.0f} s")
