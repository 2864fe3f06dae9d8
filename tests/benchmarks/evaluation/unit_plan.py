"""The boiler, furnace or kiln that a probe sits in: every constant drawn.

Where a range has no source beside it, it is from memory of how such plants run, kept wide on purpose.
"""

from dataclasses import dataclass

from tests.benchmarks.evaluation.draws import Draw

__all__ = ["UnitPlan", "draw_unit"]


@dataclass(slots=True, kw_only=True)
class UnitPlan:
    """Constants of one unit."""

    pattern: str  # base, two_shift, weekend, batch, heating
    load_high: float  # %
    load_low: float  # %
    load_wander: float  # sd, %
    load_steps: bool
    ramp_s: float
    batch_h: float
    low_is_off: bool  # the burner stops at low demand instead of idling
    o2_full: float  # % wet at full load
    o2_per_load: float  # % O2 for each % of load below full
    o2_sd: float  # sd of the wandering about the load line, % O2
    o2_shares: tuple[float, float, float]  # of the variance: hour, half a day, minutes
    o2_taus_s: tuple[float, float, float]
    o2_bursty: float  # sd of the log of the slowly varying volatility
    idle_o2: float  # %, at banked idle
    in_leak_s: float  # how fast a stopped furnace fills with air
    purge_s: float
    light_off_s: float
    overshoot: float  # % O2 above the line just after light-off
    flue_full: float  # degC at full load
    flue_per_load: float  # K a % of load
    flue_lag_s: float
    flue_cool_h: float
    flue_fouling: float  # K a year, back at each stop
    ambient: float
    season: float  # half swing over the year, K
    daily: float
    weather: float
    humidity: float
    humidity_season: float
    stops_a_year: float
    stop_days: float
    fuels: int
    fuel_o2: float
    fuel_flue: float
    fuel_days: float
    nominal_v: float
    v_bias: float
    v_daily: float
    v_weekly: float
    v_wander: float
    v_fast: float
    sags_a_year: float
    sag_depth: float
    water: float  # fraction of the flue gas
    pressure_kpa: float  # flue, gauge
    barometric_kpa: float


def draw_unit(draw: Draw, decoys: set[str]) -> UnitPlan:
    """A unit in which the named decoys happen."""
    near_air = "near_air_at_idle" in decoys
    pattern = draw.pick(base=4, two_shift=3, weekend=2, batch=1.5, heating=1.5)
    if near_air or "load_steps" in decoys:
        pattern = draw.pick(two_shift=2, weekend=1, batch=1.5)
    if "shut_downs" in decoys:
        pattern = draw.pick(base=1, two_shift=2, weekend=2, heating=1)
    o2_full = min(max(draw.wide(1.6, 9.0), 1.5), 10.0)
    # Coal boiler of FINDINGS: 0.43 % at 3-5 % after load; a gas boiler 0.25 to 0.9 a month. About a tenth of the level.
    o2_sd = o2_full * draw.wide(0.04, 0.16)
    hour, minutes = draw.flat(0.3, 0.6), draw.flat(0.02, 0.12)
    nominal = float(draw.one(230.0, 230.0, 115.0, 120.0, 110.0, 48.0, 24.0, 400.0))
    winter = "winter" in decoys
    return UnitPlan(
        pattern=pattern,
        load_high=draw.flat(70.0, 100.0),
        load_low=draw.flat(25.0, 60.0),
        load_wander=draw.wide(1.0, 9.0),
        load_steps="load_steps" in decoys or draw.chance(0.4),
        ramp_s=draw.wide(240.0, 2400.0),
        batch_h=draw.wide(2.0, 16.0),
        low_is_off=(not near_air) and draw.chance(0.45 if "shut_downs" not in decoys else 0.8),
        o2_full=o2_full,
        o2_per_load=draw.flat(0.0, 0.045),  # FINDINGS: 1.9 % over about half of the range
        o2_sd=o2_sd,
        o2_shares=(hour, 1.0 - hour - minutes, minutes),
        o2_taus_s=(draw.wide(1500.0, 5000.0), draw.wide(14000.0, 40000.0), draw.wide(30.0, 200.0)),
        o2_bursty=draw.flat(0.15, 0.5),
        idle_o2=draw.flat(17.5, 20.6) if near_air else draw.flat(10.0, 19.0),
        in_leak_s=draw.wide(120.0, 1200.0),
        purge_s=draw.flat(180.0, 900.0),  # at least four to eight volumes, a few minutes: common practice
        light_off_s=draw.wide(15.0, 120.0),
        overshoot=draw.flat(0.0, 4.0),
        flue_full=draw.flat(140.0, 560.0),
        flue_per_load=draw.flat(0.2, 1.8),
        flue_lag_s=draw.wide(300.0, 3600.0),
        flue_cool_h=draw.wide(2.0, 20.0),
        flue_fouling=draw.wide(3.0, 50.0),
        ambient=draw.flat(2.0, 26.0),
        season=draw.flat(9.0, 18.0) if winter else draw.flat(2.0, 14.0),
        daily=draw.flat(1.0, 6.0),
        weather=draw.flat(1.5, 5.0),
        humidity=draw.flat(45.0, 80.0),
        humidity_season=draw.flat(5.0, 20.0) if "drifting_humidity" in decoys else draw.flat(0.0, 10.0),
        stops_a_year=draw.flat(4.0, 12.0) if "shut_downs" in decoys else draw.wide(0.3, 4.0),
        stop_days=draw.wide(0.5, 12.0),
        fuels=2 if "fuel_switch" in decoys else 1,
        fuel_o2=draw.flat(0.3, 1.8) * draw.one(-1.0, 1.0),
        fuel_flue=draw.flat(10.0, 50.0) * draw.one(-1.0, 1.0),
        fuel_days=draw.wide(5.0, 80.0),
        nominal_v=nominal,
        v_bias=draw.near(0.0, 0.02),  # EN 50160: within 10 %, 95 % of the week
        v_daily=draw.flat(0.003, 0.02),
        v_weekly=draw.flat(0.0, 0.008),
        v_wander=draw.flat(0.003, 0.014),
        v_fast=draw.wide(0.001, 0.006),
        sags_a_year=draw.flat(10.0, 60.0) if "supply_sags" in decoys else draw.wide(0.5, 8.0),
        sag_depth=draw.flat(0.06, 0.13) if "supply_sags" in decoys else draw.flat(0.03, 0.09),
        water=draw.flat(0.06, 0.18),  # 6 % (coal) to 18 % (gas): combustion practice
        pressure_kpa=draw.near(-0.05, 0.2),
        barometric_kpa=draw.flat(96.0, 102.5),
    )
