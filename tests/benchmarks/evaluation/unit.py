"""What the unit does over a whole record, on a grid of five minutes: load, firing, gas, flue, weather, supply."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import Floats, ar1, lag
from tests.benchmarks.evaluation.unit_plan import UnitPlan

__all__ = ["GRID_S", "Unit", "make_unit"]

GRID_S = 300.0
_DAY = 86400.0


@dataclass(slots=True, kw_only=True)
class Unit:
    """One array a quantity, all on `time_s`."""

    plan: UnitPlan
    time_s: Floats
    load: Floats  # %
    firing: NDArray[np.bool_]
    o2: Floats  # steady gas at this load and moment, % wet; not yet air while the furnace is stopped
    flue_c: Floats
    ambient_c: Floats
    humidity: Floats  # %
    volts: Floats
    volatility: Floats  # of the fast part of the gas, about 1
    light_off_s: Floats  # when flames came on
    stop_s: Floats  # when they went out
    coldest_c: float


def make_unit(plan: UnitPlan, draw: Draw, from_s: float, days: float) -> Unit:
    """The unit's whole record."""
    rng = draw.rng
    n = int(days * _DAY / GRID_S) + 2
    time_s = from_s + GRID_S * np.arange(n)
    day = time_s / _DAY
    hour = (day % 1.0) * 24.0
    per_day = _DAY / GRID_S

    coldest = draw.flat(0.0, 365.25)  # which day of the year is the coldest: both hemispheres, any start
    season = -np.cos(2.0 * np.pi * (day - coldest) / 365.25)
    weather = ar1(rng, n, plan.weather, 3.0 * per_day)  # spells of about three days: common experience
    ambient = plan.ambient + plan.season * season + plan.daily * np.sin(2 * np.pi * (hour - 9.0) / 24.0) + weather
    humidity = plan.humidity - plan.humidity_season * season + ar1(rng, n, 9.0, 0.5 * per_day)

    target = _demand(plan, draw, day, hour, season)
    firing = target > 0.0
    for at in np.flatnonzero(rng.random(int(days) + 1) < plan.stops_a_year / 365.25):
        length = plan.stop_days * draw.wide(0.4, 2.5)
        firing &= ~((day >= day[0] + at + 0.3) & (day < day[0] + at + 0.3 + length))
    target = np.where(firing, np.maximum(target, 12.0), 0.0)
    load = lag(target, plan.ramp_s / GRID_S)
    load = np.where(firing, load + ar1(rng, n, 0.8, 6.0), 0.0).clip(0.0, 115.0)

    fuel = _fuel(plan, draw, day)
    volatility = np.exp(ar1(rng, n, plan.o2_bursty, 24.0) - plan.o2_bursty**2 / 2.0)
    noise = sum(
        ar1(rng, n, plan.o2_sd * np.sqrt(share), tau / GRID_S, volatility)
        for share, tau in zip(plan.o2_shares[:2], plan.o2_taus_s[:2], strict=True)
    )
    line = plan.o2_full + plan.o2_per_load * (100.0 - load) + fuel * plan.fuel_o2
    idle = _smooth_share((plan.load_low + 4.0 - load) / 6.0) if _idles(plan) else np.zeros(n)
    o2 = (1.0 - idle) * (line + noise) + idle * (plan.idle_o2 + 0.3 * noise)
    o2 = np.clip(o2, 0.4 + 0.1 * (o2 < 0.4), 20.9)

    flue = _flue(plan, draw, time_s, load, firing, ambient, fuel)
    volts = _volts(plan, draw, day, hour)
    edges = np.diff(firing.astype(np.int8))
    return Unit(
        plan=plan, time_s=time_s, load=load, firing=firing, o2=o2, flue_c=flue, ambient_c=ambient,
        humidity=humidity.clip(15.0, 99.0), volts=volts, volatility=volatility,
        light_off_s=time_s[1:][edges > 0], stop_s=time_s[1:][edges < 0],
        coldest_c=plan.ambient - plan.season - plan.daily - plan.weather,
    )  # fmt: skip


def _idles(plan: UnitPlan) -> bool:
    """Whether low demand means banked fires with much air."""
    return plan.pattern in ("two_shift", "weekend", "batch") and not plan.low_is_off and plan.idle_o2 > 15.0


