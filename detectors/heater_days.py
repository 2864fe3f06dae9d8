"""From minutes of heater signals to one robust row a UTC day. Hours and days are fixed: no cut of the input shows."""

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detectors.saved_state import plain, unplain
from detectors.stats.robust import weighted_median
from detectors.stretch import Floats

__all__ = ["DayRow", "HeaterDays", "HeaterMinutes"]

DAY_S = 86400.0
HOUR_S = 3600.0
LATEST_S = 1e11  # the year 5138: a time beyond it is no time
ABSURD = 1e6  # no unit of a heater's minutes reaches it
MOST_DEMAND = 4.0  # full duty at twice the nominal voltage
COLUMNS = ("demand", "duty", "watts", "resistance_ohm", "load_pct", "flue_temp_c", "head_temp_c")
WIDTH = len(COLUMNS) + 2  # time first, voltage known last
DIGITS = 7  # significant ones kept of an hour's medians: far below any noise, and a state that stays small


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterMinutes:
    """Minutes of one probe's heater: arrays of shape (n,), time rising, NaN unknown."""

    time_s: Floats  # start of the UTC minute
    demand: Floats  # duty x (V / V nominal)^2
    duty: Floats  # 0..1
    watts: Floats
    resistance_ohm: Floats  # V / I
    usable: NDArray[np.bool_]  # in service and thermally stable
    load_pct: Floats
    flue_temp_c: Floats
    head_temp_c: Floats
    has_voltage: bool  # whether the supply's voltage is known; if not, duty stands for demand


@dataclass(frozen=True, slots=True, kw_only=True)
class DayRow:
    """One UTC day: medians over its usable minutes, NaN unknown."""

    day: int  # since 1970
    minutes: int  # that were usable and had a demand
    has_voltage: bool
    demand: float
    duty: float
    watts: float
    resistance_ohm: float
    load_pct: float
    flue_temp_c: float
    head_temp_c: float

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {key: plain(value) if isinstance(value, float) else value for key, value in asdict(self).items()}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "DayRow":
        """The row back."""
        values: dict[str, Any] = {key: unplain(value) if value is None else value for key, value in saved.items()}
        return cls(**values)


