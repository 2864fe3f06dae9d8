"""The heater on a grid of seconds: steady control from the heat balance, warm-up and cooling step by step."""

from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.history import History
from tests.benchmarks.evaluation.physics import Floats, ar1, lag
from tests.benchmarks.evaluation.probe_plan import ProbePlan
from tests.benchmarks.evaluation.unit import Unit

__all__ = ["Heater", "HeaterBlock"]


@dataclass(slots=True, kw_only=True)
class HeaterBlock:
    """Arrays on the block's own grid."""

    temp_c: Floats  # as the thermocouple has it
    output: Floats  # what the controller asks, 0..1
    power_on: np.ndarray  # whether volts reach the controller
    volts: Floats
    resistance_ohm: Floats  # inf: open
    warming: np.ndarray


@dataclass(slots=True, kw_only=True)
class Heater:
    """One heater; blocks in time order."""

    plan: ProbePlan
    unit: Unit
    history: History
    draw: Draw
    off: tuple[tuple[float, float], ...]  # spans without power at the heater
    open_from_s: float  # inf: never
    starts_cold: bool
    _moving: bool = field(init=False, default=False)  # not at its set point: stepped
    _temp_c: float = field(init=False, default=0.0)
    _wound: float = field(init=False, default=0.0)  # integral part of the output
    _on_for_s: float = field(init=False, default=0.0)
    _first: bool = field(init=False, default=True)

    def block(self, g: Floats) -> HeaterBlock:
        """The heater over the times of one block."""
        h, step = self.history, float(g[1] - g[0])
        rng = self.draw.rng
        volts = np.interp(g, h.time_s, self.unit.volts)
        volts = volts * (1.0 + ar1(rng, g.size, self.unit.plan.v_fast, 60.0 / step))
        on = np.ones(g.size, np.bool_)
        for low, high in self.off:
            if low < g[-1] and high > g[0]:
                on &= ~((g >= low) & (g < high))
        whole = g < self.open_from_s
        factor = np.interp(g, h.time_s, h.r_factor)
        resistance = np.where(whole, h.resistance_ohm * factor, np.inf)
        # The loop answers the supply within minutes; what is faster than that it does not see.
        demand = np.interp(g, h.time_s, h.demand_nominal) * (self.unit.plan.nominal_v / lag(volts, 150.0 / step)) ** 2
        demand = lag(demand, 100.0 / step)
        output, temp = self._steady(g, step, demand)
        warming = np.zeros(g.size, np.bool_)
        if self._first:
            self._first = False
            if self.starts_cold or not on[0]:
                self._moving, self._temp_c = True, float(np.interp(g[0], h.time_s, self.unit.flue_c))
        upset = ~(on & whole)
        i = 0
        while i < g.size:
            if not self._moving:
                rest = np.flatnonzero(upset[i:])
                if not rest.size:
                    break
                i += int(rest[0])
                self._moving, self._temp_c, self._on_for_s = True, float(temp[max(i - 1, 0)]), 0.0
                self._wound = float(demand[i])
            i = self._stepped(i, g, step, volts, resistance, upset, on, temp, output, warming)
        return HeaterBlock(
            temp_c=temp, output=output, power_on=on, volts=volts, resistance_ohm=resistance, warming=warming
        )

    def _steady(self, g: Floats, step: float, demand: Floats) -> tuple[Floats, Floats]:
        plan, rng = self.plan, self.draw.rng
        noise = ar1(rng, g.size, 1.0, plan.temp_tau_s / step)
        temp = plan.setpoint_c + plan.temp_sd * noise
        output = demand * (1.0 - plan.duty_sd * 0.6 * noise + 0.8 * plan.duty_sd * rng.standard_normal(g.size))
        if plan.control == "thermostat":
            phase = (g / (plan.cycle_s + 15.0)) % 1.0
            temp = temp + max(plan.temp_sd, 0.5) * (np.abs(2.0 * phase - 1.0) * 2.0 - 1.0)
        short = lag((demand - 1.0).clip(0.0), plan.heat_j_per_k / self._per_k() / step)
        temp = temp - short * self.history.resistance_ohm**-1 * self.unit.plan.nominal_v**2 / self._per_k()
        return np.clip(output, 0.0, 1.0), temp

    def _per_k(self) -> float:
        return self.history.to_flue * (1.0 + 0.7 * self.plan.load_gain) + self.history.to_head

    def _stepped(
        self, i: int, g: Floats, step: float, volts: Floats, resistance: Floats, upset: np.ndarray, on: np.ndarray,
        temp: Floats, output: Floats, warming: np.ndarray,
    ) -> int:  # fmt: skip
        """Heat balance by explicit steps of the grid, from `i` until the set point has held or the block is over."""
        plan, h, unit = self.plan, self.history, self.unit
        flue = np.interp(g[i:], h.time_s, unit.flue_c).tolist()
        head = np.interp(g[i:], h.time_s, h.head_c).tolist()
        load = np.interp(g[i:], h.time_s, unit.load).tolist()
        noise = np.exp(np.interp(g[i:], h.time_s, h.loss_log)).tolist()
        watts = (volts[i:] ** 2 / resistance[i:]).tolist()
        bad, powered = upset[i:].tolist(), on[i:].tolist()
        wanted, error = plan.setpoint_c, plan.thermocouple_error_c
        t, wound, calm = self._temp_c, self._wound, self._on_for_s
        gain, reset_s = 0.02, 400.0  # full output at 50 K below; both usual for such a loop
        temps, outputs, warms = [], [], []
        n = 0
        for f, hd, ld, ns, w, b, p in zip(flue, head, load, noise, watts, bad, powered, strict=True):
            miss = wanted - t
            out = min(max(gain * miss + wound, 0.0), 1.0) if p else 0.0
            if p and 0.0 < out < 1.0:
                wound = min(max(wound + gain * miss * step / reset_s, 0.0), 1.0)
            real = t + error
            lost = (h.to_flue * (1.0 + plan.load_gain * ld / 100.0) * (real - f) + h.to_head * (real - hd)) * ns
            t += step * (out * w - lost) / plan.heat_j_per_k
            temps.append(t)
            outputs.append(out)
            warms.append(p and miss > 15.0)
            n += 1
            calm = 0.0 if b or abs(miss) > 1.5 else calm + step
            if calm > 900.0:
                self._moving = False
                break
        temp[i : i + n] = np.array(temps) + (temp[i : i + n] - wanted)  # the steady noise stays on top
        output[i : i + n] = outputs
        warming[i : i + n] = warms
        self._temp_c, self._wound, self._on_for_s = t, wound, calm
        return i + n
