"""Heater duty from whatever a transmitter tells: its output, an on-time counter, metered energy, or a sampled relay.

Direct outputs give a duty a sample. Counters give it over the interval since the last sample, a relay only as the share
of samples that found it on: those are averaged over windows (`WINDOW_S`) before anything slow looks at them.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from agent.config.model import Conventions, Probe
from agent.reconstruct.carry import storable, unstorable
from detectors.probe.heater import phase_angle_to_power_frac
from detectors.stretch import Floats, Stretch

__all__ = ["WINDOW_S", "DutySource", "Heater", "HeaterTrack", "duty_source"]

_SLACK: Final = 1.05  # a counter may seem this much faster than time: its clock and ours are not one
_COUNTER_TICK_S: Final = 1.0  # resolution of an on-time counter, common practice
_MOST_V: Final = 10_000.0  # no heater is fed with more
_ON_A: Final = 0.05  # A; below this the heater was off when sampled, and V/I says nothing


class DutySource(StrEnum):
    """Which signal tells the duty."""

    OUTPUT = "output"
    ON_TIME = "on_time"
    RELAY = "relay"
    ENERGY = "energy"  # metered, with volts and amperes beside it: demand over an hour, no duty of a sample
    NONE = "none"


WINDOW_S: Final = {
    DutySource.OUTPUT: 60.0,
    DutySource.ON_TIME: 600.0,  # 1 s of a counter is 0.2 % of this
    DutySource.RELAY: 7200.0,  # a hundred samples, a minute apart, make a share good to five per cent
    DutySource.ENERGY: 3600.0,  # 1 Wh of a counter is 1 % of an hour at 100 W
    DutySource.NONE: 60.0,
}


def duty_source(mapped: frozenset[str], conventions: Conventions) -> DutySource:
    """The best of the mapped signals. Output of unknown meaning is none: a phase angle is not a duty."""
    if "heater_output" in mapped and conventions.heater_output != "unknown":
        return DutySource.OUTPUT
    if "heater_on_time" in mapped:
        return DutySource.ON_TIME
    if "heater_on" in mapped:
        return DutySource.RELAY
    if mapped.issuperset(("heater_energy", "supply_voltage", "heater_current")):
        return DutySource.ENERGY
    return DutySource.NONE


@dataclass(frozen=True, slots=True)
class HeaterTrack:
    """Shapes (n,), NaN = unknown. `duty` 0..1, `demand` = duty x (V/Vnominal)^2, W, ohm."""

    duty: Floats
    demand: Floats
    watts: Floats
    resistance_ohm: Floats


class Heater:
    """Carries counters of one probe's heater through its stretches."""

    def __init__(
        self,
        probe: Probe,
        conventions: Conventions,
        mapped: frozenset[str],
        wraps: dict[str, float | None],
        state: dict[str, Any] | None = None,
    ) -> None:
        self._probe, self._conventions, self._wraps = probe, conventions, wraps
        self.source = duty_source(mapped, conventions)
        self.has_voltage = "supply_voltage" in mapped
        self._last: dict[str, tuple[float, float]] = {}  # counter -> (time_s, value)
        self._ohm = np.nan  # the last known; the heater is off in most samples
        self.resets = 0
        if state is not None:
            self._last = {name: (unstorable(t), unstorable(v)) for name, (t, v) in state["last"].items()}
            self._ohm = float(unstorable(state.get("ohm", storable(np.nan))))

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {
            "last": {name: [storable(t), storable(v)] for name, (t, v) in self._last.items()},
            "ohm": storable(self._ohm),
        }

    def run(self, stretch: Stretch) -> HeaterTrack:
        """Duty, demand, watts and resistance of every sample."""
        duty = self._duty(stretch)
        watts = resistance = np.full(len(stretch), np.nan)
        if self.has_voltage:
            voltage = _known_within(stretch.get("supply_voltage"), 0.0, _MOST_V)
        if "heater_energy" in stretch.signals:
            watts = 3600.0 * self._rate(stretch, "heater_energy", per_s_max=np.inf)
        if self.has_voltage and "heater_current" in stretch.signals:
            current = stretch.signals["heater_current"]
            known = np.where((current > _ON_A) & (current < np.inf), current, np.nan)
            resistance = voltage / known
            if "heater_energy" not in stretch.signals:
                watts = voltage * np.where((current >= 0.0) & (current < np.inf), current, np.nan) * duty
        if self.source is DutySource.ENERGY:
            demand = self._demand_of_power(watts, resistance)
        else:
            demand = duty * (voltage / self._probe.nominal_voltage) ** 2 if self.has_voltage else duty
        return HeaterTrack(duty, demand, watts, resistance)

    def _duty(self, stretch: Stretch) -> Floats:
        if self.source is DutySource.OUTPUT:
            share = _known_within(stretch.get("heater_output") / 100.0, 0.0, 1.0)
            return phase_angle_to_power_frac(share) if self._conventions.heater_output == "phase_angle" else share
        if self.source is DutySource.ON_TIME:
            return np.minimum(self._rate(stretch, "heater_on_time", per_s_max=1.0), 1.0)
        if self.source is DutySource.RELAY:
            return _known_within(stretch.get("heater_on"), 0.0, 1.0)
        return np.full(len(stretch), np.nan)

    def _demand_of_power(self, watts: Floats, ohm: Floats) -> Floats:
        """Power is duty x V^2 / R, so demand is power x R / Vnominal^2; right as a mean: energy comes in ticks."""
        if ohm.size == 0:
            return ohm
        last = np.maximum.accumulate(np.where(np.isnan(ohm), -1, np.arange(ohm.size)))
        ohm = np.where(last >= 0, ohm[last], self._ohm)
        self._ohm = float(ohm[-1])
        return watts * ohm / self._probe.nominal_voltage**2

    def _rate(self, stretch: Stretch, name: str, *, per_s_max: float) -> Floats:
        """A counter's increase per second since its last known value; NaN after a reset or where it cannot be."""
        value, time_s = stretch.get(name), stretch.time_s
        known = ~np.isnan(value)
        whole = np.count_nonzero(known) == known.size
        t, v = (time_s, value) if whole else (time_s[known], value[known])
        if t.size == 0:
            return np.full(len(stretch), np.nan)
        last_t, last_v = self._last.get(name, (np.nan, np.nan))
        dt = _steps(t, last_t)
        step = _steps(v, last_v)
        allowed = per_s_max * dt * _SLACK + _COUNTER_TICK_S
        wraps_at = self._wraps.get(name)
        down = step < 0
        if np.count_nonzero(down):
            if wraps_at is not None:
                # Around the end of the counter, if so small an increase explains it; everything else down is a reset.
                wrapped = down & (step + wraps_at <= np.where(np.isfinite(allowed), allowed, 0.5 * wraps_at))
                step = np.where(wrapped, step + wraps_at, step)
                down &= ~wrapped
            self.resets += int(np.count_nonzero(down))
        good = (step <= allowed) & (dt > 0)
        good &= ~down
        with np.errstate(divide="ignore", invalid="ignore"):
            of_known = step / dt
        if np.count_nonzero(good) < good.size:
            of_known[~good] = np.nan
        self._last[name] = (t.item(-1), v.item(-1))
        if whole:
            return of_known
        rate = np.full(len(stretch), np.nan)
        rate[known] = of_known
        return rate


def _steps(values: Floats, before: float) -> Floats:
    """Each value minus the one before it."""
    steps = np.empty(values.size)
    steps[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


def _known_within(values: Floats, low: float, high: float) -> Floats:
    """The values, NaN where they are out of these bounds."""
    sound = (values >= low) & (values <= high)
    return values if np.count_nonzero(sound) == values.size else np.where(sound, values, np.nan)
