"""The displayed oxygen stands still while something else shows that it should not.

Sees a reading that repeats to the last digit for max(15 min, three times the longest run it had in health), in service
and not held. If a companion moves meanwhile (millivolts, temperatures, duty, load, a counter) the reading alone is
frozen; if everything that the same transmitter tells is flat too, counters included, the whole answer is `stale`: an
interface that repeats old registers. Nothing needs to be wired; without any companion only the report says so.

Why tied to the own longest run: real probes repeat as their resolution and process allow. In four years of river
sondes healthy oxygen repeats up to 5.75 h at a quarter of an hour's polls and pH, coarser, up to 12.75 h; true freezes
last 25 h and more [1]. Oxygen of a coal boiler at 0.003 % resolution repeats in 0.4 % of neighbours. Sample-and-hold
analysers repeat 50 to 80 % of all samples: their runs are learnt like any other. Learning takes 14 days in service and
200 changes; until then a run speaks from 16 h on, and a run so found is not learnt from. A run counts time in service
only, and at least 24 samples: healthy oxygen of those sondes, whose season outgrew its first fortnight, had 23.

False alerts: repeats come in runs with a tail that falls at least exponentially in time, so a year's longest run beats
a fortnight's by the factor 1 + ln(26) / ln(N) < 1.5 for N > 700 runs; three times it is e^-(2 ln N), under one in 1e5
years at N = 700. Autocorrelated steadiness (nights, weekends) is in the fortnight. Companions are watched over the last
two thirds of the limit and must change three times, so that one flicker is none. Cannot see a reading frozen at a value
that still flickers, nor one that is held by a flag (that is what the flag says). Minima: common practice.

[1] Logan River Observatory records in A. S. Jones et al., Environmental Modelling & Software 2022,
    doi 10.1016/j.envsoft.2022.105364.
"""

from dataclasses import dataclass, field
from math import isfinite
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.finding import Finding, Report, Watch
from detectors.held import RuleState
from detectors.samples import flags_of, later, steps_from
from detectors.settings_check import above, at_least, whole
from detectors.stretch import Floats

__all__ = ["ReadingFrozen", "ReadingFrozenSettings", "ReadingFrozenState"]

SYMPTOM = "reading_frozen"
OWN = ("cell_emf", "cell_temp", "head_temp", "heater_duty", "counter")  # of the transmitter itself
FOREIGN = ("flue_temp", "load")  # may come from elsewhere
WATCHED_FROM = 1.0 / 3.0  # of the limit: no healthy run gets there


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingFrozenSettings:
    """How long a reading may stand still."""

    least_s: float = 900.0
    times_longest: float = 3.0
    unlearnt_s: float = 57600.0
    learn_s: float = 14 * 86400.0  # in service
    learn_changes: int = 200
    least_samples: int = 24
    companion_changes: int = 3
    max_gap_s: float = 3600.0  # longer holes between samples in service are not counted

    def __post_init__(self) -> None:
        above("least_s", self.least_s, 0.0)
        at_least("times_longest", self.times_longest, 1.0)
        at_least("unlearnt_s", self.unlearnt_s, self.least_s)
        at_least("learn_s", self.learn_s, 0.0)
        whole("learn_changes", self.learn_changes, 1)
        whole("least_samples", self.least_samples, 2)
        whole("companion_changes", self.companion_changes, 1)
        above("max_gap_s", self.max_gap_s, 0.0)


