"""The unit that all probes look into: load, fire, flue gas, weather and the supply of the heaters."""

from dataclasses import dataclass

import numpy as np

from agent.simulate.faults import DAY_S, Decoy, LoadRegime, Shutdown, SupplySag, inside
from agent.simulate.noise import NoiseTables
from agent.simulate.physics import Floats

__all__ = ["Boiler", "BoilerState"]

WEEK_S = 7 * DAY_S
YEAR_S = 365.25 * DAY_S
HOUR_S = 3600.0
AIR_PCT = 20.9  # in a duct with the fans on and no fire
WARMEST_DAY = 200.0  # of the year, northern temperate climate


def _week() -> tuple[Floats, Floats]:
    """Load over a week from Monday 0:00: days at 85 %, nights at 60 %, the weekend lower; ramps of 40 minutes."""
    at_h: list[float] = []
    load: list[float] = []
    for day in range(7):
        night, high = (60.0, 85.0) if day < 5 else (52.0, 68.0)
        for hour, level in ((0.0, night), (6.0, night), (6.67, high), (21.5, high), (22.17, night)):
            at_h.append(24.0 * day + hour)
            load.append(level)
    return np.array([*at_h, 168.0]) * HOUR_S, np.array([*load, load[0]])


WEEK_AT_S, WEEK_LOAD_PCT = _week()


@dataclass(frozen=True, slots=True, kw_only=True)
class BoilerState:
    """The unit at some instants, arrays of one shape."""

    load_pct: Floats
    firing: Floats  # 0/1
    fire: Floats  # 1 with fire, 0 without, with ramps: what the gas knows of it
    flue_temp_c: Floats
    ambient_c: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Boiler:
    """A function of time. `week_from_s` is any Monday 0:00 of the plant's own clock, in UTC seconds since 1970."""

    tables: NoiseTables
    week_from_s: float
    offset: int  # where this plant reads the noise tables
    decoys: tuple[Decoy, ...] = ()
    flue_at_zero_c: float = 175.0
    flue_per_load_c: float = 2.2
    mean_ambient_c: float = 12.0

    def at(self, time_s: Floats) -> BoilerState:
        """The unit at `time_s` [UTC seconds since 1970]. Load is kept within 25..105 %."""
        load = np.interp((time_s - self.week_from_s) % WEEK_S, WEEK_AT_S, WEEK_LOAD_PCT)
        load = load + 1.6 * self.tables.hour_at(time_s, self.offset + 7_001)
        fire = np.ones_like(time_s)
        firing = np.ones_like(time_s)
        for decoy in self.decoys:
            if isinstance(decoy, LoadRegime):
                load = load + decoy.by_pct * inside(time_s, decoy.from_s, decoy.to_s, 2 * HOUR_S)
            elif isinstance(decoy, Shutdown):
                fire = fire * (1.0 - inside(time_s, decoy.from_s, decoy.to_s, 300.0))
                firing = np.where((time_s >= decoy.from_s) & (time_s < decoy.to_s - 300.0), 0.0, firing)
        load = np.clip(load, 25.0, 105.0)
        warm = self._warm(time_s)
        ambient = self._ambient_c(time_s)
        flue = self.flue_at_zero_c + self.flue_per_load_c * load + 3.0 * self.tables.hour_at(time_s, self.offset + 211)
        return BoilerState(
            load_pct=load * fire,
            firing=firing,
            fire=fire,
            flue_temp_c=ambient + 45.0 + (flue - ambient - 45.0) * warm,
            ambient_c=ambient,
        )

    def o2_pct(self, time_s: Floats, state: BoilerState, *, bias: float, own_sd: float, offset: int) -> Floats:
        """Oxygen in the gas of one duct [% vol, wet]: falls with load, wanders with the unit and on its own.

        Two autoregressions, about 1 h and 6 h, since flue-gas oxygen has a short memory and a tail; 0.4..25 %.
        """
        level = 6.2 - 0.036 * state.load_pct + bias
        wander = 0.24 * self.tables.six_hours_at(time_s, self.offset) + own_sd * self.tables.hour_at(time_s, offset)
        quick = 0.02 * self.tables.quick_at(time_s, offset)
        gas = np.clip(level + wander + quick, 0.4, AIR_PCT)
        return AIR_PCT + (gas - AIR_PCT) * state.fire

    def supply_frac(self, time_s: Floats, group: str, offset: int) -> Floats:
        """Supply of a group of heaters over its nominal voltage: a daily pattern, a slow wander, sags."""
        daily = 0.010 * np.cos((time_s - self.week_from_s) * (2 * np.pi / DAY_S))  # less is drawn at night
        found = 1.0 + daily + 0.006 * self.tables.six_hours_at(time_s, offset)
        found = found + 0.002 * self.tables.quick_at(time_s, offset)
        for decoy in self.decoys:
            if isinstance(decoy, SupplySag) and decoy.group == group:
                found = found - decoy.by_frac * inside(time_s, decoy.from_s, decoy.to_s, HOUR_S)
        return found

    def _ambient_c(self, time_s: Floats) -> Floats:
        season = np.cos((time_s / YEAR_S - WARMEST_DAY / 365.25) * (2 * np.pi))
        day = np.cos((time_s - self.week_from_s - 15 * HOUR_S) * (2 * np.pi / DAY_S))  # warmest at three
        weather = self.tables.six_hours_at(time_s, self.offset + 31_337)
        return self.mean_ambient_c + 8.0 * season + 4.0 * day + 1.5 * weather

    def _warm(self, time_s: Floats) -> Floats:
        """How much of its heat the flue still has: gone some hours after the fire, back some hours after light-off."""
        warm = np.ones_like(time_s)
        for decoy in self.decoys:
            if isinstance(decoy, Shutdown):
                warm = warm * (1.0 - inside(time_s, decoy.from_s, decoy.to_s + 2 * HOUR_S, 5 * HOUR_S))
        return warm
