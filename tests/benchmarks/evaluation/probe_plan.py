"""One probe, its transmitter and how it is polled: every constant drawn.

Where a range has no source beside it, it is from memory of how such instruments behave, kept wide on purpose.
"""

from dataclasses import dataclass, replace

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.unit_plan import UnitPlan

__all__ = ["ProbePlan", "draw_probe", "made_observable", "rated"]


@dataclass(slots=True, kw_only=True)
class ProbePlan:
    """Constants of one probe."""

    # heater
    setpoint_c: float
    cold_duty: float  # full-output share needed for a cold flue in the coldest weather at -10 % supply, heater as new
    full_w: float  # at nominal voltage
    flue_part: float  # of the losses, at a cold flue
    load_gain: float  # more loss at full flow
    heat_j_per_k: float
    loss_day_sd: float  # log, unexplained, per day
    loss_day_rho: float
    ageing_a_year: float  # healthy rise of resistance
    control: str  # pid, cycled, thermostat
    cycle_s: float
    temp_sd: float
    temp_tau_s: float
    duty_sd: float  # of the controller's output, relative
    thermocouple_error_c: float
    head_over_ambient: float
    head_per_flue: float
    off_with_unit: bool  # the heater is switched off in stops of more than a day
    # cell
    offset_mv: float
    wander_mv: float
    slope: float
    emf_noise_mv: float
    reference: str  # ambient, instrument
    # filter
    tau_s: float
    dead_s: float
    second_tau_s: float  # a little dead volume behind the filter
    dust_a_day: float  # growth of tau between blowbacks, share a day
    blow_clean: float  # share of that dust which a blowback takes away
    tau_growth_a_year: float  # healthy
    fill_s: float  # gas given behind the filter
    tau_scatter: float  # log, from one return to the next
    # checks
    air_auto: bool
    air_every_d: float
    air_s: float
    air_bias_mv: float  # flow cooling, pressure of the check gas
    air_scatter_mv: float
    check_air: str
    calibrates: bool  # automatic checks renew the stored offset
    manual_cal_every_d: float
    test_every_d: float
    bottles: tuple[float, ...]
    blow_every_h: float  # inf: none
    blow_s: float
    blow_changes: bool
    blow_temp_dip: float
    # transmitter
    flags: str  # bits, word, none
    hold: str  # live, held, unknown
    hold_after_s: float
    flag_covers_hold: bool
    o2_step: float
    emf_step: float
    o2_damping_s: float
    clamp: tuple[float, float]
    dry: bool
    slope_error: float  # of the stored slope, relative
    stored_as_correction: bool
    hold_for_real: bool  # what a map that says "unknown" leaves open
    unknown_is_angle: bool
    counter_resets: bool  # with the power
    volt_meter_error: float
    amp_meter_error: float
    signals: tuple[str, ...]
    heater_signal: str  # duty, phase_angle, unknown, relay, counter, rated_energy, energy, amps
    feeds: tuple[str, ...]
    off_shows: str  # o2 while cold: missing, held, high
    # polling
    period_s: float
    burst_s: float  # 0: none
    dithered: bool
    lost: float
    missing: float
    feed_period_s: float


