"""The reading is near air although the unit fires on load: the dangerous way round.

Fired flue gas holds 1 to 10 % oxygen, 15 at the very most of a turbine or a dryer (common practice); near air means a
tube, seal or gasket that lets air in, lost reference (both sides alike), an open blowback valve, a flame that is out,
or a broken wire (0 mV is air). Cannot tell them apart, nor a unit that runs near air on purpose: raise the limit there.
Only a flagged check is left out: an unflagged one looks the same until it ends, which the ten minutes allow for. Light-
off is left out: firing and load must have stood for five minutes. A held display says nothing and is passed over.
Without `firing` and without `load` a furnace at rest looks the same: not observable. Absolute limit, nothing learnt.
Evidence: 60 s where automatic trim follows the reading, else ten minutes; at least three samples, two of any three.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch, finite
from detectors.held import Bools, HeldFor, HeldState, RuleState, held, quiet
from detectors.samples import flags_of, later
from detectors.settings_check import above, at_least, between
from detectors.stretch import Floats

__all__ = ["ReadsAirWhileFiring", "ReadsAirWhileFiringSettings", "ReadsAirWhileFiringState"]

SYMPTOM = "reads_air_while_firing"
MOST_PCT = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadsAirWhileFiringSettings:
    """What is near air, what is on load, and how long."""

    near_air_pct: float = 18.0
    clear_pct: float = 16.0
    load_pct: float = 20.0  # on load, where the load is known
    used_by_trim: bool = False  # automatic trim takes air away on this reading
    trim_hold_s: float = 60.0
    hold_s: float = 600.0
    release_s: float = 60.0
    settle_s: float = 300.0  # after light-off

    def __post_init__(self) -> None:
        above("clear_pct", self.clear_pct, 0.0)
        between("near_air_pct", self.near_air_pct, self.clear_pct, MOST_PCT)
        between("load_pct", self.load_pct, 0.0, 100.0)
        for name in ("trim_hold_s", "hold_s", "release_s", "settle_s"):
            at_least(name, getattr(self, name), 0.0)


@dataclass(slots=True, kw_only=True)
class ReadsAirWhileFiringState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    idle_s: float | None = None  # last sample that was known not to be on load; the first one until there is one


class ReadsAirWhileFiring:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: ReadsAirWhileFiringSettings | None = None, state: ReadsAirWhileFiringState | None = None
    ) -> None:
        self.settings = ReadsAirWhileFiringSettings() if settings is None else settings
        self.state = ReadsAirWhileFiringState() if state is None else state
        hold_s = self.settings.trim_hold_s if self.settings.used_by_trim else self.settings.hold_s
        self._rule = HeldFor(hold_s=hold_s, release_s=self.settings.release_s)

    def update(
        self,
        time_s: ArrayLike,
        o2_pct: ArrayLike,
        firing: ArrayLike,
        load_pct: ArrayLike,
        checking: ArrayLike,
        held_display: ArrayLike,
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,).

        `firing` and `load_pct` may be missing, not both. `checking`: a check, purge or blowback that is flagged, or the
        way back from one. `held_display`: the display does not follow the gas. Such samples are passed over.
        """
        state, settings = self.state, self.settings
        at_s, o2, fires, load, check, still = later(
            state.seen_s, time_s, o2_pct, firing, load_pct, checking, held_display
        )
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        idle = (fires == 0.0) | (load < settings.load_pct)
        judged = (fires == 1.0) | (load >= settings.load_pct) | idle
        use = judged & (o2 >= 0.0) & (o2 <= MOST_PCT) & ~flags_of(check) & ~flags_of(still)
        idle_s = self._idle_s(at_s, idle)
        if np.count_nonzero(use) < use.size:
            at_s, o2, fires, load, idle, idle_s = (row[use] for row in (at_s, o2, fires, load, idle, idle_s))
        near = o2 > settings.near_air_pct
        if state.held.idle and not np.count_nonzero(near):  # as nearly always
            if at_s.size:
                quiet(state.held, at_s)
            return []
        on = near & ~idle & (at_s - idle_s >= settings.settle_s)
        found = []
        for i, active, since_s in held(self._rule, state.held, at_s, on, idle | (o2 < settings.clear_pct)):
            facts: dict[str, float | str | bool] = {"o2_pct": float(o2[i]), "used_by_trim": settings.used_by_trim}
            facts |= finite(firing=fires[i], load_pct=load[i])
            found.append(
                Finding(
                    symptom=SYMPTOM,
                    at_s=float(at_s[i]),
                    active=active,
                    value=float(o2[i]),
                    unit="% O2",
                    limit=settings.near_air_pct,
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
            return Report(watch=Watch.NOT_OBSERVABLE, needs="o2, and firing or load")
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING)

    def _idle_s(self, at_s: Floats, idle: Bools) -> Floats:
        """The last sample off load up to each sample."""
        state = self.state
        if state.idle_s is None:
            state.idle_s = float(at_s[0])
        if not np.count_nonzero(idle):
            return np.full(at_s.size, state.idle_s)
        last = np.maximum(np.maximum.accumulate(np.where(idle, at_s, -np.inf)), state.idle_s)
        state.idle_s = float(last[-1])
        return last
