"""What the agent read from one transmitter, block by block: all truths put together and shown by registers."""

from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.gas import Behind, seen_behind
from tests.benchmarks.evaluation.heater import Heater, HeaterBlock
from tests.benchmarks.evaluation.history import History
from tests.benchmarks.evaluation.physics import Floats, ar1, emf_mv, o2_from_emf, phase_output
from tests.benchmarks.evaluation.polling import poll_times, seen_windows, within
from tests.benchmarks.evaluation.probe_plan import ProbePlan
from tests.benchmarks.evaluation.registers import Registers
from tests.benchmarks.evaluation.schedule import AIR_CHECK, BLOWBACK, TEST_GAS, Schedule
from tests.benchmarks.evaluation.unit import Unit

__all__ = ["ProbeRows"]

_FLAGS = {AIR_CHECK: "air_check_active", TEST_GAS: "test_gas_active", BLOWBACK: "blowback_active"}
_CONDUCTS_C = 480.0  # below about this a zirconia cell no longer follows the gas: common practice


@dataclass(slots=True, kw_only=True)
class ProbeRows:
    """One probe; `block` is called in time order."""

    plan: ProbePlan
    unit: Unit
    history: History
    schedule: Schedule
    heater: Heater
    own: Registers
    feed: Registers
    draw: Draw
    silent_from_s: float
    unlike: Floats | None  # % O2 against the twin, on the unit's grid
    slower_from_s: float  # from here polls come half as often
    tau_s: Floats = field(init=False)  # of each episode's return
    _x_last: float = field(init=False, default=np.nan)
    _count: float = field(init=False, default=0.0)
    _held: float = field(init=False, default=np.nan)

    def __post_init__(self) -> None:
        self.tau_s = true_taus(self.plan, self.history, self.schedule)
        self._count = self.draw.wide(10.0, 60000.0)

    def block(self, g: Floats, flue: Floats) -> tuple[Floats, dict[str, Floats]]:
        """Times and signals of one block, whose flue gas is `flue` at `g`."""
        plan, h = self.plan, self.history
        if self.unlike is not None:
            air = flue > 0.15
            flue = np.where(air, flue, np.clip(flue + np.interp(g, h.time_s, self.unlike) / 100.0, 0.002, 0.2))
        heat = self.heater.block(g)
        t = self._times(float(g[0]), float(g[-1]))
        # The display is also wanted where each hold begins.
        sch = self.schedule
        i, j = np.searchsorted(sch.start_s, [g[0], g[-1]])
        i = max(int(i) - 1, 0)  # also of one that began before the block
        marks = sch.start_s[i:j] - 1.0
        every = np.concatenate([t, marks])
        own_tau = float(np.interp(0.5 * (g[0] + g[-1]), h.time_s, h.tau_s))
        start = float(flue[0]) if np.isnan(self._x_last) else self._x_last
        behind = seen_behind(plan, sch, self.tau_s, own_tau, every, g, flue, start)
        self._x_last = behind.base_last
        temp, emf, o2 = self._cell(every, behind, g, heat)
        n = t.size
        if plan.hold_for_real and plan.hold != "live":
            o2[:n] = self._hold(t, o2[:n], o2[n:], behind, i)
        signals = self._shown(t, behind, n, g, heat, temp[:n], emf[:n], o2[:n])
        self._lose(t, signals)
        for low, high, wrong in sch.clock_steps:
            t = np.where((t >= low) & (t < high), t + wrong, t)
        keep = np.ones(n, np.bool_)
        for low, high in sch.gaps:
            keep &= ~((t >= low) & (t < high))
        return t[keep], {name: column[keep] for name, column in signals.items()}

    def _times(self, low: float, high: float) -> Floats:
        plan, sch = self.plan, self.schedule
        steady = poll_times(self.draw, low, high, plan.period_s, dithered=plan.dithered)
        if high > self.slower_from_s:
            steady = np.concatenate([steady[steady < self.slower_from_s], steady[steady >= self.slower_from_s][::2]])
        if low >= self.silent_from_s:
            return steady[:: max(1, round(60.0 / plan.period_s))]  # a unit that is dead is asked less often
        i, j = np.searchsorted(sch.start_s, [low, high])
        end = sch.end_s[i:j]
        if plan.flags == "none":
            sign = end + self.tau_s[i:j]  # as long as the gas has jumped by more than a few %
            last = end
        else:
            sign = end + (plan.hold_after_s if plan.flag_covers_hold else 0.0)
            last = sign
        bursts, stay, _ = seen_windows(steady, sch.start_s[i:j], sign, last, plan.burst_s, plan.period_s)
        t = np.concatenate([steady[stay], bursts])
        t.sort()
        t = t[(t >= low) & (t < high)]
        return np.asarray(t[np.diff(t, prepend=-np.inf) > 0.3])

    def _cell(self, t: Floats, behind: Behind, g: Floats, heat: HeaterBlock) -> tuple[Floats, Floats, Floats]:
        """Temperature as registered, emf and display (% O2, live) at `t`."""
        plan, h, sch = self.plan, self.history, self.schedule
        temp = np.interp(t, g, heat.temp_c)
        blown = (
            (behind.episode >= 0) & (sch.kind[behind.episode] == BLOWBACK) if sch.kind.size else np.zeros(t.size, bool)
        )
        s = np.where(blown, behind.since_start_s, 1e9)
        temp = temp - plan.blow_temp_dip * np.e * (s / 60.0) * np.exp(-np.minimum(s / 60.0, 50.0))
        real = temp + plan.thermocouple_error_c
        pressure = 1.0 + self.unit.plan.pressure_kpa / self.unit.plan.barometric_kpa
        damp = np.interp(t, h.time_s, h.damp_mv)
        bias = np.zeros(t.size)
        if sch.kind.size:
            back = -0.083 * (np.interp(t, h.time_s, h.tau_factor) - 1.0)  # 0.4 kPa for each tau more, as in checks
            checked = behind.gas * (plan.air_bias_mv + back + sch.scatter_mv[np.maximum(behind.episode, 0)])
            wet = -np.interp(t, h.time_s, h.air_damp_mv) if plan.check_air == "ambient" else 0.0
            bias = checked + behind.gas * wet
        ideal = plan.slope * emf_mv(behind.x, real, gas_over_ref_pressure=pressure)
        shown = plan.slope * emf_mv(behind.x_damped, real, gas_over_ref_pressure=pressure)
        extra = np.interp(t, h.time_s, h.offset_mv) + damp + bias
        noise = plan.emf_noise_mv * self.draw.rng.standard_normal(t.size)
        follows = 1.0 / (1.0 + np.exp(-(real - _CONDUCTS_C) / 20.0))
        wild = (1.0 - follows) * 8.0 * self.draw.rng.standard_normal(t.size)
        emf = (ideal + extra) * follows + noise + wild
        smooth = 1.0 / np.sqrt(1.0 + 2.0 * plan.o2_damping_s)  # white noise through a lag, sampled at 1 s
        o2 = 100.0 * o2_from_emf(
            (shown + extra) * follows + smooth * noise + wild, np.maximum(temp, 300.0),
            offset_mv=h.stored_at(t), slope=plan.slope * (1.0 + plan.slope_error),
        )  # fmt: skip
        if plan.dry:
            o2 = o2 / (1.0 - self.unit.plan.water * (o2 < 18.0))  # no water is taken off air
        if plan.off_shows == "missing":
            o2[temp < 600.0] = np.nan
        elif plan.off_shows == "high":
            o2[temp < 600.0] = plan.clamp[1]
        else:
            cold = temp < 600.0
            if cold.any():
                last = np.maximum.accumulate(np.where(cold, -1, np.arange(t.size)))
                o2[cold] = np.where(last[cold] >= 0, o2[np.maximum(last[cold], 0)], self._held)
            if not np.isnan(o2).all():
                self._held = float(o2[~np.isnan(o2)][-1])
        return temp, emf, np.clip(o2, *plan.clamp)

    def _hold(self, t: Floats, o2: Floats, at_start: Floats, behind: Behind, first: int) -> Floats:
        """The display stands still from the start of an episode until a while after its end."""
        n = t.size
        held = (behind.episode[:n] >= first) & (behind.since_end_s[:n] < self.plan.hold_after_s)
        which = behind.episode[:n] - first
        out = o2.copy()
        out[held] = at_start[which[held]]
        return out

    def _shown(
        self, t: Floats, behind: Behind, n: int, g: Floats, heat: HeaterBlock, temp: Floats, emf: Floats, o2: Floats
    ) -> dict[str, Floats]:
        plan, h, own = self.plan, self.history, self.own
        volts = np.interp(t, g, heat.volts)
        rng = self.draw.rng
        values: dict[str, Floats] = {"o2": o2, "cell_emf": emf, "cell_temp": temp}
        values["cell_temp_setpoint"] = np.full(n, plan.setpoint_c)
        values["head_temp"] = np.interp(t, h.time_s, h.head_c) + 0.1 * rng.standard_normal(n)
        values["supply_voltage"] = volts * (1.0 + plan.volt_meter_error)
        values["stored_offset"] = h.stored_at(t) * (-1.0 if plan.stored_as_correction else 1.0)
        values["stored_slope"] = np.full(n, 100.0 * plan.slope * (1.0 + plan.slope_error))
        self._heater(values, t, n, g, heat, behind)
        self._flags(values, t, behind, n, g, heat)
        signals = {name: own.shown(name, values[name]) for name in own.tables}
        for word in own.words.values():
            names = dict.fromkeys(flag for flags in word["values"].values() for flag in flags)
            signals |= {name: values[name] for name in names}
        # A transmitter on the same supply is off with its heater; a heater switched off by itself leaves it on.
        dead = within(t, *_columns(self.schedule.outages)) | (t >= self.silent_from_s)
        for name, column in signals.items():
            if name in values and dead.any():
                signals[name] = np.where(dead, np.nan, column)
        for name in self.feed.tables:
            asked = np.floor(t / plan.feed_period_s) * plan.feed_period_s
            truth = {"load": self.unit.load, "flue_temp": self.unit.flue_c}.get(name)
            if truth is None:
                k = np.clip(np.searchsorted(h.time_s, asked, side="right") - 1, 0, h.time_s.size - 1)
                signals[name] = self.unit.firing[k].astype(np.float64)
            else:
                signals[name] = self.feed.shown(name, np.interp(asked, h.time_s, truth))
        return signals

    def _heater(
        self, values: dict[str, Floats], t: Floats, n: int, g: Floats, heat: HeaterBlock, behind: Behind
    ) -> None:
        plan, h = self.plan, self.history
        share = np.interp(t, g, heat.output)
        if self.schedule.kind.size:  # air through the filter cools the cell: the loop answers
            s = np.where(self.schedule.kind[behind.episode[:n]] == BLOWBACK, behind.since_start_s[:n], 1e9)
            bump = 0.02 * plan.blow_temp_dip * (s / 60.0) * np.exp(-np.minimum(s / 60.0, 50.0))
            share = np.where(share > 0.0, np.clip(share + bump * (behind.episode[:n] >= 0), 0.0, 1.0), share)
        # A thermostat's cycle follows gas and weather, a controller's only its own clock.
        step, thermostat = float(g[1] - g[0]), plan.control == "thermostat"
        cycle = plan.cycle_s + 15.0 if thermostat else plan.cycle_s
        slip = ar1(self.draw.rng, g.size, 2.0 if thermostat else 0.2, (30.0 if thermostat else 1000.0) * cycle / step)
        on = ((t / cycle + np.interp(t, g, slip)) % 1.0 < share).astype(np.float64)
        asked = np.where((share > 0.0) & (share < 1.0), on, share) if thermostat else share
        if plan.heater_signal == "duty":
            values["heater_output"] = 100.0 * asked
        elif plan.heater_signal == "phase_angle":
            values["heater_output"] = 100.0 * phase_output(share)
        elif plan.heater_signal == "unknown":
            values["heater_output"] = 100.0 * (phase_output(share) if plan.unknown_is_angle else share)
        values["heater_on"] = on
        watts = heat.output * heat.volts**2 / heat.resistance_ohm * heat.power_on
        run = {
            "counter": heat.output * heat.power_on,
            "rated_energy": watts / plan.full_w,
            "energy": watts / 3600.0,
        }.get(plan.heater_signal)
        if run is not None:
            total = self._count + np.concatenate([[0.0], np.cumsum(0.5 * (run[1:] + run[:-1]) * step)])
            for _, back in self.schedule.outages if plan.counter_resets else ():
                if g[0] < back <= g[-1]:
                    again = g >= back
                    total[again] -= total[again][0]
            self._count = float(total[-1])
            name = "heater_energy" if plan.heater_signal == "energy" else "heater_on_time"
            unit = self.own.steps[name][1]
            values[name] = np.floor(np.interp(t, g, total) / unit) * unit
            if (wraps := self.own.tables[name].get("wraps_at")) is not None:
                values[name] %= wraps
        volts, ohm = np.interp(t, g, heat.volts), h.resistance_ohm * np.interp(t, h.time_s, h.r_factor)
        through = (t < self.heater.open_from_s) & (share > 0.0)
        values["heater_current"] = volts / ohm * (1.0 + plan.amp_meter_error) * through
        values["heater_current"] *= 1.0 + 0.003 * self.draw.rng.standard_normal(n)

    def _flags(
        self, values: dict[str, Floats], t: Floats, behind: Behind, n: int, g: Floats, heat: HeaterBlock
    ) -> None:
        plan, sch = self.plan, self.schedule
        after = plan.hold_after_s if plan.flag_covers_hold else 0.0
        current = (behind.episode[:n] >= 0) & (behind.since_end_s[:n] < after)
        kinds = sch.kind[behind.episode[:n]] if sch.kind.size else np.zeros(n, np.int8)
        for kind, name in _FLAGS.items():
            values[name] = (current & (kinds == kind)).astype(np.float64)
        held = (behind.episode[:n] >= 0) & (behind.since_end_s[:n] < plan.hold_after_s) & (plan.hold == "held")
        warming = np.interp(t, g, heat.warming.astype(np.float64)) > 0.5
        values["output_held"] = (held | warming).astype(np.float64)
        values["warming_up"] = (warming & ~current).astype(np.float64)
        values["fault"] = np.zeros(n)

    def _lose(self, t: Floats, signals: dict[str, Floats]) -> None:
        plan, rng = self.plan, self.draw.rng
        lost = rng.random(t.size) < plan.lost
        for name, column in signals.items():
            if name in self.feed.tables:
                continue
            column[lost] = np.nan
            if plan.missing > 0.0:
                column[rng.random(t.size) < plan.missing] = np.nan


def _columns(spans: tuple[tuple[float, float], ...]) -> tuple[Floats, Floats]:
    table = np.array(spans, np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def true_taus(plan: ProbePlan, history: History, schedule: Schedule) -> Floats:
    """The time constant of the return after each episode: filter, dust since the last blowback, scatter."""
    tau = np.interp(schedule.end_s, history.time_s, history.tau_s) * np.exp(schedule.tau_log)
    blows = schedule.of_kind(BLOWBACK)
    if not blows.size:
        return np.asarray(tau)
    era = np.searchsorted([e[0] for e in schedule.blow_eras], schedule.end_s, side="right") - 1
    every_d = np.array([e[1] for e in schedule.blow_eras])[np.maximum(era, 0)] / 24.0
    clean = np.array([e[2] for e in schedule.blow_eras])[np.maximum(era, 0)]
    rest = (1.0 - clean) / clean * plan.dust_a_day * every_d
    last = np.searchsorted(schedule.start_s[blows], schedule.end_s, side="right") - 1
    since_d = (schedule.end_s - schedule.end_s[blows[np.maximum(last, 0)]]).clip(0.0) / 86400.0
    return np.asarray(tau * (1.0 + rest + plan.dust_a_day * np.minimum(since_d, 3.0)))