def draw_probe(draw: Draw, unit: UnitPlan, decoys: set[str]) -> ProbePlan:
    """A probe in which the named decoys happen."""
    auto = draw.chance(0.6)
    full_w = draw.wide(50.0, 350.0)
    offset = draw.near(0.0, 0.8)
    if "offset_from_new" in decoys:
        offset = draw.flat(2.4, 3.6) * draw.one(-1.0, 1.0)
    heater_signal = draw.pick(duty=9, phase_angle=2, unknown=1, relay=2, counter=3, rated_energy=1, energy=2)
    period = float(draw.pick(**{"1": 0.5, "5": 2.5, "10": 7, "20": 18, "30": 32, "60": 40}))
    blow = draw.wide(0.5, 24.0) if draw.chance(0.6) or "blowback_change" in decoys else float("inf")
    always_slow = "always_slow" in decoys
    coarse = "coarse_quantisation" in decoys
    clamps = ((0.0, 21.0), (0.0, 25.0), (0.0, 25.0), (0.0, 30.0), (0.0, 100.0))
    clamp = draw.one(*clamps)
    if "clamp_saturation" in decoys:
        clamp = (0.0, draw.one(10.0, 15.0, 21.0))
        clamp = clamp if clamp[1] > unit.o2_full + 3.0 else (0.0, 21.0)
    return ProbePlan(
        setpoint_c=draw.one(650.0, 700.0, 700.0, 730.0, 750.0, 800.0),
        cold_duty=draw.flat(0.74, 0.86) if "always_high_duty" in decoys else draw.flat(0.5, 0.84),
        full_w=full_w,
        flue_part=draw.flat(0.45, 0.65) if "always_high_duty" in decoys else draw.flat(0.55, 0.92),
        load_gain=draw.wide(0.02, 0.35),
        heat_j_per_k=full_w * draw.wide(1.0, 4.5),  # hot in a quarter of an hour to an hour and a half
        loss_day_sd=draw.wide(0.003, 0.015),
        loss_day_rho=draw.flat(0.5, 0.95),
        ageing_a_year=draw.flat(0.0, 0.025),
        control=draw.pick(pid=0 if heater_signal == "relay" else 6, cycled=2, thermostat=1),
        cycle_s=draw.wide(1.0, 60.0),
        temp_sd=draw.wide(0.1, 1.2),
        temp_tau_s=draw.wide(40.0, 400.0),
        duty_sd=draw.wide(0.01, 0.12),
        thermocouple_error_c=draw.near(0.0, 2.6),  # class 2 of IEC 60584-1: 5.25 K at 700 degC, taken as two sd
        head_over_ambient=draw.flat(4.0, 35.0),
        head_per_flue=draw.flat(0.0, 0.06),
        off_with_unit=draw.chance(0.2),
        offset_mv=offset,
        wander_mv=draw.wide(0.04, 0.35),
        slope=min(max(draw.near(1.0, 0.01), 0.97), 1.02),
        emf_noise_mv=draw.flat(0.3, 1.0) if "noisy_mv" in decoys else draw.wide(0.01, 0.15),
        reference="ambient" if "drifting_humidity" in decoys else draw.pick(ambient=6, instrument=4),
        tau_s=draw.flat(28.0, 75.0) if always_slow else draw.wide(3.5, 30.0),
        dead_s=draw.wide(0.3, 6.0),
        second_tau_s=draw.flat(0.0, 0.15),  # of tau_s
        dust_a_day=draw.wide(0.003, 0.1),
        blow_clean=draw.flat(0.5, 0.98),
        tau_growth_a_year=draw.flat(0.0, 0.2),
        fill_s=draw.wide(1.0, 7.0),
        tau_scatter=draw.wide(0.02, 0.12),
        air_auto=auto,
        air_every_d=float(draw.one(1.0, 1.0, 2.0, 3.0, 7.0, 7.0, 14.0, 30.0)) if auto else draw.wide(10.0, 60.0),
        air_s=draw.wide(60.0, 900.0),
        air_bias_mv=-draw.flat(0.0, 0.6),  # -0.207 mV/kPa and about -0.49 mV/K of cooling: both make the emf lower
        air_scatter_mv=draw.wide(0.02, 0.2),
        check_air=draw.pick(ambient=3, instrument=7),
        calibrates=("calibration_jumps" in decoys) or draw.chance(0.4 if auto else 0.3),
        manual_cal_every_d=draw.flat(30.0, 200.0),
        test_every_d=draw.wide(14.0, 180.0) if draw.chance(0.7) else float("inf"),
        bottles=draw.one((0.4,), (1.0,), (2.0,), (8.0,), (0.4, 8.0), (1.0, 8.0), (2.0, 5.0)),
        blow_every_h=blow,
        blow_s=draw.wide(4.0, 60.0),
        blow_changes="blowback_change" in decoys,
        blow_temp_dip=draw.wide(0.3, 12.0),
        flags="none" if "unflagged_checks" in decoys else draw.pick(bits=5, word=3, none=0.6),
        hold=draw.pick(live=3, held=5, unknown=1),
        hold_after_s=draw.wide(20.0, 300.0),
        flag_covers_hold=draw.chance(0.6),
        o2_step=draw.one(0.05, 0.1) if coarse else draw.one(0.001, 0.01, 0.01, 0.01, 0.00305, 0.1),
        emf_step=draw.one(0.1, 0.2) if coarse else draw.one(0.001, 0.01, 0.01, 0.1),
        o2_damping_s=0.0 if draw.chance(0.4) else draw.wide(1.0, 20.0),
        clamp=clamp,
        dry=draw.chance(0.08),
        slope_error=draw.near(0.0, 0.004),
        stored_as_correction=draw.chance(0.25),
        hold_for_real=draw.chance(0.6),
        unknown_is_angle=draw.chance(0.3),
        counter_resets=draw.chance(0.4),
        volt_meter_error=draw.near(0.0, 0.01),
        amp_meter_error=draw.near(0.0, 0.015),
        signals=_signals(draw),
        heater_signal=heater_signal,
        feeds=_feeds(draw),
        off_shows=draw.pick(missing=4, held=2, high=2),
        period_s=period,
        burst_s=_burst(draw, period, blow),
        dithered=heater_signal == "relay" and draw.chance(0.8),
        lost=draw.wide(1e-4, 0.02),
        missing=0.0 if draw.chance(0.6) else draw.wide(1e-5, 5e-3),
        feed_period_s=draw.one(10.0, 15.0, 30.0, 60.0),
    )  # fmt: skip