@dataclass(slots=True, kw_only=True)
class ReadingFrozenState(RuleState):
    """All that must survive a restart. The service clock counts seconds in service."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    clock_s: float = 0.0
    live_s: float | None = None  # UTC of the latest sample in service
    value: float | None = None  # of the run going on
    since_s: float | None = None  # UTC of its first sample
    from_s: float = 0.0  # the same on the service clock
    count: int = 0
    changes: int = 0  # seen while learning
    longest_s: float = 0.0
    learnt: bool = False
    own_known: bool = False
    moves: dict[str, int] = field(default_factory=dict)  # changes of the companions while watched
    last: dict[str, float] = field(default_factory=dict)
    active: bool = False
    stale: bool = False


class ReadingFrozen:
    """Findings are made at the changes, `stale` included; between them the last one holds."""

    def __init__(self, settings: ReadingFrozenSettings | None = None, state: ReadingFrozenState | None = None) -> None:
        self.settings = ReadingFrozenSettings() if settings is None else settings
        self.state = ReadingFrozenState() if state is None else state

    @property
    def limit_s(self) -> float:
        """How long a run may be."""
        settings = self.settings
        learnt_s = max(settings.least_s, settings.times_longest * self.state.longest_s)
        return learnt_s if self.state.learnt else max(settings.unlearnt_s, learnt_s)

    def update(
        self,
        time_s: ArrayLike,
        o2_pct: ArrayLike,
        live: ArrayLike,
        cell_emf_mv: ArrayLike,
        cell_temp_c: ArrayLike,
        head_temp_c: ArrayLike,
        duty: ArrayLike,
        counter: ArrayLike,
        flue_temp_c: ArrayLike,
        load_pct: ArrayLike,
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); NaN for what is not known.

        `live`: in service, fired as far as that is known, display neither held nor clamped; other samples are passed
        over, as are those without oxygen. `counter`: any running counter of the transmitter.
        """
        state = self.state
        at_s, o2, is_live, *others = later(
            state.seen_s,
            time_s,
            o2_pct,
            live,
            cell_emf_mv,
            cell_temp_c,
            head_temp_c,
            duty,
            counter,
            flue_temp_c,
            load_pct,
        )
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        use = flags_of(is_live) & np.isfinite(o2)
        if np.count_nonzero(use) < use.size:
            at_s, o2, *others = (row[use] for row in (at_s, o2, *others))
            if at_s.size == 0:
                return []
        if not state.own_known:
            state.own_known = any(np.count_nonzero(np.isfinite(row)) for row in others[: len(OWN)])
        changed = np.empty(o2.size, np.bool_)
        changed[0] = o2[0] != state.value  # also where there is none yet
        changed[1:] = o2[1:] != o2[:-1]
        step_s = steps_from(float(at_s[0]) if state.live_s is None else state.live_s, at_s)
        step_s[step_s > self.settings.max_gap_s] = 0.0
        step_s[0] += state.clock_s  # the sums come out the same however the stream is cut
        clock_s = np.cumsum(step_s)
        state.live_s, state.clock_s = float(at_s[-1]), float(clock_s[-1])
        return self._runs(at_s, o2, clock_s, others, np.flatnonzero(changed))

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def renew(self) -> None:
        """The transmitter or its damping changed, and somebody recorded it: learn the new normal."""
        self.state = ReadingFrozenState(seen_s=self.state.seen_s)

    def report(self) -> Report:
        """What is known."""
        state, settings = self.state, self.settings
        if state.live_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="o2 of a probe in service")
        needs = "" if state.own_known else "another signal of the transmitter tells a frozen reading from steady gas"
        limit = f"speaks after {self.limit_s / 60.0:.0f} min"
        if state.learnt:
            learnt, quiet = f"stands still for {state.longest_s / 60.0:.1f} min at most; {limit}", Watch.WATCHING
        else:
            days = f"{state.clock_s / 86400.0:.1f} of {settings.learn_s / 86400.0:g} days in service"
            learnt, quiet = f"{days}, {state.changes} changes; {limit}", Watch.LEARNING
        return Report(watch=Watch.FINDING if state.active else quiet, learnt=learnt, needs=needs)

    def _runs(
        self, at_s: Floats, o2: Floats, clock_s: Floats, others: list[Floats], edges: NDArray[np.intp]
    ) -> list[Finding]:
        """Go through the runs of equal readings, skipping those that are too short to matter."""
        state = self.state
        starts = edges if edges.size and edges[0] == 0 else np.concatenate(([0], edges))
        ends = np.append(starts[1:], o2.size)
        last = starts.size - 1
        found: list[Finding] = []
        long: NDArray[np.intp] | None = None
        was_learnt = state.learnt
        k = 0
        while k <= last:
            start, end = int(starts[k]), int(ends[k])
            if k > 0 or (edges.size and edges[0] == 0):
                found += self._begin(float(at_s[start]), float(o2[start]), float(clock_s[start]))
            if clock_s[end - 1] - state.from_s >= WATCHED_FROM * self.limit_s:
                found += self._watch(at_s, clock_s, others, start, end)
            else:
                state.count += end - start
            k += 1
            if state.active or k >= last:
                continue
            if long is None or was_learnt != state.learnt:
                was_learnt = state.learnt  # the limit only grows while learning, and then stays
                least_s = WATCHED_FROM * (self.limit_s if was_learnt else self.settings.unlearnt_s)
                long = np.flatnonzero(clock_s[ends - 1] - clock_s[starts] >= least_s)
            ahead = long[np.searchsorted(long, k) :]
            to = min(int(ahead[0]) if ahead.size else last, self._learnt_at(clock_s[starts], k))
            if to > k:
                self._skip(at_s, o2, clock_s, starts[k:to])
                k = to
        return found

    def _begin(self, at_s: float, value: float, clock_s: float) -> list[Finding]:
        """The reading has changed: the run is over, and another begins."""
        state, settings = self.state, self.settings
        found = []
        if state.active:
            state.active = state.stale = False
            found.append(self._finding(at_s, clock_s))
        elif not state.learnt and state.value is not None:
            state.longest_s = max(state.longest_s, clock_s - state.from_s)
        if not state.learnt and state.value is not None:
            state.changes += 1
            state.learnt = clock_s >= settings.learn_s and state.changes >= settings.learn_changes
        state.value, state.since_s, state.from_s, state.count = value, at_s, clock_s, 0
        state.moves, state.last = {}, {}
        return found

    def _learnt_at(self, begin_clock_s: Floats, k: int) -> int:
        """At which run, counted from `k` on, learning ends."""
        state, settings = self.state, self.settings
        if state.learnt:
            return begin_clock_s.size
        wanted = k + max(0, settings.learn_changes - state.changes - 1)
        return max(wanted, int(np.searchsorted(begin_clock_s, settings.learn_s)))

    def _skip(self, at_s: Floats, o2: Floats, clock_s: Floats, begins: NDArray[np.intp]) -> None:
        """Runs too short to matter, which begin here: the same as `_begin` of each."""
        state = self.state
        if not state.learnt:
            longest_s = steps_from(state.from_s, clock_s[begins]).max()
            state.longest_s = max(state.longest_s, float(longest_s))
            state.changes += begins.size
        i = int(begins[-1])
        state.value, state.since_s, state.from_s, state.count = float(o2[i]), float(at_s[i]), float(clock_s[i]), 0
        state.moves, state.last = {}, {}

    def _watch(self, at_s: Floats, clock_s: Floats, others: list[Floats], start: int, end: int) -> list[Finding]:
        """A run that lasts: does anything else move?"""
        state, settings = self.state, self.settings
        found = []
        limit_s = self.limit_s
        first = start + int(np.searchsorted(clock_s[start:end], state.from_s + WATCHED_FROM * limit_s))
        state.count += first - start
        for i in range(first, end):
            state.count += 1
            for name, column in zip(OWN + FOREIGN, others, strict=True):
                value = float(column[i])
                if isfinite(value):
                    moved = name in state.last and value != state.last[name]
                    state.moves[name] = state.moves.get(name, 0) + moved
                    state.last[name] = value
            if clock_s[i] - state.from_s < limit_s or state.count < settings.least_samples:
                continue
            own = [state.moves[name] for name in OWN if name in state.moves]
            foreign = [state.moves[name] for name in FOREIGN if name in state.moves]
            alone = max(own, default=0) >= settings.companion_changes or (
                not own and max(foreign, default=0) >= settings.companion_changes
            )
            stale = bool(own) and max(own) == 0
            if (alone or stale) and (not state.active or (alone and state.stale)):
                state.active, state.stale = True, stale
                found.append(self._finding(float(at_s[i]), float(clock_s[i])))
        return found

    def _finding(self, at_s: float, clock_s: float) -> Finding:
        state = self.state
        moving = sorted(name for name, count in state.moves.items() if count >= self.settings.companion_changes)
        facts: dict[str, float | str | bool] = {
            "stale": state.stale,
            "moving": ", ".join(moving),
            "learnt": state.learnt,
        }
        if state.value is not None:
            facts["o2_pct"] = state.value
        return Finding(
            symptom=SYMPTOM,
            at_s=at_s,
            active=state.active,
            value=clock_s - state.from_s,
            unit="s",
            baseline=state.longest_s if state.learnt else None,
            limit=self.limit_s,
            since_s=state.since_s,
            facts=facts,
        )
