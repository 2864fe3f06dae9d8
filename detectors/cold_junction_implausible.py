"""The head's temperature cannot be right: out of range, jumping, or stuck while what warms it moves.

Out of range: outside -40..125 degC for a minute, beyond any electronics (common practice); a broken Pt1000 reads far
above, a shorted one far below (IEC 60751: 1000 ohm at 0 degC). Jumping: a head is kilograms of metal; in still air it
follows with a time constant of ten minutes and more, so over 15 K and 0.5 K/s between two samples is no head, three
times within an hour is no accident. Stuck: unchanged to the last digit for a day or three times the longest run learnt
in the first fortnight, while the flue gas moved by 30 K or another head by 5 K, watched from eight hours on. Cannot see
an error of a few kelvins (`thermocouple_mismatch` does where millivolts are told).

Evidence: a minute of two votes of three; three jumps, each away and not a lone spike back; a day. Steady rooms repeat
for hours at 1 K resolution: hence the learnt run, and what has moved. Everything flat is not the sensor's. Absolute
limits while learning (three days for a stuck one). Source: computed and common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import HeldFor, HeldState, RuleState, held
from detectors.samples import known, later, steps_from
from detectors.settings_check import above, at_least, whole
from detectors.stretch import Floats

__all__ = ["ColdJunctionImplausible", "ColdJunctionImplausibleSettings", "ColdJunctionImplausibleState"]

SYMPTOM = "cold_junction_implausible"
HOUR_S = 3600.0
WATCHED_FROM = 1.0 / 3.0  # of the shortest limit: from there on what moves around it is watched
MOST_C = 3000.0  # a flue or a head beyond is a sentinel
MOST_GAP_S = 21600.0  # nobody knows what a head did in a longer hole


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdJunctionImplausibleSettings:
    """What a head can be and do."""

    lowest_c: float = -40.0
    highest_c: float = 125.0
    hold_s: float = 60.0
    release_s: float = 300.0
    jump_k: float = 15.0
    jump_k_per_s: float = 0.5
    jumps: int = 3  # within an hour
    stuck_s: float = 86400.0
    times_longest: float = 3.0
    unlearnt_s: float = 3 * 86400.0
    learn_s: float = 14 * 86400.0
    flue_moves_k: float = 30.0
    other_moves_k: float = 5.0

    def __post_init__(self) -> None:
        above("lowest_c", self.lowest_c, -273.15)
        above("highest_c", self.highest_c, self.lowest_c)
        at_least("times_longest", self.times_longest, 1.0)
        whole("jumps", self.jumps, 1)
        above("stuck_s", self.stuck_s, 0.0)
        at_least("unlearnt_s", self.unlearnt_s, self.stuck_s)
        for name in ("hold_s", "release_s", "learn_s"):
            at_least(name, getattr(self, name), 0.0)
        for name in ("jump_k", "jump_k_per_s", "flue_moves_k", "other_moves_k"):
            above(name, getattr(self, name), 0.0)


@dataclass(slots=True, kw_only=True)
class ColdJunctionImplausibleState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)  # out of range
    last: list[list[float]] = field(default_factory=list)  # time and head of the last three samples
    jumps_s: list[float] = field(default_factory=list)  # of the last hour
    jumping: bool = False
    jumping_since_s: float | None = None
    run_c: float | None = None  # the value of the run of equal ones, its latest sample and its first
    run_s: float | None = None
    from_s: float | None = None
    first_s: float | None = None
    longest_s: float = 0.0
    lows: list[float] = field(default_factory=list)  # of flue and other head while watched; empty until seen
    highs: list[float] = field(default_factory=list)
    around_known: bool = False
    stuck: bool = False
    active: bool = False


class _Event(NamedTuple):
    row: int
    rule: str
    active: bool
    since_s: float | None


class ColdJunctionImplausible:
    """Findings are made when a rule comes or goes; `active` is whether any holds."""

    def __init__(
        self,
        settings: ColdJunctionImplausibleSettings | None = None,
        state: ColdJunctionImplausibleState | None = None,
    ) -> None:
        self.settings = ColdJunctionImplausibleSettings() if settings is None else settings
        self.state = ColdJunctionImplausibleState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(
        self, time_s: ArrayLike, head_temp_c: ArrayLike, flue_temp_c: ArrayLike, other_head_c: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); what is missing of flue and other head does not count."""
        state, settings = self.state, self.settings
        at_s, head_c, flue_c, other_c = later(state.seen_s, time_s, head_temp_c, flue_temp_c, other_head_c)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        sound = known(head_c)
        if sound is not None:
            at_s, head_c, flue_c, other_c = at_s[sound], head_c[sound], flue_c[sound], other_c[sound]
            if at_s.size == 0:
                return []
        if not state.around_known:
            state.around_known = bool(np.isfinite(flue_c).any() or np.isfinite(other_c).any())
        inside = (head_c >= settings.lowest_c) & (head_c <= settings.highest_c)
        events: list[_Event] = [
            _Event(change.row, "out_of_range", change.active, change.since_s)
            for change in held(self._rule, state.held, at_s, ~inside, inside)
        ]
        events += self._jumps(at_s, head_c)
        events += self._stuck(at_s, head_c, flue_c, other_c)
        holds = {"out_of_range": state.held.active, "jumping": state.jumping, "stuck": state.stuck}
        for event in events[::-1]:  # as they were before these samples
            holds[event.rule] = not event.active
        found = []
        for i, rule, active, since_s in sorted(events, key=lambda event: event[:2]):
            holds[rule] = active
            state.active = any(holds.values())
            found.append(
                Finding(
                    symptom=SYMPTOM,
                    at_s=float(at_s[i]),
                    active=state.active,
                    value=float(head_c[i]),
                    unit="degC",
                    limit=settings.highest_c if head_c[i] > settings.highest_c else None,
                    since_s=since_s,
                    facts={"rule": rule, "rule_holds": active, "head_temp_c": float(head_c[i])},
                )
            )
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        state = self.state
        if state.held.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="head_temp")
        needs = "" if state.around_known else "flue_temp, or another head, would show a sensor that is stuck"
        learnt = f"stands still for {state.longest_s / HOUR_S:.1f} h at most"
        return Report(watch=Watch.FINDING if state.active else Watch.WATCHING, learnt=learnt, needs=needs)

    def _jumps(self, at_s: Floats, head_c: Floats) -> list[_Event]:
        """Levels that a head cannot have gone to in the time."""
        state, settings = self.state, self.settings
        last_c = [row[1] for row in state.last[-1:]] or [float(head_c[0])]
        span_k = max(last_c[0], float(head_c.max())) - min(last_c[0], float(head_c.min()))
        if not state.jumping and span_k <= settings.jump_k and not self._far_before():
            tail = zip(at_s[-3:].tolist(), head_c[-3:].tolist(), strict=True)
            state.last = [*state.last, *([t, x] for t, x in tail)][-3:]
            return []
        kept = np.array(state.last).reshape(-1, 2).T
        t, x = np.concatenate([kept[0], at_s]), np.concatenate([kept[1], head_c])
        offset = kept.shape[1]
        state.last = [[float(a), float(b)] for a, b in zip(t[-3:], x[-3:], strict=True)]
        if t.size < 4:
            return []
        dt, step = np.diff(t), np.diff(x)
        far = np.abs(step) > settings.jump_k + settings.jump_k_per_s * dt
        events: list[_Event] = []
        if not (np.count_nonzero(far) or state.jumping):
            return events
        # A jump between the middle two of four samples, each pair on its own level: a lone spike is neither way.
        before = np.abs(x[1:-2] - x[:-3]) < np.abs(x[2:-1] - x[:-3])
        after = np.abs(x[3:] - x[2:-1]) < np.abs(x[3:] - x[1:-2])
        stays = far[1:-1] & before & after
        for j in range(max(3, offset), t.size):
            if stays[j - 3]:
                state.jumps_s = [*state.jumps_s, float(t[j])][-settings.jumps :]
            recent = [s for s in state.jumps_s if t[j] - s <= HOUR_S]
            if not state.jumping and stays[j - 3] and len(recent) >= settings.jumps:
                state.jumping = True
                state.jumping_since_s = recent[0]
                events.append(_Event(j - offset, "jumping", True, recent[0]))
            elif state.jumping and not recent:
                state.jumping = False
                events.append(_Event(j - offset, "jumping", False, state.jumping_since_s))
        return events

    def _far_before(self) -> bool:
        """Whether the samples before hold a jump that the next may confirm."""
        values = [row[1] for row in self.state.last]
        return bool(values) and max(values) - min(values) > self.settings.jump_k

    def _stuck(self, at_s: Floats, head_c: Floats, flue_c: Floats, other_c: Floats) -> list[_Event]:
        """Go through the runs of equal values, skipping those that are too short to matter."""
        state, settings = self.state, self.settings
        gap = steps_from(float(at_s[0]) if state.run_s is None else state.run_s, at_s) > MOST_GAP_S
        changed = np.empty(at_s.size, np.bool_)
        changed[0] = head_c[0] != state.run_c
        changed[1:] = head_c[1:] != head_c[:-1]
        edges = np.flatnonzero(changed | gap)
        starts = edges if edges.size and edges[0] == 0 else np.concatenate(([0], edges))
        ends = np.append(starts[1:], at_s.size)
        last, k = starts.size - 1, 0
        events: list[_Event] = []
        state.first_s = float(at_s[0]) if state.first_s is None else state.first_s
        learnt_from_s = state.first_s + settings.learn_s
        long = np.flatnonzero(at_s[ends - 1] - at_s[starts] >= WATCHED_FROM * settings.stuck_s)
        while k <= last:
            start, end = int(starts[k]), int(ends[k])
            if changed[start] or gap[start]:
                if state.stuck:
                    state.stuck = False
                    events.append(_Event(start, "stuck", False, state.from_s))
                elif changed[start] and not gap[start] and state.from_s is not None and at_s[start] < learnt_from_s:
                    state.longest_s = max(state.longest_s, float(at_s[start]) - state.from_s)
                state.from_s, state.lows, state.highs = float(at_s[start]), [], []
            events += self._run(at_s, flue_c, other_c, start, end, learnt_from_s)
            k += 1
            if state.stuck or k >= last:
                continue
            ahead = long[np.searchsorted(long, k) :]
            to = int(ahead[0]) if ahead.size else last
            if to > k:  # of the short runs between only the longest while learning counts
                begins = starts[k:to]
                run_s = steps_from(float(at_s[begins[0]]) if state.from_s is None else state.from_s, at_s[begins])
                run_s = run_s[(at_s[begins] < learnt_from_s) & changed[begins] & ~gap[begins]]
                state.longest_s = max(state.longest_s, float(run_s.max())) if run_s.size else state.longest_s
                state.from_s, k = float(at_s[begins[-1]]), to
        state.run_s, state.run_c = float(at_s[-1]), float(head_c[-1])
        return events

    def _run(
        self, at_s: Floats, flue_c: Floats, other_c: Floats, start: int, end: int, learnt_from_s: float
    ) -> list[_Event]:
        """What has moved over one run of equal values, and whether that is long enough."""
        state, settings = self.state, self.settings
        watched_s = (np.inf if state.from_s is None else state.from_s) + WATCHED_FROM * settings.stuck_s
        if state.stuck or at_s[end - 1] < watched_s:
            return []
        start += int(np.searchsorted(at_s[start:end], watched_s))
        part = slice(start, end)
        lows, highs = state.lows or [np.inf, np.inf], state.highs or [-np.inf, -np.inf]
        moved = np.zeros(end - start, np.bool_)
        for j, (column, moves_k) in enumerate(((flue_c, settings.flue_moves_k), (other_c, settings.other_moves_k))):
            values = column[part]
            values = np.where(np.abs(values) < MOST_C, values, np.nan)
            low = np.fmin.accumulate(np.concatenate(([lows[j]], values)))
            high = np.fmax.accumulate(np.concatenate(([highs[j]], values)))
            lows[j], highs[j] = float(low[-1]), float(high[-1])
            moved |= high[1:] - low[1:] >= moves_k
        if any(low < np.inf for low in lows):
            state.lows, state.highs = [min(x, MOST_C) for x in lows], [max(x, -MOST_C) for x in highs]
        longest_s = settings.times_longest * state.longest_s
        least_s = np.where(at_s[part] < learnt_from_s, settings.unlearnt_s, settings.stuck_s)
        run_s = at_s[part] - (watched_s - WATCHED_FROM * settings.stuck_s)
        ripe = moved & (run_s >= np.maximum(least_s, longest_s))
        if not np.count_nonzero(ripe):
            return []
        state.stuck = True
        return [_Event(start + int(ripe.argmax()), "stuck", True, state.from_s)]
