"""The hot end of an invented probe: temperature of the cell, duty of its heater, temperature of its head."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from agent.simulate.boiler import Boiler, BoilerState
from agent.simulate.faults import ColdStart, Fault, HeaterAgeing, HeaterOpen
from agent.simulate.parameters import ProbeParameters
from agent.simulate.physics import Floats, cooling_c, full_power_w, gas_losses_w, head_losses_w

__all__ = ["HotEnd", "Warmth"]

COOLING_TAU_S: Final = 900.0  # of a hot end without heat: a quarter of an hour, common practice
FULL_POWER_C: Final = 1500.0  # where full power would take the cell in the end, if nothing stopped it
REACHED_WITHIN_C: Final = 3.0
FLAGGED_BELOW_C: Final = 30.0  # under set point the transmitter calls it a fault
CHECK_COOLS_K: Final = 0.4  # by the flow of air or test gas, before the controller has made up for it


class Warmth:
    """The cell's temperature at some instants, and what the controller makes of it."""

    __slots__ = ("cell_temp_c", "fault", "full_on", "warming")

    def __init__(self, cell_temp_c: Floats, full_on: NDArray[np.bool_], warming: NDArray[np.bool_], setpoint_c: float):
        self.cell_temp_c, self.full_on, self.warming = cell_temp_c, full_on, warming
        self.fault: NDArray[np.bool_] = ~warming & (cell_temp_c < setpoint_c - FLAGGED_BELOW_C)


class HotEnd:
    """A function of time, as everything in this plant: quasi-steady but for cooling down and warming up."""

    def __init__(self, boiler: Boiler, parameters: ProbeParameters, faults: Sequence[Fault]) -> None:
        self.boiler, self.parameters = boiler, parameters
        self.ageing = [fault for fault in faults if isinstance(fault, HeaterAgeing)]
        self.cold = [fault for fault in faults if isinstance(fault, HeaterOpen | ColdStart)]

    def warmth(self, time_s: Floats, state: BoilerState, cooled: Floats) -> Warmth:
        """Temperature under control, cooling or warming; `cooled` is 0..1, the share of a check's cooling."""
        par = self.parameters
        temp = par.setpoint_c + par.temp_noise_k * self.boiler.tables.quick_at(time_s, par.noise_offset + 4_242)
        temp = temp - CHECK_COOLS_K * cooled
        full_on = np.zeros(time_s.shape, dtype=np.bool_)
        warming = np.zeros(time_s.shape, dtype=np.bool_)
        for fault in self.cold:
            if time_s.size == 0 or time_s[-1] < fault.onset_s:
                continue
            unheated = (time_s >= fault.onset_s) & (time_s < fault.until_s)
            falling = cooling_c(
                time_s - fault.onset_s, from_c=par.setpoint_c, to_c=state.flue_temp_c, tau_s=COOLING_TAU_S
            )
            temp = np.where(unheated, falling, temp)
            full_on |= unheated & isinstance(fault, HeaterOpen)
            if time_s[-1] < fault.until_s:
                continue
            then = np.array([fault.until_s])
            cold_c = cooling_c(
                then - fault.onset_s, from_c=par.setpoint_c, to_c=self.boiler.at(then).flue_temp_c, tau_s=COOLING_TAU_S
            )
            rising = cooling_c(time_s - fault.until_s, from_c=cold_c, to_c=FULL_POWER_C, tau_s=COOLING_TAU_S)
            heating = (time_s >= fault.until_s) & (rising < par.setpoint_c - REACHED_WITHIN_C)
            temp = np.where(heating, rising, temp)
            warming |= heating
        return Warmth(temp, full_on | warming, warming, par.setpoint_c)

    def head_c(self, time_s: Floats, state: BoilerState) -> Floats:
        """Temperature at the head: over the air around it by what comes along the probe and from the duct's wall."""
        par = self.parameters
        wander = self.boiler.tables.hour_at(time_s, par.noise_offset + 3_001)
        return state.ambient_c + par.head_over_ambient_c + 0.06 * state.load_pct + 0.8 * wander

    def duty(self, time_s: Floats, state: BoilerState, volts_frac: Floats, head_c: Floats) -> Floats:
        """Duty that holds the set point: losses over the power of the heater when on; may pass 1."""
        par = self.parameters
        losses = gas_losses_w(
            par.setpoint_c,
            state.flue_temp_c,
            state.load_pct,
            still_w_per_k=par.still_w_per_k,
            moving_w_per_k=par.moving_w_per_k,
        ) + head_losses_w(par.setpoint_c, head_c, w_per_k=par.stem_w_per_k)
        resistance: Floats = np.full_like(time_s, par.resistance_ohm)
        for fault in self.ageing:
            resistance = resistance * fault.demand_factor(time_s)
        return losses / full_power_w(par.nominal_v * volts_frac, resistance)

    def mean_duty(self, time_s: Floats) -> Floats:
        """Duty over minutes [0..1], without the controller's noise: what a running counter sums."""
        state = self.boiler.at(time_s)
        group, offset = self.parameters.supply_group, self.parameters.supply_offset
        volts = self.boiler.supply_frac(time_s, group, offset)
        found = np.clip(self.duty(time_s, state, volts, self.head_c(time_s, state)), 0.0, 1.0)
        if self.cold:
            found = np.where(self.warmth(time_s, state, np.zeros_like(time_s)).full_on, 1.0, found)
            for fault in self.cold:
                if isinstance(fault, ColdStart):  # no power at all
                    found = np.where((time_s >= fault.onset_s) & (time_s < fault.until_s), 0.0, found)
        return found
