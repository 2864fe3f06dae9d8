"""The thermocouple's circuit is open: a burnout value, or a step that no temperature makes.

Burnout drives an open input to the end of its scale: above 1100 degC, where no probe heater gets, below -50 degC, or to
millivolts outside -7..55 (type K at work: 28 to 32). Many transmitters tell burnout as a sentinel or a fault bit, which
is a missing value here and `transmitter_fault` there. A step: over 100 K and 5 K/s between two samples, away from a
level of at least three, not back to it and not to the set point. 100 W into the lightest probe (50 J/K) is 2 K/s and
real ones rise at 0.5 (common practice), so 5 K/s is no heat; likewise 4 mV and 0.2 mV/s. A step to the head's
temperature is a short (`thermocouple_shorted`). Cannot see an open circuit that drifts within the scale.

Evidence: half a minute, at least three samples, two of any three, so that neither a lone wild value nor a garbled
answer speaks. Absolute limits, nothing learnt. Source: IEC 60584-1 for the millivolts; the rest common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import Bools, HeldFor, HeldState, RuleState, held, quiet
from detectors.level_step import LevelState, left_level
from detectors.samples import later
from detectors.settings_check import above, at_least
from detectors.stretch import Floats

__all__ = ["ThermocoupleOpen", "ThermocoupleOpenSettings", "ThermocoupleOpenState"]

SYMPTOM = "thermocouple_open"
SENTINEL = 5000.0  # beyond this a number is no scale's end
NEAR_HEAD_K = 25.0
NEAR_HEAD_MV = 1.0
WARMEST_HEAD_C = 80.0  # where the head's temperature is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermocoupleOpenSettings:
    """The ends of the scale, and what is no temperature's step."""

    burnout_high_c: float = 1100.0
    burnout_low_c: float = -50.0
    burnout_high_mv: float = 55.0
    burnout_low_mv: float = -7.0
    step_k: float = 100.0
    step_k_per_s: float = 5.0
    step_mv: float = 4.0
    step_mv_per_s: float = 0.2
    near_setpoint_k: float = 50.0
    hold_s: float = 30.0
    release_s: float = 60.0

    def __post_init__(self) -> None:
        above("burnout_low_c", self.burnout_low_c, -SENTINEL)
        above("burnout_high_c", self.burnout_high_c, self.burnout_low_c)
        above("burnout_low_mv", self.burnout_low_mv, -SENTINEL)
        above("burnout_high_mv", self.burnout_high_mv, self.burnout_low_mv)
        for name in ("step_k", "step_k_per_s", "step_mv", "step_mv_per_s"):
            above(name, getattr(self, name), 0.0)
        for name in ("near_setpoint_k", "hold_s", "release_s"):
            at_least(name, getattr(self, name), 0.0)


@dataclass(slots=True, kw_only=True)
class ThermocoupleOpenState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    temp: LevelState = field(default_factory=LevelState)
    mv: LevelState = field(default_factory=LevelState)


