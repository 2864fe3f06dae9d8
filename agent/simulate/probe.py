"""One invented probe and its transmitter: every signal as a function of time.

Nothing is stepped: history asks for a season at once, live for now, and both get the same plant.
"""

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from agent.simulate.boiler import Boiler, BoilerState
from agent.simulate.counter import RunningCounter
from agent.simulate.episodes import Episode, GasAtCell, Kind
from agent.simulate.faults import (
    CalibrationJump,
    ColdStart,
    Fault,
    FilterClosing,
    OffsetDrift,
    OffsetRunaway,
    Silent,
)
from agent.simulate.hot_end import HotEnd, Warmth
from agent.simulate.parameters import ProbeParameters
from agent.simulate.physics import AIR_O2, Floats, damp_air_o2, diffusion_tau_s, o2_from_emf, zirconia_emf_mv

__all__ = ["ProbeModel"]

REFERENCE_HUMIDITY_PCT: Final = 55.0
AT_GAS_C: Final = 350.0  # flue at which the parameter tau_s holds
DRAUGHT: Final = -0.0025  # flue under atmosphere, as a share of it: 0.25 kPa, common practice
COLD_CELL_C: Final = 600.0  # below it zirconia hardly conducts and a transmitter shows no oxygen, common practice
LEANEST_O2: Final = 1e-4  # mole fraction: no fuel-rich gas in this plant


