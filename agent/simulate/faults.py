"""What goes wrong in the invented plant, when and how badly; and the decoys that look like it and are not.

Everything is a function of time, so that a fault is as far along in live as it was at the end of history.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, log

import numpy as np

from agent.simulate.physics import Floats

__all__ = [
    "DAY_S",
    "CalibrationJump",
    "ColdStart",
    "Decoy",
    "Fault",
    "FilterClosing",
    "HeaterAgeing",
    "HeaterOpen",
    "LoadRegime",
    "OffsetDrift",
    "OffsetRunaway",
    "Shutdown",
    "Silent",
    "SupplySag",
    "Truth",
    "inside",
    "truth_of",
]

DAY_S = 86_400.0


def inside(time_s: Floats, from_s: float, to_s: float, edge_s: float) -> Floats:
    """1 between two instants, 0 outside, straight ramps of `edge_s` within."""
    edge = min(edge_s, (to_s - from_s) / 2.0)
    return np.interp(time_s, [from_s, from_s + edge, to_s - edge, to_s], [0.0, 1.0, 1.0, 0.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterAgeing:
    """The element's resistance creeps up: the same watts want more duty."""

    probe: str
    onset_s: float
    per_day: float  # growth of demand, as a fraction of new

    def demand_factor(self, time_s: Floats) -> Floats:
        """Demand over that of the young element."""
        return 1.0 + self.per_day * np.maximum(time_s - self.onset_s, 0.0) / DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetDrift:
    """The cell's offset walks at a constant rate."""

    probe: str
    onset_s: float
    mv_per_day: float

    def offset_mv(self, time_s: Floats) -> Floats:
        """Offset added to the cell's own."""
        return self.mv_per_day * np.maximum(time_s - self.onset_s, 0.0) / DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetRunaway:
    """An electrode lifts: the offset grows faster and faster, is `mv` at `reached_s`, ends at 1.5 times it."""

    probe: str
    reached_s: float
    mv: float
    e_fold_days: float

    @property
    def onset_s(self) -> float:
        """When it is a twentieth of `mv`, about the noise of one check."""
        return self.reached_s - self.e_fold_days * DAY_S * log(20.0)

    def offset_mv(self, time_s: Floats) -> Floats:
        """Offset added to the cell's own."""
        growth = (time_s - self.reached_s) / (self.e_fold_days * DAY_S)
        return self.mv * np.exp(np.minimum(growth, log(1.5)))


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterClosing:
    """Dust closes the filter: the time constant grows to `factor` within `over_days`, then by `then_per_day`."""

    probe: str
    onset_s: float
    factor: float
    over_days: float
    then_per_day: float = 0.0  # growth after that, as a fraction a day

    def tau_factor(self, time_s: Floats) -> Floats:
        """Time constant over that of the clean filter."""
        days = np.maximum(time_s - self.onset_s, 0.0) / DAY_S
        later = np.maximum(days - self.over_days, 0.0)
        return np.exp(log(self.factor) * np.minimum(days / self.over_days, 1.0)) * (1.0 + self.then_per_day * later)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterOpen:
    """The element breaks: full output, and the cell cools."""

    probe: str
    onset_s: float
    until_s: float = inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """A transmitter stops answering."""

    probe: str
    onset_s: float
    until_s: float = inf


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdStart:
    """Power is off for a while, the transmitter silent; then the probe warms up from where it has cooled to.

    Maintenance, not a fault: it is here because it happens to one probe at a time.
    """

    probe: str
    onset_s: float
    until_s: float


Fault = HeaterAgeing | OffsetDrift | OffsetRunaway | FilterClosing | HeaterOpen | Silent | ColdStart


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRegime:
    """The whole unit runs some days at another load."""

    from_s: float
    to_s: float
    by_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutdown:
    """No fire: air in the ducts, a cold flue, heaters still on."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySag:
    """A supply group runs some days below its usual voltage."""

    group: str
    from_s: float
    to_s: float
    by_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationJump:
    """Somebody calibrated: the constants stored in the transmitter change, the cell does not."""

    probe: str
    at_s: float
    from_offset_mv: float
    to_offset_mv: float


Decoy = LoadRegime | Shutdown | SupplySag | CalibrationJump


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """One fault as a judge of the detectors sees it."""

    probe: str
    symptom: str
    part: str
    onset_s: float
    visible_from_s: float  # when what is measured truly crosses the usual limit
    until_s: float = inf


def truth_of(faults: Iterable[Fault]) -> tuple[Truth, ...]:
    """The list to score against, for the usual limits: 10 % of demand, 5 mV, twice the time constant, 2 and 5 minutes.

    A fault that never reaches its limit is not in it. An offset is measured by the next check only, a slow return is
    judged on its third episode, and a heater on a 14-day median: `visible_from_s` is the fault's, not the detector's.
    """
    found = [truth for truth in map(_truth, faults) if truth is not None and truth.visible_from_s < inf]
    return tuple(sorted(found, key=lambda truth: truth.visible_from_s))


def _truth(fault: Fault) -> Truth | None:
    match fault:
        case HeaterAgeing():
            visible = fault.onset_s + 0.10 / fault.per_day * DAY_S
            return _row(fault, "heater_duty_creep", "heater", visible)
        case OffsetDrift():
            visible = fault.onset_s + 5.0 / abs(fault.mv_per_day) * DAY_S
            return _row(fault, "cell_offset_drift", "cell", visible)
        case OffsetRunaway():
            reached = abs(fault.mv) * 1.5 > 5.0
            visible = fault.reached_s + fault.e_fold_days * DAY_S * log(5.0 / abs(fault.mv)) if reached else inf
            return _row(fault, "cell_offset_drift", "cell", visible)
        case FilterClosing():
            days = log(2.0) / log(fault.factor) * fault.over_days if fault.factor >= 2.0 else inf
            return _row(fault, "slow_recovery", "filter", fault.onset_s + days * DAY_S)
        case HeaterOpen():
            return _row(fault, "heater_open", "heater", fault.onset_s + 120.0, fault.until_s)
        case Silent():
            return _row(fault, "no_communication", "transmitter", fault.onset_s + 300.0, fault.until_s)
        case ColdStart():  # five minutes without an answer are a symptom whatever their reason
            if fault.until_s - fault.onset_s <= 300.0:
                return None
            return _row(fault, "no_communication", "transmitter", fault.onset_s + 300.0, fault.until_s)


def _row(fault: Fault, symptom: str, part: str, visible_s: float, until_s: float = inf) -> Truth:
    return Truth(
        probe=fault.probe, symptom=symptom, part=part, onset_s=fault.onset_s, visible_from_s=visible_s, until_s=until_s
    )