class ThermocoupleOpen:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: ThermocoupleOpenSettings | None = None, state: ThermocoupleOpenState | None = None
    ) -> None:
        self.settings = ThermocoupleOpenSettings() if settings is None else settings
        self.state = ThermocoupleOpenState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(
        self,
        time_s: ArrayLike,
        cell_temp_c: ArrayLike,
        setpoint_c: ArrayLike,
        head_temp_c: ArrayLike,
        thermocouple_mv: ArrayLike,
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); temperature or millivolts, the others may be missing."""
        state, settings = self.state, self.settings
        at_s, temp_c, setpoint, head_c, mv = later(
            state.seen_s, time_s, cell_temp_c, setpoint_c, head_temp_c, thermocouple_mv
        )
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        if state.held.idle and self._usual(state.temp, temp_c) and self._usual(state.mv, mv):
            for level, values in ((state.temp, temp_c), (state.mv, mv)):
                if level.value is not None:
                    level.rest(at_s, values)
            if state.temp.value is not None or state.mv.value is not None:
                quiet(state.held, at_s)
            return []
        has_temp, has_mv = np.abs(temp_c) < SENTINEL, np.abs(mv) < SENTINEL
        use = has_temp | has_mv
        if np.count_nonzero(use) < use.size:
            at_s, temp_c, setpoint, head_c, mv = (row[use] for row in (at_s, temp_c, setpoint, head_c, mv))
            has_temp, has_mv = has_temp[use], has_mv[use]
            if at_s.size == 0:
                return []
        temp_c, mv = np.where(has_temp, temp_c, np.nan), np.where(has_mv, mv, np.nan)
        burnt_c = has_temp & ((temp_c > settings.burnout_high_c) | (temp_c < settings.burnout_low_c))
        burnt_mv = has_mv & ((mv > settings.burnout_high_mv) | (mv < settings.burnout_low_mv))
        sound_c, sound_mv = has_temp & ~burnt_c, has_mv & ~burnt_mv
        left_c = self._left(state.temp, at_s, temp_c, sound_c, settings.step_k, settings.step_k_per_s)
        left_mv = self._left(state.mv, at_s, mv, sound_mv, settings.step_mv, settings.step_mv_per_s)
        # Missing set point or head temperature compares false: then it is near neither.
        at_setpoint = np.abs(temp_c - setpoint) <= settings.near_setpoint_k
        at_head = np.where(np.isfinite(head_c), np.abs(temp_c - head_c) <= NEAR_HEAD_K, temp_c <= WARMEST_HEAD_C)
        stepped = np.isfinite(left_c) & ~at_head & ~at_setpoint
        stepped |= np.isfinite(left_mv) & ~(np.abs(mv) <= NEAR_HEAD_MV) & ~at_setpoint
        on = burnt_c | burnt_mv | stepped
        changes = held(self._rule, state.held, at_s, on, ~on)
        found = []
        for i, active, since_s in changes:
            facts: dict[str, float | str | bool] = {"rule": "burnout" if burnt_c[i] or burnt_mv[i] else "step"}
            for name, value in (("cell_temp_c", temp_c[i]), ("thermocouple_mv", mv[i]), ("before_c", left_c[i])):
                if abs(value) < SENTINEL:
                    facts[name] = float(value)
            found.append(
                Finding(
                    symptom=SYMPTOM,
                    at_s=float(at_s[i]),
                    active=active,
                    value=float(temp_c[i]) if has_temp[i] else None,
                    unit="degC",
                    limit=settings.burnout_high_c,
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
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell_temp or thermocouple_emf")
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING)

    def _usual(self, level: LevelState, values: Floats) -> bool:
        """Whether nothing is new: no value ever, or all of them about the latest, which was a usual one."""
        settings = self.settings
        if level.value is None:
            return not np.count_nonzero(np.isfinite(values))
        if level is self.state.temp:
            least, most, step = settings.burnout_low_c, settings.burnout_high_c, settings.step_k
        else:
            least, most, step = settings.burnout_low_mv, settings.burnout_high_mv, settings.step_mv
        low, high = float(values.min()), float(values.max())  # NaN where one is, and then not usual
        near = max(high, level.value) - min(low, level.value) <= step
        return level.level is None and near and low >= least and high <= most

    def _left(
        self, level: LevelState, at_s: Floats, values: Floats, sound: Bools, step: float, step_per_s: float
    ) -> Floats:
        """The level left by a step, at each sample; NaN where none or where the value says nothing."""
        everywhere = np.count_nonzero(sound) == sound.size
        t, x = (at_s, values) if everywhere else (at_s[sound], values[sound])
        left = left_level(
            level, t, x, lambda a, b, dt: np.asarray(np.abs(b - a) > step + step_per_s * dt, np.int64), step
        )
        if everywhere:
            return left
        out = np.full(at_s.size, np.nan)
        out[sound] = left
        return out