class ProbeModel:
    """A probe as a function of time.

    Parameters
    ----------
    episodes : in order, not overlapping
    scatter : float array (n,)
        One standard normal number an episode, for its time constant.
    counts_from_s : float or None
        When the running counter was at zero; None where the transmitter has none.
    """

    def __init__(
        self,
        boiler: Boiler,
        parameters: ProbeParameters,
        episodes: Sequence[Episode],
        scatter: Floats,
        *,
        faults: Sequence[Fault] = (),
        jumps: Sequence[CalibrationJump] = (),
        counts_from_s: float | None = None,
    ) -> None:
        self.boiler, self.parameters = boiler, parameters
        self.episodes, self.scatter, self.counts_from_s = tuple(episodes), scatter, counts_from_s
        self.faults, self.jumps = tuple(faults), tuple(jumps)
        self.hot_end = HotEnd(boiler, parameters, faults)
        self._starts: Floats = np.array([episode.start_s for episode in episodes])
        self._ends: Floats = np.array([episode.end_s for episode in episodes])
        recovery_tau_s = self.tau_s(self._ends) * np.exp(parameters.tau_scatter * scatter)
        self.gas = GasAtCell(episodes, recovery_tau_s, self._process, parameters.damping_s)
        self._o2_before = self._o2_pct(self._starts - 1.0) if parameters.holds_o2 else np.empty(0)
        self._counter = None if counts_from_s is None else RunningCounter(self.hot_end.mean_duty, counts_from_s)

    def with_faults(self, faults: Sequence[Fault]) -> "ProbeModel":
        """The same probe with these faults and no others: the same as before until the first one that is new."""
        return ProbeModel(
            self.boiler,
            self.parameters,
            self.episodes,
            self.scatter,
            faults=faults,
            jumps=self.jumps,
            counts_from_s=self.counts_from_s,
        )

    def tau_s(self, time_s: Floats) -> Floats:
        """Time constant of the exchange through the filter, without the scatter of single episodes [s]."""
        par, state = self.parameters, self.boiler.at(time_s)
        by_flow = (np.maximum(state.load_pct, 20.0) / 100.0) ** par.tau_per_load
        clean = diffusion_tau_s(par.tau_s, state.flue_temp_c, at_temp_c=AT_GAS_C) * by_flow
        return clean * self._filter_factor(time_s)

    def answers(self, time_s: Floats) -> NDArray[np.bool_]:
        """Whether the transmitter answers at all."""
        silent = np.zeros(time_s.shape, dtype=np.bool_)
        for fault in self.faults:
            if isinstance(fault, Silent | ColdStart):
                silent |= (time_s >= fault.onset_s) & (time_s < fault.until_s)
        return ~silent

    def at(self, time_s: Floats, wanted: Collection[str]) -> dict[str, Floats]:
        """The signals asked for that a probe has, shape of `time_s` (rising), before a register rounds them."""
        par, boiler = self.parameters, self.boiler
        state = boiler.at(time_s)
        segment = self.gas.segment(time_s)
        warmth = self.hot_end.warmth(time_s, state, self.gas.cooled(time_s, segment))
        found = self._cell(time_s, state, segment, warmth, wanted)
        volts_frac = boiler.supply_frac(time_s, par.supply_group, par.supply_offset)
        head_c = self.hot_end.head_c(time_s, state)
        duty = self.hot_end.duty(time_s, state, volts_frac, head_c)
        duty = duty + par.duty_noise * boiler.tables.quick_at(time_s, par.noise_offset + 17)
        duty = np.where(warmth.full_on, 1.0, np.clip(duty, 0.0, 1.0))
        found["heater_output"] = 100.0 * duty
        if "heater_on" in wanted:
            in_cycle_s = (time_s + par.noise_offset) % par.relay_cycle_s
            found["heater_on"] = (in_cycle_s < duty * par.relay_cycle_s).astype(np.float64)
        if self._counter is not None and "heater_on_time" in wanted:
            found["heater_on_time"] = self._counter.at(time_s)
        found["cell_temp"], found["head_temp"] = warmth.cell_temp_c, head_c
        found["cell_temp_setpoint"] = np.full_like(time_s, par.setpoint_c)
        found["supply_voltage"] = par.nominal_v * volts_frac
        found["stored_offset"] = self._stored_offset_mv(time_s)
        found["stored_slope"] = np.full_like(time_s, 100.0 * par.stored_slope)
        found["warming_up"] = warmth.warming.astype(np.float64)
        found["fault"] = warmth.fault.astype(np.float64)
        for name, kind in _FLAG_OF.items():
            if name in wanted:
                found[name] = self.gas.running(time_s, segment, kind)
        return {name: found[name] for name in wanted if name in found}

    def _cell(
        self,
        time_s: Floats,
        state: BoilerState,
        segment: NDArray[np.int64],
        warmth: Warmth,
        wanted: Collection[str],
    ) -> dict[str, Floats]:
        """The cell's mV, and what the transmitter shows of it."""
        par = self.parameters
        found: dict[str, Floats] = {}
        at_cell, displayed = self.gas.at(time_s, segment, self._process(time_s))
        if "cell_emf" in wanted or par.damping_s <= 0:
            found["cell_emf"] = self._emf_mv(time_s, state, segment, warmth.cell_temp_c, at_cell)
        if "o2" in wanted:
            emf_mv = found.get("cell_emf")
            if par.damping_s > 0 or emf_mv is None:
                quieter = 1.0 / np.sqrt(1.0 + 2.0 * par.damping_s)  # a first-order filter on white noise of 1 s
                emf_mv = self._emf_mv(time_s, state, segment, warmth.cell_temp_c, displayed, noise=quieter)
            found["o2"] = self._shown_o2_pct(time_s, warmth.cell_temp_c, emf_mv)
        if par.holds_o2:
            episode, held = self._held(time_s)
            found["output_held"] = held.astype(np.float64)
            if "o2" in found and held.any():
                found["o2"] = np.where(held, self._o2_before[episode], found["o2"])
        return found

    def _o2_pct(self, time_s: Floats) -> Floats:
        """Displayed oxygen, nothing held."""
        state, segment = self.boiler.at(time_s), self.gas.segment(time_s)
        warmth = self.hot_end.warmth(time_s, state, np.zeros_like(time_s))
        _, displayed = self.gas.at(time_s, segment, self._process(time_s))
        emf_mv = self._emf_mv(time_s, state, segment, warmth.cell_temp_c, displayed)
        return self._shown_o2_pct(time_s, warmth.cell_temp_c, emf_mv)

    def _held(self, time_s: Floats) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Which episode came last, and whether the output is held for it."""
        episode = np.asarray(np.searchsorted(self._starts, time_s, side="right") - 1)
        if not self.episodes:
            return episode, np.zeros(time_s.shape, dtype=np.bool_)
        return episode, (episode >= 0) & (time_s < self._ends[episode] + self.parameters.hold_after_s)

    def _process(self, time_s: Floats) -> Floats:
        """Oxygen in the duct as the filter passes it on: late by its time constant [mole fraction]."""
        par = self.parameters
        late_s = time_s - par.tau_s * self._filter_factor(time_s)
        o2_pct = self.boiler.o2_pct(
            late_s, self.boiler.at(late_s), bias=par.o2_bias_pct, own_sd=par.o2_own_sd_pct, offset=par.noise_offset
        )
        return 0.01 * o2_pct

    def _filter_factor(self, time_s: Floats) -> Floats:
        factor = np.ones_like(time_s)
        for fault in self.faults:
            if isinstance(fault, FilterClosing):
                factor = factor * fault.tau_factor(time_s)
        return factor

    def _offset_mv(self, time_s: Floats) -> Floats:
        par = self.parameters
        wander = self.boiler.tables.six_hours_at(time_s, par.noise_offset + 977)
        found = par.cell_offset_mv + par.offset_scatter_mv * wander
        for fault in self.faults:
            if isinstance(fault, OffsetDrift | OffsetRunaway):
                found = found + fault.offset_mv(time_s)
        return found

    def _stored_offset_mv(self, time_s: Floats) -> Floats:
        found = np.full_like(time_s, self.parameters.stored_offset_mv)
        for jump in self.jumps:  # in order of time
            found = np.where(time_s >= jump.at_s, jump.to_offset_mv, found)
        return found

    def _emf_mv(
        self,
        time_s: Floats,
        state: BoilerState,
        segment: NDArray[np.int64],
        temp_c: Floats,
        o2_frac: Floats,
        *,
        noise: float = 1.0,
    ) -> Floats:
        par = self.parameters
        reference: Floats | float = AIR_O2
        if par.reference_is_damp:
            reference = damp_air_o2(state.ambient_c, REFERENCE_HUMIDITY_PCT)
        over = np.where(
            np.isnan(self.gas.target[segment]), DRAUGHT, par.check_overpressure * self._filter_factor(time_s)
        )
        emf_mv = zirconia_emf_mv(
            np.maximum(o2_frac, LEANEST_O2),
            temp_c,
            o2_reference=reference,
            overpressure=over,
            slope=par.cell_slope,
            offset_mv=self._offset_mv(time_s),
        )
        return emf_mv + noise * par.emf_noise_mv * self.boiler.tables.white_at(time_s, par.noise_offset)

    def _shown_o2_pct(self, time_s: Floats, temp_c: Floats, emf_mv: Floats) -> Floats:
        """What the display says: within its range, and nothing while the cell is too cold to conduct."""
        par, offset_mv = self.parameters, self._stored_offset_mv(time_s)
        shown = 100.0 * o2_from_emf(emf_mv, temp_c, stored_slope=par.stored_slope, stored_offset_mv=offset_mv)
        if par.o2_clamp_pct is not None:
            shown = np.clip(shown, *par.o2_clamp_pct)
        return np.where(temp_c < COLD_CELL_C, np.nan, shown)


_FLAG_OF: Final = {
    "air_check_active": Kind.AIR_CHECK,
    "blowback_active": Kind.BLOWBACK,
    "test_gas_active": Kind.TEST_GAS,
}
