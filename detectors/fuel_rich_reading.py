"""The cell tells of gas without free oxygen while the unit fires.

Above 150 mV at 700 degC the equilibrium oxygen is 0.2095 exp(-150/20.965) = 0.016 % (Nernst), below any oxygen a
burner is run at: fuel is left over, and a stoichiometric flame jumps to hundreds of millivolts at once. Nothing here
doubts the reading: believe the process alarms and keep people off the head. Cannot tell a rich process from fuel or
solvent vapour at the probe, from a broken reference air line (which reads the other way), or from a test gas without
oxygen that no flag shows. Checks are left out. Where `firing` is not known, a hot cell in service counts as fired:
only fuel makes such gas. Absolute limit, nothing learnt. Evidence: half a minute, at least three samples, two of any
three; the noise of a cell is under 1 mV and its offset under 20 (common practice), far from 150.
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import HeldFor, HeldState, RuleState, held, quiet
from detectors.samples import flags_of, later
from detectors.settings_check import at_least

__all__ = ["FuelRichReading", "FuelRichReadingSettings", "FuelRichReadingState"]

SYMPTOM = "fuel_rich_reading"
MOST_MV = 2000.0  # no cell gives more; a register that does is something else


@dataclass(frozen=True, slots=True, kw_only=True)
class FuelRichReadingSettings:
    """From what millivolts on, and for how long."""

    rich_mv: float = 150.0
    clear_mv: float = 120.0
    hold_s: float = 30.0
    release_s: float = 60.0

    def __post_init__(self) -> None:
        at_least("clear_mv", self.clear_mv, 0.0)
        at_least("rich_mv", self.rich_mv, self.clear_mv)
        at_least("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)


@dataclass(slots=True, kw_only=True)
class FuelRichReadingState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)


class FuelRichReading:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: FuelRichReadingSettings | None = None, state: FuelRichReadingState | None = None
    ) -> None:
        self.settings = FuelRichReadingSettings() if settings is None else settings
        self.state = FuelRichReadingState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(self, time_s: ArrayLike, emf_mv: ArrayLike, in_service: ArrayLike, firing: ArrayLike) -> list[Finding]:
        """Take raw samples, arrays of shape (n,).

        `in_service`: hot, and no gas of our own at the cell. `firing`: 0 is not fired and counts as no rich gas; NaN is
        not known. Samples out of service or without millivolts are passed over.
        """
        state, settings = self.state, self.settings
        at_s, emf, service, fires = later(state.seen_s, time_s, emf_mv, in_service, firing)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        use = flags_of(service) & (np.abs(emf) <= MOST_MV)
        if np.count_nonzero(use) < use.size:
            at_s, emf, fires = at_s[use], emf[use], fires[use]
        on = emf > settings.rich_mv
        if state.held.idle and not np.count_nonzero(on):  # as nearly always
            if at_s.size:
                quiet(state.held, at_s)
            return []
        out = fires == 0.0
        on &= ~out
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=float(at_s[i]),
                active=active,
                value=float(emf[i]),
                unit="mV",
                limit=settings.rich_mv,
                since_s=since_s,
                facts={"emf_mv": float(emf[i]), "firing_known": bool(np.isfinite(fires[i]))},
            )
            for i, active, since_s in held(self._rule, state.held, at_s, on, out | (emf < settings.clear_mv))
        ]

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        if self.state.held.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="cell_emf of a hot cell in service")
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING)
