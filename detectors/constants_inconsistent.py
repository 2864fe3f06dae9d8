"""The displayed oxygen does not follow from the transmitter's own millivolts, temperature and stored calibration.

`emf_residual` is the measured millivolts minus those that the display stands for. A wrong constant, a calibration that
is shown but not used, a wrong temperature in the formula, a display in dry gas or from another sensor leave a residual
that stays. Cannot see an error that millivolts and display share (cell, thermocouple). Damping and moving gas make
passing residuals: only steady samples count, one a minute. Where the residual stood from the first sample on, the
register map may be what is wrong: the fact `since_first` says so.

Limit: max(1 mV, 4 u). 1 mV at 700 degC is 4.9 % of the oxygen value (Nernst, 20.965 mV per factor e), the least that is
worth a call; u is the standard uncertainty of the residual (quantisation, temperature register), so four of them are
outside whatever resolution does. Evidence: 30 min of steady samples on end; quantisation errors change with the gas and
do not keep to one side. Absolute limit, nothing learnt. Source: computed; 30 min common practice.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import HeldFor, HeldState, RuleState, two_sided
from detectors.samples import first_of_each, flags_of, later
from detectors.settings_check import above, at_least, between

__all__ = ["ConstantsInconsistent", "ConstantsInconsistentSettings", "ConstantsInconsistentState"]

SYMPTOM = "constants_inconsistent"
PACE_S = 60.0
MOST_MV = 2000.0  # no cell gives more: what does is no residual


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantsInconsistentSettings:
    """From what residual on, and for how long."""

    least_mv: float = 1.0
    sigmas: float = 4.0
    clear_share: float = 0.7  # of the limit
    hold_s: float = 1800.0
    release_s: float = 1800.0

    def __post_init__(self) -> None:
        above("least_mv", self.least_mv, 0.0)
        at_least("sigmas", self.sigmas, 0.0)
        between("clear_share", self.clear_share, 0.0, 1.0)
        at_least("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)


@dataclass(slots=True, kw_only=True)
class ConstantsInconsistentState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    high: HeldState = field(default_factory=HeldState)  # residual above zero
    low: HeldState = field(default_factory=HeldState)
    minute: float | None = None  # that has had its sample
    was_sound: bool = False  # whether a steady sample ever lay within the limit


class ConstantsInconsistent:
    """A run keeps to one sign. Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: ConstantsInconsistentSettings | None = None, state: ConstantsInconsistentState | None = None
    ) -> None:
        self.settings = ConstantsInconsistentSettings() if settings is None else settings
        self.state = ConstantsInconsistentState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(
        self, time_s: ArrayLike, residual_mv: ArrayLike, residual_u_mv: ArrayLike, steady: ArrayLike
    ) -> list[Finding]:
        """Take raw samples, arrays of shape (n,). An unknown uncertainty counts as none.

        `steady`: in service, display live, gas and temperature not on the move. Other samples are passed over.
        """
        state, settings = self.state, self.settings
        at_s, residual, u, calm = later(state.seen_s, time_s, residual_mv, residual_u_mv, steady)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        use = flags_of(calm) & (np.abs(residual) <= MOST_MV)
        if np.count_nonzero(use) < use.size:
            at_s, residual, u = at_s[use], residual[use], u[use]
        minute, state.minute = first_of_each(PACE_S, state.minute, at_s)
        if minute.size == 0:
            return []
        at_s, residual, u = at_s[minute], residual[minute], u[minute]
        limit = np.maximum(settings.least_mv, settings.sigmas * np.where(np.isfinite(u), u, 0.0))
        inside = np.abs(residual) <= limit
        sound = np.logical_or.accumulate(inside) | state.was_sound
        state.was_sound = bool(sound[-1])
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=float(at_s[i]),
                active=active,
                value=float(residual[i]),
                unit="mV",
                uncertainty=float(u[i]) if np.isfinite(u[i]) else None,
                limit=float(limit[i]),
                since_s=since_s,
                facts={"residual_mv": float(residual[i]), "since_first": not sound[i]},
            )
            for i, active, since_s, _ in two_sided(
                self._rule, state.high, state.low, at_s, residual, limit, settings.clear_share * limit
            )
        ]

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        state = self.state
        if state.high.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell_emf beside o2 and cell_temp")
        return Report(watch=Watch.FINDING if state.high.active or state.low.active else Watch.WATCHING)
