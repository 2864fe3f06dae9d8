"""The thermocouple is shorted: the controller sees cold, gives everything, and the cell overheats unseen.

Two rules, both at full duty. *Head*: the reading is the head's temperature (a short at the terminals) within 15 min of
having been 300 K above it. *Fall*: the reading has fallen faster than cooling can, to a lower level (a short along the
cable reads the temperature there), and the cell does not come back. A body cools by (T - surroundings) / tau [Newton];
with the quickest tau of any probe, 300 s (common practice: 10 to 60 min), a cell 650 K above its head takes 19 min to
within 15 K of it, and one 300 K above 15: it cannot be at the head's temperature sooner. A fall is too fast beyond
twice that law from one sample to the next, plus 20 K, towards 20 degC or the head where it is colder.

Cannot see a short that was there before the first sample, nor one while the controller gives less than 90 %. A cold
start at full duty has not been hot within 15 min. One sample each 10 s, so that a display's damping does not hide the
fall. Evidence: a minute at full duty, two votes of three, after a level of three samples: a lone wild value has no
level. Absolute limits, nothing learnt: how fast a probe cools at full duty is never faster than physics.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch, finite
from detectors.held import Bools, HeldFor, HeldState, RuleState, held, quiet
from detectors.level_step import LevelState, left_level
from detectors.samples import first_of_each, known, later
from detectors.settings_check import above, at_least, between
from detectors.stretch import Floats

__all__ = ["ThermocoupleShorted", "ThermocoupleShortedSettings", "ThermocoupleShortedState"]

SYMPTOM = "thermocouple_shorted"
PACE_S = 10.0
LOWEST_C, HIGHEST_C = -50.0, 1100.0  # outside are burnout values
RISE_K, RISE_K_PER_S = 100.0, 5.0  # beyond, what follows is no level: no heat does that
COLDEST_C = 20.0  # surroundings that a cell may cool towards


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermocoupleShortedSettings:
    """What cooling can do, and what counts as the head's temperature."""

    full_duty_frac: float = 0.9
    at_head_k: float = 15.0
    hot_above_head_k: float = 300.0
    hot_within_s: float = 900.0
    quickest_tau_s: float = 300.0
    fall_k: float = 20.0
    fall_times: float = 2.0
    below_setpoint_k: float = 50.0
    hold_s: float = 60.0
    release_s: float = 300.0

    def __post_init__(self) -> None:
        between("full_duty_frac", self.full_duty_frac, 0.0, 1.0)
        above("at_head_k", self.at_head_k, 0.0)
        above("hot_above_head_k", self.hot_above_head_k, self.at_head_k)
        above("hot_within_s", self.hot_within_s, 0.0)
        above("quickest_tau_s", self.quickest_tau_s, 0.0)
        above("fall_k", self.fall_k, 0.0)
        at_least("fall_times", self.fall_times, 1.0)
        for name in ("below_setpoint_k", "hold_s", "release_s"):
            at_least(name, getattr(self, name), 0.0)


@dataclass(slots=True, kw_only=True)
class ThermocoupleShortedState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    temp: LevelState = field(default_factory=LevelState)
    cell: float | None = None  # of the pace, that has had its sample
    hot_s: list[float] = field(default_factory=list)  # the last two samples far above the head, older first


class ThermocoupleShorted:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: ThermocoupleShortedSettings | None = None, state: ThermocoupleShortedState | None = None
    ) -> None:
        self.settings = ThermocoupleShortedSettings() if settings is None else settings
        self.state = ThermocoupleShortedState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(
        self, time_s: ArrayLike, cell_temp_c: ArrayLike, setpoint_c: ArrayLike, head_temp_c: ArrayLike, duty: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); `duty` 0..1. Only the head's temperature may be missing."""
        state, settings = self.state, self.settings
        at_s, temp_c, setpoint, head_c, share = later(state.seen_s, time_s, cell_temp_c, setpoint_c, head_temp_c, duty)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        use = (temp_c > LOWEST_C) & (temp_c < HIGHEST_C)
        sound = known(setpoint, share)
        if sound is not None or np.count_nonzero(use) < use.size:
            use &= True if sound is None else sound
            at_s, temp_c, setpoint, head_c, share = (row[use] for row in (at_s, temp_c, setpoint, head_c, share))
        index, state.cell = first_of_each(PACE_S, state.cell, at_s)
        if index.size == 0:
            return []
        at_s, temp_c, setpoint, head_c, share = (row[index] for row in (at_s, temp_c, setpoint, head_c, share))
        hot_s = self._hot_s(at_s, temp_c > head_c + settings.hot_above_head_k)
        last_c = temp_c[0] if state.temp.value is None else state.temp.value
        still = max(last_c, float(temp_c.max())) - min(last_c, float(temp_c.min())) <= settings.fall_k
        calm = still and state.held.idle and state.temp.level is None
        if calm and float(share.max()) < settings.full_duty_frac:
            state.temp.rest(at_s, temp_c)
            quiet(state.held, at_s)
            return []
        rate = settings.fall_times / settings.quickest_tau_s
        coldest_c = np.fmin(head_c, COLDEST_C)  # COLDEST_C where the head is not known
        coldest_c = np.where(coldest_c > LOWEST_C, coldest_c, COLDEST_C)
        left_c = left_level(
            state.temp,
            at_s,
            temp_c,
            lambda a, b, dt: np.where(
                a - b > settings.fall_k + rate * np.maximum(a - coldest_c, 0.0) * dt,
                1,
                np.where(b - a > RISE_K + RISE_K_PER_S * dt, -1, 0),
            ),
            settings.fall_k,
        )
        full = (share >= settings.full_duty_frac) & (temp_c < setpoint - settings.below_setpoint_k)
        fell = temp_c < left_c - settings.fall_k  # false where no level was left
        at_head = (np.abs(temp_c - head_c) <= settings.at_head_k) & (at_s - hot_s <= settings.hot_within_s)
        on = full & (fell | at_head)
        # Cooled to the head it stays found; it is over when the cell is warm again or less is asked for.
        still_cold = np.abs(temp_c - head_c) <= settings.at_head_k
        off = ~full | ~(fell | still_cold)
        found = []
        for i, active, since_s in held(self._rule, state.held, at_s, on, off):
            facts: dict[str, float | str | bool] = {
                "rule": "reads_head" if still_cold[i] else "fell_faster_than_cooling",
                "cell_temp_c": float(temp_c[i]),
                "duty_frac": float(share[i]),
            }
            facts |= finite(head_temp_c=head_c[i], before_c=left_c[i])
            found.append(
                Finding(
                    symptom=SYMPTOM,
                    at_s=float(at_s[i]),
                    active=active,
                    value=float(temp_c[i]),
                    unit="degC",
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
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell temperature, set point and heater duty together")
        needs = "" if self.state.hot_s else "head_temp would show a short at the terminals"
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING, needs=needs)

    def _hot_s(self, at_s: Floats, hot: Bools) -> Floats:
        """When the last but one hot sample was, for each sample: a lone wild one is not enough."""
        state = self.state
        kept = [-np.inf, -np.inf, *state.hot_s][-2:]
        times = np.concatenate((kept, at_s[hot]))
        state.hot_s = [float(s) for s in times[-2:] if s > -np.inf]
        return np.asarray(times[np.cumsum(hot)])
