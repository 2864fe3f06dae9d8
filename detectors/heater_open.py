"""A heater that is asked for everything and gives nothing: full duty, and the temperature on its cooling curve.

A body without heating approaches its surroundings with one dominant time constant (Newton's law of cooling), so the
temperature falls at (T_cell - T_flue) / tau. With 180 K between cell and flue and the slowest usual probe, tau one hour
(common practice: 10 to 60 min), that is 0.05 K/s; a hotter difference or a lighter probe is faster. A heater at its
ceiling that is merely too weak falls by a small part of that and flattens out; a cold start rises.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.finding import Finding, Report, Watch
from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, between
from detectors.stretch import Floats

__all__ = ["HeaterOpen", "HeaterOpenSettings", "HeaterOpenState"]

SYMPTOM = "heater_open"
VERSION = 1
THIRDS = 3  # the window is judged by the medians of its thirds, which one bad sample or a register's steps cannot turn
FEW = 9  # samples of a window, three a third, below which no lone one can be told from the rest


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterOpenSettings:
    """What counts as full duty, as too cold and as cooling, and for how long."""

    full_duty_frac: float = 0.95
    below_setpoint_k: float = 10.0
    window_s: float = 120.0
    min_fall_k_per_s: float = 0.05  # (180 K to the flue) / (one hour), see above
    max_gap_s: float = 300.0  # a longer hole ends the run of full duty

    def __post_init__(self) -> None:
        between("full_duty_frac", self.full_duty_frac, 0.0, 1.0)
        at_least("below_setpoint_k", self.below_setpoint_k, 0.0)
        above("window_s", self.window_s, 0.0)
        above("min_fall_k_per_s", self.min_fall_k_per_s, 0.0)
        above("max_gap_s", self.max_gap_s, 0.0)


@dataclass(slots=True, kw_only=True)
class HeaterOpenState:
    """All that must survive a restart: the samples of the last window, and what was found."""

    time_s: list[float] = field(default_factory=list)
    duty: list[float] = field(default_factory=list)
    cell_temp_c: list[float] = field(default_factory=list)
    below_k: list[float] = field(default_factory=list)
    run_from_s: float | None = None  # since when full duty has stood below the set point
    setpoint_c: float | None = None  # the last one known
    seen_s: float | None = None  # time of the latest sample
    active: bool = False
    since_s: float | None = None
    fall_k_per_s: float | None = None  # at the time of the finding
    from_c: float | None = None  # where the fall that was found began

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {"version": VERSION, **asdict(self)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "HeaterOpenState":
        """The state back; ValueError for another version."""
        check_version(saved, SYMPTOM, VERSION)
        return cls(**{key: value for key, value in saved.items() if key != "version"})


class HeaterOpen:
    """Full duty, more than 10 K under the set point and falling like a body that cools, for two minutes on end.

    Judged at every sample over the window that ends there: all its samples at full duty and below, spanning
    `window_s` (or three samples where polls are slower), the medians of its thirds falling at `min_fall_k_per_s`
    overall and each to the next by half of that at least. It ends when two samples in a row are not at full duty or
    near the set point, or when the same window rises as it fell and is above where the fall began: a dead heater's
    cell follows its flue, up with the next charge of a batch as well, but only heat of its own brings it back. Findings
    are made at the changes; between them the last one holds, so a cell that lies flat at its flue is still open.
    """

    def __init__(self, settings: HeaterOpenSettings | None = None, state: HeaterOpenState | None = None) -> None:
        self.settings = HeaterOpenSettings() if settings is None else settings
        self.state = HeaterOpenState() if state is None else state

    def update(
        self, time_s: ArrayLike, duty: ArrayLike, cell_temp_c: ArrayLike, setpoint_c: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,), time rising. A sample with anything missing is passed over.

        A missing set point is the last one known.
        """
        given = tuple(np.asarray(x, dtype=np.float64).ravel() for x in (time_s, duty, cell_temp_c, setpoint_c))
        if self._nothing_happens(*given):  # as nearly always
            return []
        rows = self._new_rows(*given)
        if rows.shape[1] == 0:
            return []
        if not self.state.active and not np.count_nonzero(self._cold(rows)):
            self._keep(rows[:, -1:], None)
            return []
        carried = len(self.state.time_s)
        if carried:
            kept = np.array([self.state.time_s, self.state.duty, self.state.cell_temp_c, self.state.below_k])
            rows = np.concatenate([kept, rows], axis=1)
        at_s, cold = rows[0], self._cold(rows)
        run_from_s = self._runs(at_s, cold)
        found = self._judge(rows, cold, run_from_s, carried)
        # A window never reaches behind its run: of what is not cold the last sample is enough.
        warm = np.flatnonzero(~cold)
        start = max(self._window_start(at_s, at_s.size - 1), int(warm[-1]) if warm.size else 0)
        self._keep(rows[:, start:], float(run_from_s[-1]) if cold[-1] else None)
        return found

    def _nothing_happens(self, at_s: Floats, share: Floats, temp_c: Floats, setpoint: Floats) -> bool:
        """Whether no new sample is cold at full duty and the last tells all: then it is kept, and no more to do."""
        state, settings = self.state, self.settings
        if state.active or at_s.size == 0:
            return False
        full = share >= settings.full_duty_frac
        if np.count_nonzero(full) and np.count_nonzero(full & ~(setpoint - temp_c <= settings.below_setpoint_k)):
            return False
        last = (at_s.item(-1), share.item(-1), temp_c.item(-1), setpoint.item(-1))
        if not all(isfinite(one) for one in last) or (state.seen_s is not None and not at_s.item(0) > state.seen_s):
            return False
        if np.count_nonzero(at_s[1:] > at_s[:-1]) < at_s.size - 1 or not at_s.item(0) > -np.inf:
            return False
        below_k = last[3] - last[2]
        if not isfinite(below_k):
            return False
        state.time_s, state.duty, state.cell_temp_c, state.below_k = [last[0]], [last[1]], [last[2]], [below_k]
        state.seen_s, state.setpoint_c, state.run_from_s = last[0], last[3], None
        return True

    def _cold(self, rows: Floats) -> NDArray[np.bool_]:
        """Full duty and below the set point."""
        full: NDArray[np.bool_] = rows[1] >= self.settings.full_duty_frac
        return full & (rows[3] > self.settings.below_setpoint_k) if np.count_nonzero(full) else full

    def _keep(self, rows: Floats, run_from_s: float | None) -> None:
        state = self.state
        state.time_s, state.duty, state.cell_temp_c, state.below_k = rows.tolist()
        state.run_from_s = run_from_s

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        if self.state.active:
            return Report(watch=Watch.FINDING)
        if self.state.seen_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell temperature, set point and heater duty together")
        return Report(watch=Watch.WATCHING)

    def _new_rows(self, at_s: Floats, share: Floats, temp_c: Floats, setpoint: Floats) -> Floats:
        """Rows time, duty, temperature, K below the set point of the complete samples, in order and once each."""
        sound = np.isfinite(at_s)
        if np.count_nonzero(sound) < sound.size or np.count_nonzero(at_s[1:] > at_s[:-1]) < at_s.size - 1:
            index = np.flatnonzero(sound)[np.unique(at_s[sound], return_index=True)[1]]
            at_s, share, temp_c, setpoint = at_s[index], share[index], temp_c[index], setpoint[index]
        known = np.isfinite(setpoint)
        if np.count_nonzero(known) < known.size:
            last = np.maximum.accumulate(np.where(known, np.arange(known.size), -1))
            before = np.nan if self.state.setpoint_c is None else self.state.setpoint_c
            setpoint = np.where(last >= 0, setpoint[last], before)
        if setpoint.size and np.isfinite(setpoint[-1]):
            self.state.setpoint_c = float(setpoint[-1])
        rows = np.array([at_s, share, temp_c, setpoint - temp_c])
        complete = np.isfinite(share) & np.isfinite(rows[3])
        if self.state.seen_s is not None and at_s.size and not at_s[0] > self.state.seen_s:
            complete &= at_s > self.state.seen_s
        if np.count_nonzero(complete) < complete.size:
            rows = rows[:, complete]
        if rows.shape[1]:
            self.state.seen_s = float(rows[0, -1])
        return rows

    def _runs(self, at_s: Floats, cold: NDArray[np.bool_]) -> Floats:
        """When the unbroken run of full duty below the set point began, for each sample of one."""
        begins = np.ones(cold.size, dtype=bool)
        begins[1:] = ~cold[:-1] | (np.diff(at_s) > self.settings.max_gap_s)
        last_begin = np.maximum.accumulate(np.where(begins, np.arange(cold.size), 0))
        run_from_s: Floats = at_s[last_begin]
        if self.state.run_from_s is not None and self.state.time_s:
            # The carried samples may have lost the head of their run; whatever still hangs together with them has not.
            breaks = np.flatnonzero(begins[len(self.state.time_s) :])
            end = len(self.state.time_s) + int(breaks[0]) if breaks.size else cold.size
            tail = (at_s < self.state.run_from_s) | (np.arange(cold.size) >= end)
            run_from_s = np.where(tail, run_from_s, self.state.run_from_s)
        return run_from_s

    def _window_start(self, at_s: Floats, i: int) -> int:
        """Where the window that ends at sample i starts: the last sample that makes it long enough."""
        start = int(np.searchsorted(at_s, at_s[i] - self.settings.window_s, side="right")) - 1
        return max(0, min(start, i - THIRDS + 1))

    def _judge(self, rows: Floats, cold: NDArray[np.bool_], run_from_s: Floats, first_new: int) -> list[Finding]:
        at_s, temp_c = rows[0], rows[2]
        n, state, settings = at_s.size, self.state, self.settings
        index = np.arange(n)
        starts = np.searchsorted(at_s, at_s - settings.window_s, side="right") - 1
        starts = np.maximum(0, np.minimum(starts, index - THIRDS + 1))
        whole = cold & (at_s[starts] >= run_from_s) & (at_s - at_s[starts] >= settings.window_s) & (index >= first_new)
        # Cheap first look, so that the medians are taken only where something moves.
        steep = 0.5 * settings.min_fall_k_per_s * (at_s - at_s[starts])
        moving = whole & (np.abs(temp_c - temp_c[starts]) >= steep)
        warm = ~cold
        warm[1:] &= ~cold[:-1]
        warm[0] = False
        warm &= index >= first_new
        found: list[Finding] = []
        for i in np.flatnonzero(moving | warm).tolist():
            if state.active and warm[i]:
                state.active = False
            elif moving[i] and state.active == (temp_c[i] > temp_c[starts[i]]):
                fall = self._fall(at_s[starts[i] : i + 1], temp_c[starts[i] : i + 1])
                if not state.active and fall >= settings.min_fall_k_per_s:
                    state.active, state.since_s, state.fall_k_per_s = True, float(run_from_s[i]), fall
                    state.from_c = float(temp_c[starts[i]])
                elif state.active and fall <= -settings.min_fall_k_per_s and self._above_start(temp_c[i]):
                    state.active = False
                else:
                    continue
            else:
                continue
            found.append(self._finding(rows[:, i]))
        return found

    def _above_start(self, temp_c: float) -> bool:
        return self.state.from_c is None or temp_c > self.state.from_c

    def _fall(self, at_s: Floats, temp_c: Floats) -> float:
        """The fall of a window in K/s, 0 unless each third is below the one before (negative: above it)."""
        edges = at_s[-1] - (at_s[-1] - at_s[0]) * np.array([2.0, 1.0]) / THIRDS
        first, second = np.searchsorted(at_s, edges, side="left").tolist()
        parts = (slice(0, first), slice(first, second), slice(second, None))
        if not 0 < first < second:
            return 0.0
        levels = np.array([np.median(temp_c[part]) for part in parts])
        middles = np.array([np.median(at_s[part]) for part in parts])
        rates = -np.diff(levels) / np.diff(middles)
        overall = float((levels[0] - levels[-1]) / (middles[-1] - middles[0]))
        together = np.sign(overall) * rates >= 0.5 * self.settings.min_fall_k_per_s
        if not bool(together.all()):
            return 0.0
        # A jump is no curve: without its largest step most of the fall must still be there. A lone wild sample is
        # smoothed away first, where there are samples enough.
        smooth = temp_c
        if temp_c.size >= FEW:
            triples = np.sort(np.stack([temp_c[:-2], temp_c[1:-1], temp_c[2:]]), axis=0)
            smooth = triples[1]
        falls = np.sign(overall) * -np.diff(smooth)
        rest = float(np.sum(falls) - np.max(falls))
        return overall if rest >= 0.4 * self.settings.min_fall_k_per_s * float(at_s[-1] - at_s[0]) else 0.0

    def _finding(self, row: Floats) -> Finding:
        state = self.state
        fall = state.fall_k_per_s
        return Finding(
            symptom=SYMPTOM,
            at_s=float(row[0]),
            active=state.active,
            value=fall,
            unit="K/s",
            limit=self.settings.min_fall_k_per_s,
            since_s=state.since_s,
            facts={
                "duty_frac": float(row[1]),
                "cell_temp_c": float(row[2]),
                "below_setpoint_k": float(row[3]),
                "fall_k_per_s": 0.0 if fall is None else fall,
            },
        )