def _signals(draw: Draw) -> tuple[str, ...]:
    """Which of the optional signals the map has; o2, cell_temp and the heater's own come anyway."""
    chances = {
        "cell_emf": 0.8, "cell_temp_setpoint": 0.6, "head_temp": 0.6, "supply_voltage": 0.55, "heater_current": 0.2,
        "stored_offset": 0.6, "stored_slope": 0.5, "output_held": 0.35, "warming_up": 0.4, "fault": 0.5,
    }  # fmt: skip
    return tuple(name for name, p in chances.items() if draw.chance(p))


def _feeds(draw: Draw) -> tuple[str, ...]:
    if draw.chance(0.15):
        return ()
    chances = {"load": 0.85, "flue_temp": 0.75, "firing": 0.7}
    return tuple(name for name, p in chances.items() if draw.chance(p))


def _burst(draw: Draw, period_s: float, blow_every_h: float) -> float:
    if period_s <= 1.0 or draw.chance(0.12):
        return 0.0
    # Blown back all the time: an engineer would not let it poll at 1 s all day.
    return min(period_s, 5.0 if blow_every_h < 3.0 else draw.one(1.0, 1.0, 1.0, 2.0))


def made_observable(plan: ProbePlan, unit: UnitPlan, kind: str, draw: Draw) -> ProbePlan:
    """The same probe with the least it needs for the fault to show at all in its registers: nobody can find what no
    signal carries. What is changed is what an engineer would have seen to; everything else stays as drawn."""
    if kind in ("heater_open", "heater_duty_creep") and plan.heater_signal in ("energy", "rated_energy", "unknown"):
        # Watts are what is lost, whatever the resistance: only volts and amperes beside them would show it.
        if kind == "heater_duty_creep" and draw.chance(0.4):
            return replace(plan, signals=tuple(dict.fromkeys((*plan.signals, "supply_voltage", "heater_current"))))
        return replace(plan, heater_signal=draw.one("duty", "duty", "phase_angle", "counter"))
    if kind == "cell_offset_drift":
        # A held display without millivolts shows no check; on a short range air is off its end.
        needs_emf = plan.hold != "live" or plan.clamp[1] < 22.0
        signals = plan.signals
        if needs_emf and "cell_emf" not in signals:
            signals = (*signals, "cell_emf")
        if "cell_emf" not in signals and plan.calibrates and "stored_offset" not in signals:
            signals = (*signals, "stored_offset")
        return replace(plan, signals=signals, air_every_d=min(plan.air_every_d, 14.0 if plan.calibrates else 20.0))
    if kind == "slow_recovery":
        signals = plan.signals
        if plan.hold != "live" and "cell_emf" not in signals:
            signals = (*signals, "cell_emf")
        burst = plan.burst_s if 0.0 < plan.burst_s <= 2.0 or plan.period_s <= 2.0 else 1.0
        blow = plan.blow_every_h
        if plan.air_every_d > 7.0 and not blow < 24.0:
            blow = draw.wide(2.0, 24.0)
        # One of the two must take long enough, or show a flag long enough, for a poll to meet it.
        covers = plan.flag_covers_hold or plan.air_every_d <= 3.0
        hold_after = plan.hold_after_s if covers else max(plan.hold_after_s, plan.period_s)
        return replace(
            plan, signals=signals, burst_s=burst, blow_every_h=blow, flag_covers_hold=True, hold_after_s=hold_after
        )
    return plan


def rated(plan: ProbePlan, unit: UnitPlan, coldest_c: float) -> tuple[float, float, float]:
    """(heater resistance as new [ohm], loss to the flue [W/K], loss to the head [W/K])."""
    resistance = unit.nominal_v**2 / plan.full_w
    cold_loss = plan.cold_duty * plan.full_w * 0.81  # 0.9^2: EN 50160, IEC 60038
    head_c = coldest_c + plan.head_over_ambient
    to_flue = plan.flue_part * cold_loss / (plan.setpoint_c - coldest_c - 15.0)
    to_head = (1.0 - plan.flue_part) * cold_loss / (plan.setpoint_c - head_c)
    return resistance, to_flue, to_head