@dataclass(slots=True, kw_only=True)
class HeaterDays:
    """The open hour's minutes and the open day's hours; hands out days as they are complete."""

    hour: int | None = None  # since 1970, the open one
    minutes: list[Floats] = field(default_factory=list)  # of the open hour, blocks of time, columns, voltage known
    hours: list[list[float | None]] = field(default_factory=list)  # of the open day: minutes, columns, voltage known
    late: int = 0  # minutes that came after their hour was closed

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        rows = [_plain(row) for block in self.minutes for row in block]
        return {"hour": self.hour, "minutes": rows, "hours": [list(row) for row in self.hours], "late": self.late}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "HeaterDays":
        """The state back."""
        rows = np.array(saved["minutes"], dtype=np.float64)  # None becomes NaN
        return cls(
            hour=saved["hour"],
            minutes=[rows] if rows.size else [],
            hours=[list(row) for row in saved["hours"]],
            late=int(saved["late"]),
        )

    def update(self, block: HeaterMinutes) -> list[DayRow]:
        """Take minutes; returns the days that they complete."""
        if block.time_s.size == 0:
            return []
        rows = self._rows(block)
        if self.hour is not None:
            late = rows[:, 0] < self.hour * HOUR_S
            if np.count_nonzero(late):
                self.late += int(np.count_nonzero(late))
                rows = rows[~late]
        if rows.shape[0] == 0:
            return []
        last = int(rows[-1, 0] // HOUR_S)  # of the hours only this one stays open
        if self.hour is None:
            self.hour = int(rows[0, 0] // HOUR_S)
        seen_s, rows = rows[:, 0], rows[np.isfinite(rows[:, 1])]
        if self.hour == last:
            if rows.shape[0]:
                self.minutes.append(rows)
            return []
        done = int(np.searchsorted(rows[:, 0], last * HOUR_S, side="left"))
        days = self._close(last, np.concatenate([*self.minutes, rows[:done]]), seen_s)
        self.hour, self.minutes = last, [rows[done:]] if done < rows.shape[0] else []
        return days

    def advance(self, now_s: float, grace_s: float) -> list[DayRow]:
        """Time passes: the open day is complete once `now_s` is `grace_s` past its end."""
        if self.hour is None:
            return []
        day = self.hour * HOUR_S // DAY_S
        if not now_s >= (day + 1) * DAY_S + grace_s:
            return []
        last = int((day + 1) * DAY_S / HOUR_S)
        rows = np.concatenate(self.minutes) if self.minutes else np.zeros((0, WIDTH))
        days = self._close(last, rows, np.zeros(0))
        self.hour, self.minutes = last, []
        return days

    def _rows(self, block: HeaterMinutes) -> Floats:
        """Rows of the block in order, once each; what is not usable keeps its time only."""
        demand = block.demand if block.has_voltage else block.duty
        table = np.empty((WIDTH, block.time_s.size))
        table[0], table[-1] = block.time_s, float(block.has_voltage)
        table[1] = demand
        for at, name in enumerate(COLUMNS[1:], start=2):
            table[at] = getattr(block, name)
        values = table[1:]
        values[~(np.abs(values) < ABSURD)] = np.nan
        unusable = ~np.asarray(block.usable, dtype=bool) | ~((table[1] > 0.0) & (table[1] < MOST_DEMAND))
        if np.count_nonzero(unusable):
            values[:, unusable] = np.nan
        rows: Floats = table.T
        sound = np.abs(table[0]) < LATEST_S
        if np.count_nonzero(sound) < sound.size:
            rows = rows[sound]
        if np.count_nonzero(rows[1:, 0] > rows[:-1, 0]) < rows.shape[0] - 1:
            rows = rows[np.unique(rows[:, 0], return_index=True)[1]]
        return rows

    def _close(self, last: int, rows: Floats, seen_s: Floats) -> list[DayRow]:
        """Close the open hour and all up to `last`, which is not closed, with their minutes; returns complete days.

        `seen_s`: times of all minutes, usable or not. A day with none of use is a day all the same.
        """
        assert self.hour is not None
        day_of_last = int(last * HOUR_S // DAY_S)
        of_day = np.floor_divide(seen_s, DAY_S)  # rising
        turns = of_day[np.append(True, of_day[1:] != of_day[:-1])] if of_day.size else of_day
        seen = {int(self.hour * HOUR_S // DAY_S), *turns.astype(np.int64).tolist()}
        hours = deque(_hours(rows))
        days: list[DayRow] = []
        for day in sorted(seen):
            while hours and int(hours[0][0] * HOUR_S // DAY_S) == day:
                self.hours.append(hours.popleft()[1])
            if day != day_of_last:
                days.append(self._close_day(day))
        return days

    def _close_day(self, day: int) -> DayRow:
        hours = np.array(self.hours, dtype=np.float64).reshape(-1, len(COLUMNS) + 2)
        self.hours = []
        minutes = hours[:, 0]
        middle = {name: weighted_median(hours[:, j], minutes) for j, name in enumerate(COLUMNS, start=1)}
        known = float(minutes @ (hours[:, -1] >= 0.5)) if minutes.size else 0.0
        total = float(minutes.sum())
        return DayRow(day=day, minutes=int(total), has_voltage=2.0 * known > total, **middle)


def _hours(rows: Floats) -> Iterator[tuple[int, list[float | None]]]:
    """Each hour with usable minutes: how many they are, and the median of every column; a minute counts once."""
    if rows.shape[0] > 1 and np.count_nonzero(rows[1:, 0] > rows[:-1, 0]) < rows.shape[0] - 1:
        rows = rows[np.unique(rows[:, 0], return_index=True)[1]]
    if rows.shape[0] == 0:
        return
    hour = np.floor_divide(rows[:, 0], HOUR_S).astype(np.int64)
    heads = np.concatenate([[0], np.flatnonzero(hour[1:] != hour[:-1]) + 1])
    sizes = np.diff(np.append(heads, hour.size))
    # One table an hour, filled up with NaN; sorted, what is known comes first.
    which = np.repeat(np.arange(heads.size), sizes)
    table = np.full((heads.size, int(sizes.max()), WIDTH - 1), np.nan)
    table[which, np.arange(hour.size) - heads[which]] = rows[:, 1:]
    count = np.isfinite(table).sum(axis=1)
    table.sort(axis=1)
    at, column = np.arange(heads.size)[:, np.newaxis], np.arange(WIDTH - 1)
    low = table[at, np.maximum(0, (count - 1) // 2), column]
    high = table[at, np.minimum(count // 2, table.shape[1] - 1), column]
    middle = np.where(count > 0, 0.5 * (low + high), np.nan)
    for of_hour, size, row in zip(hour[heads].tolist(), sizes.tolist(), middle, strict=True):
        yield of_hour, [float(size), *_plain(row, DIGITS)]


def _plain(row: Floats, digits: int = 17) -> list[float | None]:
    """A row as JSON can hold it, to so many significant digits (17: all)."""
    return [float(f"{x:.{digits}g}") if x == x else None for x in row.tolist()]
