"""The heater as its slow detector sees it: minutes of a stable probe in service, each with a duty that is good enough.

A sampled relay is a binomial sample and may alias with the poll. Its share counts only where the samples are as good as
independent: their own lag-1 correlation tells how many they are worth, and a relay that never changed while the cell
sat at its set point was sampled in step with its cycle.

An output that is only ever (nearly) 0 or (nearly) 100 is a relay by another name, and is taken for one until it has
shown something between in five per cent of the samples of two steady hours.
"""

from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.heater import WINDOW_S, DutySource, HeaterTrack
from agent.reconstruct.windows import Closed, WindowMeans
from detectors.heater_days import HeaterMinutes
from detectors.stretch import Floats, Stretch

__all__ = ["HeaterMinutesMaker"]

_COLUMNS: Final = ("duty", "demand", "watts", "resistance", "load", "flue_temp", "head_temp", "lagged", "between")
_DUTY_U_MAX: Final = 0.06  # standard uncertainty of a window's duty beyond which it is missing
_USABLE_SHARE: Final = 0.5
_MINUTE_S: Final = 60.0
_ENDS: Final = (0.02, 0.98)
_BETWEEN_SHARE: Final = 0.05


class HeaterMinutesMaker:
    """Carries the open window of one probe's heater."""

    def __init__(self, source: DutySource, has_voltage: bool, state: dict[str, Any] | None = None) -> None:
        self._source, self._has_voltage = source, has_voltage
        nothing = np.zeros(0)
        self._none = HeaterMinutes(
            time_s=nothing,
            demand=nothing,
            duty=nothing,
            watts=nothing,
            resistance_ohm=nothing,
            usable=np.zeros(0, np.bool_),
            load_pct=nothing,
            flue_temp_c=nothing,
            head_temp_c=nothing,
            has_voltage=has_voltage,
        )
        saved: dict[str, Any] = {} if state is None else state
        self._relay = bool(saved.get("relay", source in (DutySource.RELAY, DutySource.OUTPUT)))
        self._windows = WindowMeans(self._window_s, _COLUMNS, saved.get("windows"))
        self._last_on = float(unstorable(saved.get("last_on"))) if saved else np.nan
        self.aliased = bool(saved.get("aliased", False))

    @property
    def _window_s(self) -> float:
        return WINDOW_S[DutySource.RELAY if self._relay else self._source]

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        return {
            "relay": self._relay,
            "windows": self._windows.to_dict(),
            "last_on": storable(self._last_on),
            "aliased": self.aliased,
        }

    def add(self, stretch: Stretch, heater: HeaterTrack, usable: NDArray[np.bool_]) -> HeaterMinutes:
        """Take samples; return the minutes of the windows that they closed."""
        if len(stretch) == 0:
            return self._none
        columns = {"duty": heater.duty, "demand": heater.demand}
        if "heater_current" in stretch.signals or "heater_energy" in stretch.signals:  # else nobody can tell them
            columns |= {"watts": heater.watts, "resistance": heater.resistance_ohm}
        for name in ("load", "flue_temp", "head_temp"):
            if name in stretch.signals:
                columns[name] = stretch.signals[name]
        if not self._relay:
            return self._minutes(self._windows.add(stretch.time_s, columns, usable))
        relayed = dict(columns)
        relayed["lagged"] = heater.duty * np.concatenate(([self._last_on], heater.duty[:-1]))
        self._last_on = float(heater.duty[-1])
        if self._source is DutySource.OUTPUT:
            between = (heater.duty > _ENDS[0]) & (heater.duty < _ENDS[1])
            relayed["between"] = np.where(np.isnan(heater.duty), np.nan, between)
        closed = self._windows.add(stretch.time_s, relayed, usable)
        steady_s = self._steady_from(closed)
        if steady_s is None:
            return self._minutes(closed)
        # A true output from here on: what comes after is averaged over its own windows.
        before = closed.start_s < steady_s - 1.5 * self._window_s
        early = self._minutes(
            Closed(closed.start_s[before], closed.mean[before], closed.count[before], closed.usable[before])
        )
        self._as_output()
        rows = slice(int(stretch.time_s.searchsorted(steady_s)), None)
        rest = {name: column[rows] for name, column in columns.items()}
        return _joined(early, self._minutes(self._windows.add(stretch.time_s[rows], rest, usable[rows])))

    def advance(self, now_s: float) -> HeaterMinutes:
        """The minutes of a window that ended with time."""
        closed = self._windows.advance(now_s)
        if self._steady_from(closed) is not None:
            self._as_output()
            return self._none
        return self._minutes(closed)

    def _steady_from(self, closed: Closed) -> float | None:
        """The end of the first of these windows that shows an output between its ends; it is itself given up."""
        if not self._relay or self._source is not DutySource.OUTPUT or closed.start_s.size == 0:
            return None
        shown = (closed.usable >= _USABLE_SHARE) & (closed.mean[:, _COLUMNS.index("between")] >= _BETWEEN_SHARE)
        return float(closed.start_s[int(np.argmax(shown))]) + self._window_s if np.count_nonzero(shown) else None

    def _as_output(self) -> None:
        self._relay, self.aliased, self._last_on = False, False, np.nan
        self._windows = WindowMeans(self._window_s, _COLUMNS)

    def _minutes(self, closed: Closed) -> HeaterMinutes:
        if closed.start_s.size == 0:
            return self._none
        mean = dict(zip(_COLUMNS, closed.mean.T, strict=True))
        duty, demand = mean["duty"], mean["demand"]
        if self._source is DutySource.ENERGY:
            duty = demand  # at nominal voltage, which is what is known of it
        usable = (closed.usable >= _USABLE_SHARE) & ~np.isnan(demand)
        if self._relay:
            good = self._relay_good(duty, mean["lagged"], closed.count[:, 0])
            self.aliased = bool(usable[-1] and not good[-1])
            usable &= good
        repeat = int(self._windows.window_s / _MINUTE_S)

        def spread(column: Floats) -> Floats:
            return np.repeat(column, repeat)

        starts = spread(closed.start_s) + np.tile(np.arange(repeat) * _MINUTE_S, closed.start_s.size)
        return HeaterMinutes(
            time_s=starts,
            demand=spread(demand),
            duty=spread(duty),
            watts=spread(mean["watts"]),
            resistance_ohm=spread(mean["resistance"]),
            usable=np.repeat(usable, repeat),
            load_pct=spread(mean["load"]),
            flue_temp_c=spread(mean["flue_temp"]),
            head_temp_c=spread(mean["head_temp"]),
            has_voltage=self._has_voltage,
        )

    def _relay_good(self, share: Floats, lagged: Floats, count: Floats) -> NDArray[np.bool_]:
        spread = share * (1.0 - share)
        with np.errstate(divide="ignore", invalid="ignore"):
            lag1 = np.clip((lagged - share**2) / spread, -0.9, 0.999)
            worth = np.maximum(count * (1.0 - np.maximum(lag1, 0.0)) / (1.0 + np.maximum(lag1, 0.0)), 1.0)
            u = np.sqrt(spread / worth)
        return (spread > 0.0) & (u <= _DUTY_U_MAX)


def _joined(first: HeaterMinutes, then: HeaterMinutes) -> HeaterMinutes:
    """Minutes, one after the other."""
    arrays = {
        one.name: np.concatenate((getattr(first, one.name), getattr(then, one.name)))
        for one in fields(HeaterMinutes)
        if one.name != "has_voltage"
    }
    return HeaterMinutes(**arrays, has_voltage=first.has_voltage)
