"""The cell's temperature swings about its set point.

Sees an hour (on the UTC clock) in which the temperature crosses the set point to and fro and strays from it by more
than 3 K and three times what it usually does (r.m.s.). A loose thermocouple, an oversized or cycling output, a
controller that lost its settings do this; flue gas that swings with the load does too, within what the controller
leaves of it. Cannot see swings slower than half an hour (drift is no swing) or quicker than two samples. A standing
offset is no swing: exhausted heaters have their own symptom. Warm-ups, checks, the way back from them and half an hour
after a step of the set point do not count.

Baseline: median r.m.s. of the first 48 usable hours, then frozen; until then the limit is 10 K (common practice: out of
any use). One sample each 10 s. A single wild sample is clipped to 25 K and must not make an hour: a fifth of its
samples stray by 1.5 K (a sine of 3 K r.m.s. does so in 77 %), and the set point is crossed four times by 1.5 K either
side. Evidence: three of the last four usable hours. Healthy hours stay below 3 K by common practice (stability within 5
K, controllers hold 1 K); were one hour in 200 bad by itself, independent, three of four come every 2e6 hours (200
years); with bad hours that cluster tenfold it is still under 0.01 a year. Source: 3 K and three times common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import Bools, RuleState
from detectors.samples import first_of_each, flags_of, known, later, windows
from detectors.settings_check import above, at_least, between, whole
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["TemperatureHunting", "TemperatureHuntingSettings", "TemperatureHuntingState"]

SYMPTOM = "temperature_hunting"
WINDOW_S = 3600.0
PACE_S = 10.0
CLIP_K = 25.0
STRAY_K = 1.5
STRAY_SHARE = 0.2
SETPOINT_REST_S = 1800.0
OF_LAST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureHuntingSettings:
    """What is a swing, against what, and in how many hours."""

    least_k: float = 3.0
    times_baseline: float = 3.0
    unlearnt_k: float = 10.0
    clear_share: float = 0.7  # of the limit
    crossings: int = 4
    hours: int = 3  # of the last four
    learn_hours: int = 48
    least_samples: int = 20  # of an hour, to count

    def __post_init__(self) -> None:
        above("least_k", self.least_k, 0.0)
        at_least("times_baseline", self.times_baseline, 1.0)
        at_least("unlearnt_k", self.unlearnt_k, self.least_k)
        between("clear_share", self.clear_share, 0.0, 1.0)
        whole("crossings", self.crossings, 1)
        whole("hours", self.hours, 1)
        between("hours", self.hours, 1, OF_LAST)
        whole("learn_hours", self.learn_hours, 1)
        whole("least_samples", self.least_samples, 4)


@dataclass(slots=True, kw_only=True)
class TemperatureHuntingState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    cell: float | None = None  # of the pace, that has had its sample
    open_rows: list[list[float]] = field(default_factory=lambda: [[], []])  # time, K above the set point
    setpoint_c: float | None = None
    setpoint_changed_s: float | None = None
    learning_k: list[float] = field(default_factory=list)  # r.m.s. of the first hours
    baseline_k: float | None = None
    recent: list[list[float]] = field(default_factory=list)  # start, r.m.s., 1.0 where it swings, limit
    active: bool = False
    since_s: float | None = None


class TemperatureHunting:
    """Judges an hour when a sample of a later one is seen. While active, each hour makes a finding."""

    def __init__(
        self, settings: TemperatureHuntingSettings | None = None, state: TemperatureHuntingState | None = None
    ) -> None:
        self.settings = TemperatureHuntingSettings() if settings is None else settings
        self.state = TemperatureHuntingState() if state is None else state

    @property
    def limit_k(self) -> float:
        """The r.m.s. from which an hour swings."""
        settings, baseline_k = self.settings, self.state.baseline_k
        return (
            settings.unlearnt_k if baseline_k is None else max(settings.least_k, settings.times_baseline * baseline_k)
        )

    def update(
        self, time_s: ArrayLike, cell_temp_c: ArrayLike, setpoint_c: ArrayLike, in_service: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,). `in_service`: hot, in no check and on no way back from one."""
        state = self.state
        at_s, temp_c, setpoint, service = later(state.seen_s, time_s, cell_temp_c, setpoint_c, in_service)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        index, state.cell = first_of_each(PACE_S, state.cell, at_s)
        if index.size == 0:
            return []
        at_s, temp_c, setpoint, service = at_s[index], temp_c[index], setpoint[index], service[index]
        use, sound = flags_of(service), known(temp_c, setpoint)
        if sound is not None:
            at_s, temp_c, setpoint, use = at_s[sound], temp_c[sound], setpoint[sound], use[sound]
        use &= ~self._setting(at_s, setpoint)
        rows = np.array([at_s, np.clip(temp_c - setpoint, -CLIP_K, CLIP_K)])
        found: list[Finding] = []
        for start_s, window in windows(WINDOW_S, state.open_rows, rows if use.all() else rows[:, use]):
            found += self._judge(start_s, window[1])
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def renew(self) -> None:
        """Thermocouple or controller was mended, and somebody recorded it: learn the new normal."""
        self.state = TemperatureHuntingState(seen_s=self.state.seen_s, cell=self.state.cell)

    def report(self) -> Report:
        """What is known."""
        state = self.state
        if not state.open_rows[0] and not state.recent:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell temperature and set point of a hot cell in service")
        if state.baseline_k is None:
            watch = Watch.FINDING if state.active else Watch.LEARNING
            words = f"{len(state.learning_k)} of {self.settings.learn_hours} hours; until then {self.limit_k:g} K"
            return Report(watch=watch, learnt=words)
        watch = Watch.FINDING if state.active else Watch.WATCHING
        return Report(watch=watch, learnt=f"usually {state.baseline_k:.2f} K r.m.s.; speaks from {self.limit_k:.1f} K")

    def _setting(self, at_s: Floats, setpoint: Floats) -> Bools:
        """Samples in the half hour after a step of the set point."""
        state = self.state
        if at_s.size == 0:
            return np.zeros(0, np.bool_)
        if state.setpoint_changed_s is None and np.count_nonzero(setpoint == state.setpoint_c) == setpoint.size:
            return np.zeros(at_s.size, np.bool_)
        before = np.concatenate(([setpoint[0] if state.setpoint_c is None else state.setpoint_c], setpoint[:-1]))
        changed_s = -np.inf if state.setpoint_changed_s is None else state.setpoint_changed_s
        last = np.maximum(
            np.maximum.accumulate(np.where(np.abs(setpoint - before) > STRAY_K, at_s, -np.inf)), changed_s
        )
        state.setpoint_c = float(setpoint[-1])
        state.setpoint_changed_s = float(last[-1]) if last[-1] > -np.inf else None
        return np.asarray(at_s - last < SETPOINT_REST_S)

    def _judge(self, start_s: float, away_k: Floats) -> list[Finding]:
        state, settings = self.state, self.settings
        if away_k.size < settings.least_samples:
            return []
        # The smaller of r.m.s. about the set point and about the hour's mean: an offset alone is no swing.
        mean = float(np.mean(away_k))
        rms_k = float(np.sqrt(max(0.0, float(np.mean(away_k**2)) - mean * mean)))
        side = np.sign(away_k) * (np.abs(away_k) > STRAY_K)
        turns = side[side != 0.0]
        crossings = int(np.count_nonzero(turns[1:] != turns[:-1]))
        limit_k = self.limit_k
        to_and_fro = crossings >= settings.crossings and turns.size >= STRAY_SHARE * away_k.size
        swings = to_and_fro and rms_k > limit_k
        state.recent = [*state.recent, [start_s, rms_k, float(swings), limit_k]][-OF_LAST:]
        if state.baseline_k is None:
            state.learning_k.append(rms_k)
            if len(state.learning_k) >= settings.learn_hours:
                state.baseline_k, state.learning_k = median(np.array(state.learning_k)), []
        was = state.active
        swinging = [row for row in state.recent if row[2]]
        if len(swinging) >= settings.hours:
            state.active = True
            state.since_s = swinging[0][0] if not was else state.since_s
        elif was and all(not row[2] and row[1] < settings.clear_share * row[3] for row in state.recent):
            state.active = False
        if not (was or state.active):
            return []
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=start_s + WINDOW_S,
                active=state.active,
                value=rms_k,
                unit="K",
                baseline=state.baseline_k,
                limit=limit_k,
                episodes=len(swinging),
                since_s=state.since_s,
                facts={"crossings_per_hour": crossings, "mean_above_setpoint_k": mean, "rms_k": rms_k},
            )
        ]
