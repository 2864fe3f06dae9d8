"""Comparator: the fixed thresholds that plants set on raw signals today. Levels are common practice, from memory.

| rule | level | tells |
| --- | --- | --- |
| heater output high | hourly mean over 80 % in two hours on end, cell above 650 degC | heater |
| cell temperature low | 30 K under its set point for 10 min, hot before, heater asked for, no warm-up | heater |
| cell mV in air | beyond 5 mV at the end of a check | cell |
| stored offset | beyond 5 mV | cell |
| slow return | over 120 s to 90 % of the way back, in two of the last three checks | filter |
| no answer | no valid value for 10 min | line |

An alert that has ended is told again only after seven quiet days (slow ones) or one quiet hour, as Flueward does it.
"""

from dataclasses import dataclass, field

import numpy as np

from detectors.stretch import Stretch
from tests.benchmarks.scoring.raw_days import DAY_S, OWN, RawDays
from tests.benchmarks.scoring.records import Raised

__all__ = ["FixedThresholds"]

DUTY_HIGH = 0.80
HOT_C = 650.0
COLD_K = 30.0
COLD_S = 600.0
AIR_MV = 5.0
RETURN_S = 120.0
SILENT_S = 600.0
QUIET_S = {"slow": 7 * DAY_S, "fast": 3600.0}


@dataclass(slots=True)
class FixedThresholds:
    """The rules on one probe."""

    probe: str
    raised: list[Raised] = field(default_factory=list)
    _last_s: dict[str, float] = field(default_factory=dict)  # rule -> last instant at which it held
    _checks: int = 0
    _hours: int = 0
    _returns: list[float] = field(default_factory=list)
    _cold_from_s: float | None = None
    _was_hot: bool = False
    _valid_s: float | None = None
    _row_s: float | None = None

    def feed(self, stretch: Stretch, raw: RawDays) -> None:
        """Take rows that `raw` has taken."""
        self._silence(stretch)
        self._cold(stretch)
        stored = stretch.get("stored_offset")
        beyond = np.flatnonzero(np.abs(stored) > AIR_MV)
        if beyond.size:
            self._holds("stored offset", "cell_offset_drift", "cell", float(stretch.time_s[beyond[0]]), "slow")
            self._last_s["stored offset"] = float(stretch.time_s[beyond[-1]])
        done = len(raw.hours) - 1  # the last hour may go on
        for i in range(max(1, self._hours), done):
            (a, duty_a, cold_a), (b, duty_b, cold_b) = raw.hours[i - 1 : i + 1]
            if b - a < 3601.0 and min(duty_a, duty_b) > DUTY_HIGH and min(cold_a, cold_b) > HOT_C:
                self._holds("heater output high", "heater_duty_creep", "heater", b + 3600.0, "slow")
        self._hours = max(self._hours, done)
        for check in raw.checks[self._checks :]:
            if abs(check.air_mv) > AIR_MV:
                self._holds("cell mV in air", "cell_offset_drift", "cell", check.end_s, "slow")
            if np.isfinite(check.return_s):
                self._returns = [*self._returns, check.return_s][-3:]
                if sum(one > RETURN_S for one in self._returns) >= 2:
                    self._holds("slow return", "slow_recovery", "filter", check.end_s + check.return_s, "slow")
        self._checks = len(raw.checks)

    def _holds(self, rule: str, symptom: str, part: str, at_s: float, speed: str) -> None:
        before = self._last_s.get(rule, -np.inf)
        if at_s - before > QUIET_S[speed]:
            self.raised.append(Raised(self.probe, symptom, at_s, part, rule))
        self._last_s[rule] = max(before, at_s)

    def _silence(self, stretch: Stretch) -> None:
        known = ~np.all([np.isnan(stretch.get(name)) for name in OWN], axis=0)
        silent_from = self._valid_s
        for t, is_known in zip(*_changes(stretch.time_s, known), strict=True):
            if self._row_s is not None and t - self._row_s > SILENT_S and silent_from is not None:
                silent_from = None if is_known else t  # the recorder's own hole
            if silent_from is not None and t - silent_from > SILENT_S:
                self._holds("no answer", "no_communication", "line", silent_from + SILENT_S, "fast")
                self._last_s["no answer"] = t
            if is_known:
                silent_from = t
            self._row_s = t
        self._valid_s = silent_from

    def _cold(self, stretch: Stretch) -> None:
        temp, asked = stretch.get("cell_temp"), stretch.get("heater_output")
        point = stretch.get("cell_temp_setpoint")
        point = np.where(np.isfinite(point), point, 700.0)
        cold = temp < point - COLD_K
        cold &= ~(asked < 5.0) & ~(stretch.get("warming_up") > 0.5)
        near = temp >= point - COLD_K
        off = asked < 5.0
        for t, state in zip(*_changes(stretch.time_s, np.select([near, off, cold], [1, 2, 3], 0)), strict=True):
            if state == 1:
                self._was_hot, self._cold_from_s = True, None
            elif state == 2:
                self._was_hot, self._cold_from_s = False, None
            elif state == 3 and self._was_hot:
                self._cold_from_s = t if self._cold_from_s is None else self._cold_from_s
                if t - self._cold_from_s > COLD_S:
                    self._holds("cell temperature low", "heater_open", "heater", t, "fast")


def _changes(time_s, code):
    """Rows at which `code` changes, the row before each, the first and the last, and one at least every 5 minutes."""
    n = time_s.size
    step = np.flatnonzero(np.diff(code.astype(int)) != 0)
    hole = np.flatnonzero(np.diff(time_s) > 240.0)
    grid = np.searchsorted(time_s, np.arange(time_s[0], time_s[-1], 240.0))
    rows = np.unique(np.concatenate([[0, n - 1], step, step + 1, hole, hole + 1, np.minimum(grid, n - 1)]))
    return time_s[rows].tolist(), code[rows].tolist()
