"""The heater gives all it can and the cell stays below its set point.

Sees: controller output at its ceiling, the cell more than 5 K below the set point and not on its way up, ten minutes
on end. The ceiling is full output, or the largest output that this controller was seen to give in a warm-up: some stop
at 80 %. Cannot see: why. A weak element, a low supply, a wet probe, a cold or fast flue all look like this; the facts
carry what is known. A warm-up is left out (its own symptom), and so is gas of our own, which cools the cell.

Assumes that a heater at its ceiling that is strong enough gains 3 K in ten minutes when it is more than 5 K below:
18 K/h is a tenth of what a warm-up of an hour does on average near its end (common practice). Noise of 1 K moves the
highest of what was seen no more than that, so noise only delays. Evidence: 10 min at any poll are at least three
samples and usually over sixty, all of them (but lone ones) at the ceiling, low, and not rising; a controller that
regulates is at its ceiling only while something disturbs it. Limits are absolute, so nothing has to be learnt first.
Source: thermal stability within 5 K and ten minutes are common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import Bools, HeldFor, HeldState, RuleState, held, quiet
from detectors.samples import flags_of, known, later
from detectors.settings_check import above, at_least, between
from detectors.stretch import Floats

__all__ = ["HeaterExhausted", "HeaterExhaustedSettings", "HeaterExhaustedState"]

SYMPTOM = "heater_exhausted"
FULL_FRAC = 0.95  # at or above this an output is full
CEILING_BAND = 0.05  # an output this far below the largest is still at the ceiling: counters and their clocks
FAR_BELOW_K = 20.0  # a warm-up this far below asks for everything
WARM_SAMPLES = 10  # of a warm-up, before its largest output is taken for the ceiling


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterExhaustedSettings:
    """How far below, how long, and what counts as still rising."""

    below_setpoint_k: float = 5.0
    clear_below_k: float = 3.0
    hold_s: float = 600.0
    release_s: float = 600.0
    rising_k: float = 3.0  # gained within `hold_s`: it is heating up, not exhausted
    least_ceiling_frac: float = 0.5  # a learnt ceiling below this is not believed

    def __post_init__(self) -> None:
        at_least("clear_below_k", self.clear_below_k, 0.0)
        at_least("below_setpoint_k", self.below_setpoint_k, self.clear_below_k)
        above("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)
        above("rising_k", self.rising_k, 0.0)
        between("least_ceiling_frac", self.least_ceiling_frac, 0.0, FULL_FRAC)


@dataclass(slots=True, kw_only=True)
class HeaterExhaustedState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    highest_frac: float = 0.0  # largest output of three samples in a row
    last_duty: list[float] = field(default_factory=list)  # of the last two samples
    warm_samples: int = 0
    risen_to_c: float | None = None  # highest temperature of the run going on
    misses: int = 0  # samples since it last spoke for the run


class HeaterExhausted:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: HeaterExhaustedSettings | None = None, state: HeaterExhaustedState | None = None
    ) -> None:
        self.settings = HeaterExhaustedSettings() if settings is None else settings
        self.state = HeaterExhaustedState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    @property
    def ceiling_frac(self) -> float:
        """The output that counts as all there is."""
        state = self.state
        learnt = state.warm_samples >= WARM_SAMPLES and state.highest_frac >= self.settings.least_ceiling_frac
        return state.highest_frac - CEILING_BAND if learnt and state.highest_frac < FULL_FRAC else FULL_FRAC

    def update(
        self,
        time_s: ArrayLike,
        duty: ArrayLike,
        cell_temp_c: ArrayLike,
        setpoint_c: ArrayLike,
        warming_up: ArrayLike,
        checking: ArrayLike,
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); `duty` 0..1. A sample with anything missing is passed over.

        `warming_up`: on the way to the set point from cold. `checking`: gas of our own at the cell, or just after.
        """
        state, settings = self.state, self.settings
        at_s, share, temp_c, setpoint, warm, check = later(
            state.seen_s, time_s, duty, cell_temp_c, setpoint_c, warming_up, checking
        )
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        usable = known(share, temp_c, setpoint)
        checked = flags_of(check)
        if usable is not None or np.count_nonzero(checked):
            use = ~checked if usable is None else usable & ~checked
            at_s, share, temp_c, setpoint, warm = (row[use] for row in (at_s, share, temp_c, setpoint, warm))
            if at_s.size == 0:
                return []
        below_k = setpoint - temp_c
        warming = flags_of(warm)
        ceiling: Floats | float = self.ceiling_frac
        if state.highest_frac < FULL_FRAC:
            # Three in a row above all before are needed to learn anything.
            most = max(state.highest_frac, settings.least_ceiling_frac)
            higher = np.count_nonzero(share > most) + sum(x > most for x in state.last_duty)
            if higher >= 3 or np.count_nonzero(warming):
                ceiling = self._learn(share, warming & (below_k > FAR_BELOW_K))
            else:
                state.last_duty = [*state.last_duty, *np.clip(share[-2:], 0.0, 1.0).tolist()][-2:]
        on = (share >= ceiling) & (below_k > settings.below_setpoint_k)
        if state.held.idle and state.risen_to_c is None and not np.count_nonzero(on):  # as nearly always
            quiet(state.held, at_s)
            return []
        on &= ~warming
        off = (share < ceiling - CEILING_BAND) | (below_k < settings.clear_below_k) | warming
        changes = held(self._rule, state.held, at_s, on, off, self._rising(temp_c, on))
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=float(at_s[i]),
                active=active,
                value=float(below_k[i]),
                unit="K",
                limit=settings.below_setpoint_k,
                since_s=since_s,
                facts={
                    "below_setpoint_k": float(below_k[i]),
                    "cell_temp_c": float(temp_c[i]),
                    "duty_frac": float(share[i]),
                    "ceiling_frac": float(np.broadcast_to(ceiling, at_s.shape)[i]),
                },
            )
            for i, active, since_s in changes
        ]

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        if self.state.held.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="heater duty, cell temperature and set point together")
        watch = Watch.FINDING if self.state.held.active else Watch.WATCHING
        return Report(watch=watch, learnt=f"the controller's ceiling is taken as {100.0 * self.ceiling_frac:.0f} %")

    def _learn(self, share: Floats, warming: Bools) -> Floats:
        """The ceiling at each sample, with what the samples before it and itself tell."""
        state, settings = self.state, self.settings
        row = np.concatenate((state.last_duty, np.clip(share, 0.0, 1.0)))
        state.last_duty = row[-2:].tolist()
        sustained = np.zeros(share.size)
        if row.size >= 3:
            triples = np.minimum(np.minimum(row[:-2], row[1:-1]), row[2:])
            sustained[share.size - triples.size :] = triples
        sustained[sustained <= settings.least_ceiling_frac] = 0.0
        highest = np.maximum(np.maximum.accumulate(sustained), state.highest_frac)
        warm = state.warm_samples + np.cumsum(warming)
        state.highest_frac, state.warm_samples = float(highest[-1]), int(min(warm[-1], WARM_SAMPLES))
        if state.highest_frac >= FULL_FRAC:  # nothing more to learn
            state.highest_frac, state.warm_samples, state.last_duty = 1.0, WARM_SAMPLES, []
        learnt = (warm >= WARM_SAMPLES) & (highest >= settings.least_ceiling_frac) & (highest < FULL_FRAC)
        return np.where(learnt, highest - CEILING_BAND, FULL_FRAC)

    def _rising(self, temp_c: Floats, on: Bools) -> Bools:
        """Samples that have gained `rising_k` on the highest of their run so far: the run begins anew there."""
        state, rising_k = self.state, self.settings.rising_k
        rising = np.zeros(on.size, np.bool_)
        for i, (speaks, temp) in enumerate(zip(on.tolist(), temp_c.tolist(), strict=True)):
            if not speaks:
                state.misses += 1
                if state.misses >= 2:
                    state.risen_to_c = None
                continue
            state.misses = 0
            if state.risen_to_c is None:
                state.risen_to_c = temp
            elif temp >= state.risen_to_c + rising_k:
                state.risen_to_c, rising[i] = temp, True
        if state.risen_to_c is None:
            state.misses = 0
        return rising
