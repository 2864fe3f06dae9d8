"""The transmitter's own fault bit, held for a minute.

Sees what the transmitter says of itself, and its code where one is mapped. Cannot see a fault that the transmitter does
not know of. Nothing is learnt; the threshold is the bit. Evidence: a minute, at least three samples and two of any
three, so that neither a restart nor one garbled answer speaks (common practice: self-tests last seconds).
"""

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import HeldFor, HeldState, RuleState, held, quiet
from detectors.samples import known, later
from detectors.settings_check import at_least

__all__ = ["TransmitterFault", "TransmitterFaultSettings", "TransmitterFaultState"]

SYMPTOM = "transmitter_fault"


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitterFaultSettings:
    """How long the bit must stand, and how long it must be away."""

    hold_s: float = 60.0
    release_s: float = 60.0

    def __post_init__(self) -> None:
        at_least("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)


@dataclass(slots=True, kw_only=True)
class TransmitterFaultState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    held: HeldState = field(default_factory=HeldState)
    code: float | None = None  # the last one told while the bit stood


class TransmitterFault:
    """Findings are made at the changes; between them the last one holds."""

    def __init__(
        self, settings: TransmitterFaultSettings | None = None, state: TransmitterFaultState | None = None
    ) -> None:
        self.settings = TransmitterFaultSettings() if settings is None else settings
        self.state = TransmitterFaultState() if state is None else state
        self._rule = HeldFor(hold_s=self.settings.hold_s, release_s=self.settings.release_s)

    def update(self, time_s: ArrayLike, fault: ArrayLike, fault_code: ArrayLike) -> list[Finding]:
        """Take raw samples, arrays of shape (n,); a missing bit is passed over, a code may be missing."""
        state = self.state
        at_s, bit, code = later(state.seen_s, time_s, fault, fault_code)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        sound = known(bit)
        if sound is not None:
            at_s, bit, code = at_s[sound], bit[sound], code[sound]
        # One is a fault; what is neither 0 nor 1 is no answer to the question.
        on, off = bit == 1.0, bit == 0.0
        if state.held.idle and not np.count_nonzero(on):
            if at_s.size:
                quiet(state.held, at_s)
            return []
        told = np.isfinite(code) & on
        found = []
        for i, active, since_s in held(self._rule, state.held, at_s, on, off):
            before = np.flatnonzero(told[: i + 1])
            last = float(code[before[-1]]) if before.size else state.code
            facts: dict[str, float | str | bool] = {} if last is None else {"fault_code": last}
            found.append(
                Finding(symptom=SYMPTOM, at_s=float(at_s[i]), active=active, value=last, since_s=since_s, facts=facts)
            )
        if np.count_nonzero(told):
            state.code = float(code[np.flatnonzero(told)[-1]])
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def report(self) -> Report:
        """What is known."""
        if self.state.held.last_s is None:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="fault")
        return Report(watch=Watch.FINDING if self.state.held.active else Watch.WATCHING)
