"""A probe that was switched on cold and does not reach its set point.

Sees a warm-up that takes more than twice what this probe's cold starts took, or 90 min while they are not known. The
normal time is the median of the first three whole cold starts, and then frozen. Cannot see why (element, supply, a wet
or badly flowed probe), nor a warm-up that began before the first sample, except by the 90 min. A cell that falls away
from its set point at full output is no warm-up: that is an open or exhausted heater. A warm-up that is given up (the
heater switched off for ten minutes) ends without a word.

Assumes that a start is heating from more than 100 K below; a cold one, from which times are learnt, begins 300 K below
or more. Warm-ups last 20 to 60 min (common practice). Threshold: losses and supply move the time, power going with the
square of the supply: at -10 % a warm-up of a heater with twice the power it needs at temperature takes 1.4 times as
long (lumped body: ln(P / (P - loss)) over P), so twice is a fault and the least limit of 20 min keeps short ones from
being judged by seconds. Evidence: starts are a few a year, so one in a thousand of them would be 0.005 a year.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import Bools, RuleState
from detectors.samples import flags_of, known, later
from detectors.settings_check import above, at_least, whole
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["WarmUpFailed", "WarmUpFailedSettings", "WarmUpFailedState"]

SYMPTOM = "warm_up_failed"
ON_FRAC = 0.02  # above this the controller wants heat
MOST_C = 1100.0  # burnout values are no temperature


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUpFailedSettings:
    """What a start is, what has arrived, and how long it may take."""

    within_k: float = 5.0
    start_below_k: float = 100.0
    cold_below_k: float = 300.0
    unlearnt_s: float = 5400.0
    times_learnt: float = 2.0
    least_s: float = 1200.0
    learn_starts: int = 3
    off_s: float = 600.0  # without heat wanted, or without samples: the warm-up is over

    def __post_init__(self) -> None:
        above("within_k", self.within_k, 0.0)
        above("start_below_k", self.start_below_k, self.within_k)
        at_least("cold_below_k", self.cold_below_k, self.start_below_k)
        above("unlearnt_s", self.unlearnt_s, 0.0)
        at_least("times_learnt", self.times_learnt, 1.0)
        at_least("least_s", self.least_s, 0.0)
        whole("learn_starts", self.learn_starts, 1)
        above("off_s", self.off_s, 0.0)


@dataclass(slots=True, kw_only=True)
class WarmUpFailedState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    learnt_s: list[float] = field(default_factory=list)  # of the first cold starts
    last_s: float | None = None  # latest complete sample
    wanted_s: float | None = None  # latest sample at which heat was wanted
    was_hot: bool = False  # heat has been wanted without a break since the cell was near its set point
    start_s: float | None = None  # of the warm-up going on
    whole: bool = False  # its beginning was seen, cold
    arrived: int = 0  # samples in a row near the set point
    active: bool = False


class WarmUpFailed:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(self, settings: WarmUpFailedSettings | None = None, state: WarmUpFailedState | None = None) -> None:
        self.settings = WarmUpFailedSettings() if settings is None else settings
        self.state = WarmUpFailedState() if state is None else state

    @property
    def limit_s(self) -> float:
        """How long a warm-up may take."""
        settings, normal_s = self.settings, self.normal_s
        return settings.unlearnt_s if normal_s is None else max(settings.least_s, settings.times_learnt * normal_s)

    @property
    def normal_s(self) -> float | None:
        """What a cold start takes; None while it is not known."""
        learnt = self.state.learnt_s
        return median(np.array(learnt)) if len(learnt) >= self.settings.learn_starts else None

    def update(
        self, time_s: ArrayLike, duty: ArrayLike, cell_temp_c: ArrayLike, setpoint_c: ArrayLike, warming_up: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,).

        `warming_up`: the transmitter says so. Heat is wanted where it does or `duty` is above zero; a sample without
        duty and without the flag tells nothing, like one without temperature or set point, and is passed over.
        """
        state, settings = self.state, self.settings
        at_s, share, temp_c, setpoint, warm = later(state.seen_s, time_s, duty, cell_temp_c, setpoint_c, warming_up)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        said = flags_of(warm)
        usable = known(temp_c, setpoint)
        use = (temp_c <= MOST_C) & (said | np.isfinite(share))
        if usable is not None or np.count_nonzero(use) < use.size:
            use &= True if usable is None else usable
            at_s, share, temp_c, setpoint, said = at_s[use], share[use], temp_c[use], setpoint[use], said[use]
            if at_s.size == 0:
                return []
        below_k = setpoint - temp_c
        far = below_k > settings.start_below_k
        if state.start_s is None and not np.count_nonzero(far):  # hot, as nearly always
            self._hot(at_s, said | (share > ON_FRAC), below_k)
            return []
        found = []
        wanted = said | (share > ON_FRAC)
        for row in zip(at_s.tolist(), below_k.tolist(), wanted.tolist(), strict=True):
            finding = self._take(*row)
            if finding is not None:
                found.append(finding)
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        state, normal_s = self.state, self.normal_s
        if state.last_s is None:
            return Report(
                watch=Watch.NOT_OBSERVABLE, needs="cell temperature, set point, and heater duty or warming_up"
            )
        if normal_s is None:
            learnt = f"{len(state.learnt_s)} of {self.settings.learn_starts} cold starts; until then "
        else:
            learnt = f"a cold start takes {normal_s / 60.0:.0f} min; "
        learnt += f"{self.limit_s / 60.0:.0f} min are allowed"
        quiet = Watch.LEARNING if normal_s is None else Watch.WATCHING
        return Report(watch=Watch.FINDING if state.active else quiet, learnt=learnt)

    def _hot(self, at_s: Floats, wanted: Bools, below_k: Floats) -> None:
        """What samples leave behind that no warm-up begins in: the same as `_take` of each."""
        state = self.state
        for i in np.flatnonzero(wanted)[-1:].tolist():
            state.wanted_s = float(at_s[i])
        near = np.flatnonzero(below_k <= self.settings.start_below_k)
        state.was_hot = bool(near.size) or state.was_hot
        state.last_s = float(at_s[-1])

    def _take(self, t: float, below_k: float, wanted: bool) -> Finding | None:
        state, settings = self.state, self.settings
        hole = state.last_s is not None and t - state.last_s > settings.off_s
        idle = state.wanted_s is not None and t - state.wanted_s > settings.off_s and not wanted
        first = state.last_s is None
        state.last_s = t
        if wanted:
            state.wanted_s = t
        found = None
        if (hole or idle) and below_k > settings.within_k:
            found = self._end(t, below_k)
            state.was_hot = False
        if below_k <= settings.start_below_k and state.start_s is None:
            state.was_hot = True
        elif state.start_s is None and wanted and not state.was_hot:
            state.start_s, state.arrived = t, 0
            state.whole = not first and below_k > settings.cold_below_k
        if state.start_s is None:
            return found
        state.arrived = state.arrived + 1 if below_k <= settings.within_k else 0
        took_s = t - state.start_s
        if state.arrived >= 2:  # a lone wild sample is no arrival
            if state.whole and not state.active and len(state.learnt_s) < settings.learn_starts:
                state.learnt_s.append(took_s)
            state.was_hot = True
            return self._end(t, below_k) or found
        if not state.active and took_s > self.limit_s:
            state.active = True
            return self._finding(t, below_k)
        return found

    def _end(self, t: float, below_k: float) -> Finding | None:
        state = self.state
        found = None
        if state.active:
            state.active = False
            found = self._finding(t, below_k)
        state.start_s, state.whole, state.arrived = None, False, 0
        return found

    def _finding(self, t: float, below_k: float) -> Finding:
        state = self.state
        start_s = t if state.start_s is None else state.start_s
        return Finding(
            symptom=SYMPTOM,
            at_s=t,
            active=state.active,
            value=t - start_s,
            unit="s",
            baseline=self.normal_s,
            limit=self.limit_s,
            since_s=start_s,
            facts={"below_setpoint_k": below_k, "learnt": self.normal_s is not None, "began_cold": state.whole},
        )