def _smooth_share(x: Floats) -> Floats:
    return np.asarray(np.clip(x, 0.0, 1.0))


def _demand(plan: UnitPlan, draw: Draw, day: Floats, hour: Floats, season: Floats) -> Floats:
    """Load asked for [%]; 0 where the burner is to stop."""
    rng, n = draw.rng, day.size
    per_day = _DAY / GRID_S
    high = plan.load_high + ar1(rng, n, plan.load_wander, draw.flat(0.3, 3.0) * per_day)
    if plan.load_steps:  # dispatch in steps that hold for hours
        hold = max(1, int(draw.flat(2.0, 12.0) * per_day / 24.0))
        high = high[(np.arange(n) // hold) * hold] + np.repeat(rng.normal(0.0, 8.0, n // hold + 1), hold)[:n]
    low = 0.0 if plan.low_is_off else plan.load_low
    weekday = (np.floor(day) + 3) % 7  # day 0 of 1970 was a Thursday
    if plan.pattern == "two_shift":
        begin, end = draw.flat(4.0, 7.0), draw.flat(19.0, 23.0)
        wobble = np.repeat(rng.normal(0.0, 0.3, int(np.ptp(day)) + 2), int(per_day))[:n]
        return np.where((hour + wobble > begin) & (hour + wobble < end), high, low)
    if plan.pattern == "weekend":
        return np.where(weekday < 5, high, low)
    if plan.pattern == "batch":
        period = plan.batch_h / 24.0
        share = draw.flat(0.4, 0.8)
        return np.where((day / period) % 1.0 < share, high, low)
    if plan.pattern == "heating":
        return np.clip(0.55 * (high + plan.load_low) - 0.5 * (high - plan.load_low) * season, 18.0, 105.0)
    return np.clip(high, 20.0, 108.0)


def _fuel(plan: UnitPlan, draw: Draw, day: Floats) -> Floats:
    """Share of the second fuel, 0 or 1."""
    if plan.fuels < 2:
        return np.zeros(day.size)
    changes = np.cumsum(draw.rng.exponential(plan.fuel_days, 400))
    return np.asarray(np.searchsorted(changes, day - day[0]) % 2, np.float64)


def _flue(
    plan: UnitPlan, draw: Draw, time_s: Floats, load: Floats, firing: NDArray[np.bool_], ambient: Floats, fuel: Floats
) -> Floats:
    n = time_s.size
    years = (time_s - time_s[0]) / (365.25 * _DAY)
    soot = plan.flue_fouling * ((years * draw.flat(1.0, 4.0)) % 1.0)  # cleaned one to four times a year
    hot = plan.flue_full - plan.flue_per_load * (100.0 - load) + soot + fuel * plan.fuel_flue
    hot = hot + 0.3 * (ambient - plan.ambient) + ar1(draw.rng, n, draw.flat(0.8, 5.0), 12.0)
    hot = lag(np.where(firing, hot, ambient + 15.0), plan.flue_lag_s / GRID_S)
    # A stopped furnace cools far slower than it heats: the slower lag holds while it is the higher one.
    cooling = lag(np.where(firing, hot, ambient + 15.0), plan.flue_cool_h * 3600.0 / GRID_S)
    return np.asarray(np.where(firing, hot, np.maximum(hot, np.minimum(cooling, plan.flue_full))))


def _volts(plan: UnitPlan, draw: Draw, day: Floats, hour: Floats) -> Floats:
    rng, n = draw.rng, day.size
    per_day = _DAY / GRID_S
    weekend = ((np.floor(day) + 3) % 7) >= 5
    rel = 1.0 + plan.v_bias - plan.v_daily * np.sin(2 * np.pi * (hour - 8.0) / 24.0) + plan.v_weekly * weekend
    rel = rel + ar1(rng, n, plan.v_wander, 2.0 * per_day) + ar1(rng, n, plan.v_wander / 2.0, 6.0)
    for _ in range(int(rng.poisson(plan.sags_a_year * np.ptp(day) / 365.25))):
        start = int(rng.integers(n))
        rel[start : start + int(draw.wide(1.0, 14.0 * 12.0))] -= plan.sag_depth * draw.flat(0.5, 1.0)
    return np.asarray(plan.nominal_v * np.clip(rel, 0.84, 1.10))
