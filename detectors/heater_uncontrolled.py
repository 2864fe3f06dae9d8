"""Heat that nobody ordered: the cell far over its set point, or warmer and warmer at zero output.

Two rules. *Over*: more than 25 K above the reference for a minute. *Rising*: output at zero and the cell above its set
point for over five minutes, and then 10 K gained within half an hour. Never suppressed: checks, modes and warm-ups do
not enter.

Physics. Without heat a body approaches its surroundings, so at zero output a cell falls towards the flue gas, with a
time constant of an hour at most (common practice: 10 to 60 min); the element's own store of heat is spent within
minutes (lag, 300 s). Hence three things that are no fault:
- Right after the set point steps down the cell is over the new one and can only cool. From 800 to 600 + 25 degC with
  the flue at 400 that takes 35 min at one hour's time constant. For two hours the reference is the old set point.
- Flue gas hotter than the set point heats the cell by itself, up to its own temperature and not beyond. With the output
  at zero, or unknown, the reference is the flue gas where that is the higher; with the output on it is not.
- The overshoot of a good controller: under 25 K (common practice: 5 to 10), and falling at zero output.
Without `flue_temp` a cell that hot gas heats cannot be told from a welded relay: it is found, `flue_known` being false.

Cannot see a runaway behind a failed thermocouple (the register is all there is); readings above 1100 degC are burnout
values and not judged, a true runaway passes the degrees below on its way. Absolute limits, nothing learnt. Evidence: a
minute, at least three samples, two of any three; thermal stability of a healthy probe is within 5 K (common practice),
so 25 K is far outside whatever its noise. Source of 25 K: common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch, finite
from detectors.held import Bools, HeldFor, HeldState, RuleState, held, quiet
from detectors.samples import later
from detectors.settings_check import above, at_least
from detectors.stretch import Floats

__all__ = ["HeaterUncontrolled", "HeaterUncontrolledSettings", "HeaterUncontrolledState"]

SYMPTOM = "heater_uncontrolled"
MOST_C = 1100.0  # no probe gets there; burnout values do
LEAST_SETPOINT_C = 100.0  # lower ones are no set point of a hot cell but a register that says nothing
MOST_FLUE_C = 2000.0
ZERO_FRAC = 0.02  # at or below this nothing is ordered
ABOVE_K = 5.0  # within this of set point or flue a controller regulates


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterUncontrolledSettings:
    """How far over, how much of a rise, and what cooling may take."""

    over_k: float = 25.0
    clear_over_k: float = 15.0
    rise_k: float = 10.0
    rise_within_s: float = 1800.0
    lag_s: float = 300.0
    grace_s: float = 7200.0
    hold_s: float = 60.0
    release_s: float = 300.0

    def __post_init__(self) -> None:
        at_least("clear_over_k", self.clear_over_k, 0.0)
        at_least("over_k", self.over_k, self.clear_over_k)
        for name in ("rise_k", "rise_within_s"):
            above(name, getattr(self, name), 0.0)
        for name in ("lag_s", "grace_s", "hold_s", "release_s"):
            at_least(name, getattr(self, name), 0.0)


@dataclass(slots=True, kw_only=True)
class HeaterUncontrolledState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    setpoint_c: float | None = None
    old_setpoint_c: float | None = None  # the higher one before, while the cell may still be cooling from it
    old_until_s: float | None = None
    idle_from_s: float | None = None  # since when zero output has met a cell above its set point
    misses: int = 0
    low_c: float | None = None  # lowest since, and when
    low_s: float | None = None


class HeaterUncontrolled:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: HeaterUncontrolledSettings | None = None, state: HeaterUncontrolledState | None = None
    ) -> None:
        self.settings = HeaterUncontrolledSettings() if settings is None else settings
        self.state = HeaterUncontrolledState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(
        self, time_s: ArrayLike, cell_temp_c: ArrayLike, setpoint_c: ArrayLike, duty: ArrayLike, flue_temp_c: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); `duty` 0..1. Output and flue temperature may be missing."""
        state, settings = self.state, self.settings
        at_s, temp_c, setpoint, share, flue_c = later(state.seen_s, time_s, cell_temp_c, setpoint_c, duty, flue_temp_c)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        use = (temp_c > -MOST_C) & (temp_c <= MOST_C) & (setpoint >= LEAST_SETPOINT_C) & (setpoint <= MOST_C)
        if np.count_nonzero(use) < use.size:
            at_s, temp_c, setpoint, share, flue_c = (row[use] for row in (at_s, temp_c, setpoint, share, flue_c))
            if at_s.size == 0:
                return []
        high = temp_c > setpoint + ABOVE_K
        none_high = not np.count_nonzero(high)
        reference = setpoint
        if np.count_nonzero(setpoint == state.setpoint_c) < setpoint.size or state.old_until_s is not None:
            reference = self._reference(at_s, setpoint)
        if none_high and state.held.idle and state.idle_from_s is None:  # as nearly always
            quiet(state.held, at_s)
            return []
        flue_c = np.where(np.abs(flue_c) <= MOST_FLUE_C, flue_c, np.nan)  # a sentinel must not hide a runaway
        ordered = share > ZERO_FRAC  # false where unknown
        reference = np.where(~ordered & (flue_c > reference), flue_c, reference)
        over_k = temp_c - reference
        # Missing flue temperature compares false: then the set point alone decides.
        cooler = ~(temp_c <= flue_c + ABOVE_K)
        rising = self._rising(at_s, temp_c, high & cooler & (share <= ZERO_FRAC))
        on = (over_k > settings.over_k) | rising
        changes = held(self._rule, state.held, at_s, on, over_k < settings.clear_over_k)
        found = []
        for i, active, since_s in changes:
            facts: dict[str, float | str | bool] = {
                "rule": "over_setpoint" if over_k[i] > settings.over_k else "rising_at_zero_output",
                "over_setpoint_k": float(temp_c[i] - setpoint[i]),
                "cell_temp_c": float(temp_c[i]),
                "reference_c": float(reference[i]),
                "flue_known": bool(np.isfinite(flue_c[i])),
            }
            facts |= finite(duty_frac=share[i], flue_temp_c=flue_c[i])
            found.append(
                Finding(
                    symptom=SYMPTOM,
                    at_s=float(at_s[i]),
                    active=active,
                    value=float(over_k[i]),
                    unit="K",
                    limit=settings.over_k,
                    since_s=since_s,
                    facts=facts,
                )
            )
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        if self.state.held.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell temperature and set point together")
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING)

    def _reference(self, at_s: Floats, setpoint: Floats) -> Floats:
        """The set point, or the higher one before it for as long as the cell may still be cooling."""
        state = self.state
        before = np.concatenate(([setpoint[0] if state.setpoint_c is None else state.setpoint_c], setpoint[:-1]))
        reference = setpoint.copy()
        edges = np.flatnonzero(setpoint != before).tolist()
        for a, b in zip([0, *edges], [*edges, at_s.size], strict=True):
            if a < b and setpoint[a] < before[a]:
                still = (
                    state.old_setpoint_c is not None and state.old_until_s is not None and at_s[a] < state.old_until_s
                )
                old_c = float(before[a])
                state.old_setpoint_c = max(old_c, state.old_setpoint_c or old_c) if still else old_c
                state.old_until_s = float(at_s[a]) + self.settings.grace_s
            if a < b and state.old_until_s is not None and state.old_setpoint_c is not None:
                part = slice(a, b)
                cooling = at_s[part] < state.old_until_s
                reference[part] = np.where(cooling, np.maximum(setpoint[part], state.old_setpoint_c), setpoint[part])
                if not cooling[-1]:
                    state.old_until_s = state.old_setpoint_c = None
        state.setpoint_c = float(setpoint[-1])
        return reference

    def _rising(self, at_s: Floats, temp_c: Floats, idle: Bools) -> Bools:
        """Where the cell has gained `rise_k` although nothing is ordered and everything around it is cooler."""
        state, settings = self.state, self.settings
        rising = np.zeros(idle.size, np.bool_)
        if state.idle_from_s is None and not np.count_nonzero(idle):
            return rising
        rows = zip(at_s.tolist(), temp_c.tolist(), idle.tolist(), strict=True)
        for i, (t, temp, speaks) in enumerate(rows):
            if not speaks:
                state.misses += 1
                if state.misses >= 2:
                    state.idle_from_s = state.low_c = state.low_s = None
                continue
            state.misses = 0
            if state.idle_from_s is None:
                state.idle_from_s = t
            if t - state.idle_from_s < settings.lag_s:
                continue
            stale = state.low_s is not None and t - state.low_s > settings.rise_within_s
            if state.low_c is None or temp < state.low_c or stale:
                state.low_c, state.low_s = temp, t
            rising[i] = temp >= state.low_c + settings.rise_k
        if state.idle_from_s is None:
            state.misses = 0
        return rising
