"""The register's temperature against what the thermocouple's millivolts, or the cell's slope, stand for.

First rule: terminal millivolts and head temperature give a temperature (IEC 60584-1); 5 K from the register for 30 min.
That is arithmetic inside one transmitter: a wrong cold-junction sensor or compensation, a wrong type, an input that has
drifted. It can NOT show drift of the thermocouple itself: the controller holds these very millivolts. Where the
difference stood from the first sample on, type or map may be what is wrong: the fact `since_first` says so.

Second rule: the slope of a two-point check goes with the cell's absolute temperature. Slope over the learnt slope (the
median of the first three checks; 100 % until then), times the register's kelvins, is the temperature that the cell has:
25 K (2.6 % of slope at 700 degC) off in two checks running, on one side and beyond twice its uncertainty, is the
thermocouple; or a cell that has lost slope, which heater demand and cell resistance tell apart.

Thresholds: 5 K is 0.21 mV of type K at 700 degC, twenty steps of 0.01 mV; a register of whole kelvins adds 0.3 K, lag
between registers is left out with `settled`. Evidence: one sample a minute, half an hour of them on one side, by two
votes of three. For the slope, 2 u of each of two checks: one in 2000 pairs by chance, at a few pairs a year. Absolute
limits. Source: the reference functions; 5 K, 30 min and 25 K common practice.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import isfinite
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import HeldFor, HeldState, RuleState, quiet, two_sided
from detectors.probe.thermocouple import TYPES, emf_mv, range_c, temp_c_from_terminal
from detectors.samples import first_of_each, flags_of, known, later
from detectors.settings_check import above, at_least, whole
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["SlopeCheck", "ThermocoupleMismatch", "ThermocoupleMismatchSettings", "ThermocoupleMismatchState"]

SYMPTOM = "thermocouple_mismatch"
PACE_S = 60.0
ZERO_C_IN_K = 273.15
LOWEST_HEAD_C, LOWEST_CELL_C = -40.0, 100.0  # colder ones are looked at properly
MOST_K = 2000.0  # a difference beyond is a sentinel's


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeCheck:
    """One two-point check: slope in % of Nernst with its standard uncertainty, and the register's temperature."""

    at_s: float
    slope_pct: float
    slope_u_pct: float
    cell_temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermocoupleMismatchSettings:
    """The thermocouple's type, and from what difference on, for how long."""

    type_: str = "K"
    limit_k: float = 5.0
    clear_k: float = 3.5
    hold_s: float = 1800.0
    release_s: float = 1800.0
    slope_limit_k: float = 25.0
    slope_sigmas: float = 2.0
    learn_checks: int = 3

    def __post_init__(self) -> None:
        if self.type_ not in TYPES:
            raise ValueError(f"type_ must be one of {', '.join(TYPES)}, got {self.type_!r}")
        at_least("clear_k", self.clear_k, 0.0)
        at_least("limit_k", self.limit_k, self.clear_k)
        at_least("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)
        above("slope_limit_k", self.slope_limit_k, 0.0)
        at_least("slope_sigmas", self.slope_sigmas, 0.0)
        whole("learn_checks", self.learn_checks, 1)


@dataclass(slots=True, kw_only=True)
class ThermocoupleMismatchState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    above: HeldState = field(default_factory=HeldState)  # millivolts stand for more than the register
    below: HeldState = field(default_factory=HeldState)
    minute: float | None = None
    was_sound: bool = False
    checked_s: float | None = None
    slopes: list[float] = field(default_factory=list)  # of the first checks
    last_side: int = 0  # of the check before, 0 within the limit
    slope_active: bool = False
    slope_since_s: float | None = None


class ThermocoupleMismatch:
    """Findings are made at the changes of either rule; `active` is whether any holds."""

    def __init__(
        self, settings: ThermocoupleMismatchSettings | None = None, state: ThermocoupleMismatchState | None = None
    ) -> None:
        self.settings = ThermocoupleMismatchSettings() if settings is None else settings
        self.state = ThermocoupleMismatchState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    @property
    def _active(self) -> bool:
        return self.state.above.active or self.state.below.active or self.state.slope_active

    def update(
        self,
        time_s: ArrayLike,
        thermocouple_mv: ArrayLike,
        head_temp_c: ArrayLike,
        cell_temp_c: ArrayLike,
        settled: ArrayLike,
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); what is incomplete is passed over.

        `thermocouple_mv`: at the terminals, both at `head_temp_c`. `settled`: the temperature is not on the move.
        """
        state, settings = self.state, self.settings
        at_s, mv, head_c, temp_c, calm = later(state.seen_s, time_s, thermocouple_mv, head_temp_c, cell_temp_c, settled)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        sound, calm_ones = known(mv, head_c, temp_c), flags_of(calm)
        use = calm_ones if sound is None else calm_ones & sound
        if np.count_nonzero(use) < use.size:
            at_s, mv, head_c, temp_c = at_s[use], mv[use], head_c[use], temp_c[use]
        minute, state.minute = first_of_each(PACE_S, state.minute, at_s)
        if minute.size == 0:
            return []
        at_s, mv, head_c, temp_c = at_s[minute], mv[minute], head_c[minute], temp_c[minute]
        if state.above.idle and state.below.idle and self._agrees(mv, head_c, temp_c):
            quiet(state.above, at_s)
            quiet(state.below, at_s)
            state.was_sound = True
            return []
        implied_c = temp_c_from_terminal(mv, head_c, settings.type_, invalid="nan")
        away_k = implied_c - temp_c
        use = np.abs(away_k) <= MOST_K  # false for a temperature that the type cannot have
        if np.count_nonzero(use) < use.size:
            at_s, away_k, temp_c, implied_c, head_c = (r[use] for r in (at_s, away_k, temp_c, implied_c, head_c))
            if at_s.size == 0:
                return []
        inside = np.abs(away_k) <= settings.limit_k
        ever_sound = np.logical_or.accumulate(inside) | state.was_sound
        state.was_sound = bool(ever_sound[-1])
        limit, clear = np.full(at_s.size, settings.limit_k), np.full(at_s.size, settings.clear_k)
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=float(at_s[i]),
                active=active or state.slope_active,
                value=float(away_k[i]),
                unit="K",
                limit=settings.limit_k,
                since_s=since_s,
                facts={
                    "rule": "millivolts",
                    "register_c": float(temp_c[i]),
                    "implied_c": float(implied_c[i]),
                    "head_temp_c": float(head_c[i]),
                    "since_first": not ever_sound[i],
                },
            )
            for i, active, since_s, _ in two_sided(self._rule, state.above, state.below, at_s, away_k, limit, clear)
        ]

    def update_checks(self, checks: Sequence[SlopeCheck]) -> list[Finding]:
        """Take two-point checks, oldest first. One not newer than the latest or without a slope is passed over."""
        state, settings = self.state, self.settings
        found = []
        for check in checks:
            numbers = (check.at_s, check.slope_pct, check.slope_u_pct, check.cell_temp_c)
            if not all(isfinite(x) for x in numbers) or (state.checked_s is not None and check.at_s <= state.checked_s):
                continue
            state.checked_s = check.at_s
            if not 50.0 < check.slope_pct < 150.0:  # no slope of any cell
                continue
            if len(state.slopes) < settings.learn_checks:
                state.slopes.append(check.slope_pct)
            enough = len(state.slopes) >= settings.learn_checks
            normal = median(np.array(state.slopes)) if enough else 100.0
            cell_k = check.cell_temp_c + ZERO_C_IN_K
            away_k, u_k = cell_k * (check.slope_pct / normal - 1.0), cell_k * check.slope_u_pct / normal
            far = abs(away_k) > settings.slope_limit_k and abs(away_k) > settings.slope_sigmas * u_k
            side = (1 if away_k > 0.0 else -1) if far else 0
            before = state.slope_active
            if side != 0 and side == state.last_side:
                state.slope_active = True
            elif side == 0:
                state.slope_active = False
            state.slope_since_s = check.at_s if side != 0 and side != state.last_side else state.slope_since_s
            state.last_side = side
            if state.slope_active or before:
                found.append(
                    Finding(
                        symptom=SYMPTOM,
                        at_s=check.at_s,
                        active=self._active,
                        value=away_k,
                        unit="K",
                        uncertainty=u_k,
                        baseline=normal,
                        limit=settings.slope_limit_k,
                        since_s=state.slope_since_s,
                        facts={
                            "rule": "slope",
                            "slope_pct": check.slope_pct,
                            "register_c": check.cell_temp_c,
                            "implied_c": check.cell_temp_c + away_k,
                        },
                    )
                )
        return found

    def _agrees(self, mv: Floats, head_c: Floats, temp_c: Floats) -> bool:
        """Whether all are within half of what clears: the emf rises with temperature, so no inverse is needed."""
        knots_c, knots_mv = _table(self.settings.type_)
        if float(head_c.min()) < LOWEST_HEAD_C or float(temp_c.max()) > knots_c[-1] - 10.0:
            return False  # ends of the tables are looked at properly
        hot_mv, half_k = mv + np.interp(head_c, knots_c, knots_mv), 0.5 * self.settings.clear_k
        low, high = (np.interp(temp_c + k, knots_c, knots_mv) for k in (-half_k, half_k))
        return bool(
            np.count_nonzero((hot_mv > low) & (hot_mv < high)) == mv.size and float(temp_c.min()) > LOWEST_CELL_C
        )

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        state, settings = self.state, self.settings
        missing = []
        if state.above.last_s is None:
            missing.append("thermocouple_emf, head_temp and cell_temp together")
        if state.checked_s is None:
            missing.append("checks on test gas, whose slope tells the cell's temperature")
        quiet = Watch.NOT_OBSERVABLE if len(missing) == 2 else Watch.WATCHING
        watch = Watch.FINDING if self._active else quiet
        learnt = f"slope of {len(state.slopes)} of {settings.learn_checks} first checks" if state.slopes else ""
        return Report(watch=watch, learnt=learnt, needs="; ".join(missing))


@lru_cache(maxsize=8)
def _table(type_: str) -> tuple[Floats, Floats]:
    """The reference function each kelvin, good to 1e-4 mV between."""
    low, high = range_c(type_)
    knots_c = np.append(np.arange(low, high), high)
    return knots_c, emf_mv(knots_c, type_)
