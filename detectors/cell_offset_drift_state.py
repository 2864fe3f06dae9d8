"""Input, settings and state of the cell's offset drift."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import nan
from typing import Any

from detectors.day_trend import DayMeans
from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, between, whole

__all__ = ["RULES", "SYMPTOM", "AirCheck", "CellOffsetDriftSettings", "CellOffsetDriftState"]

SYMPTOM = "cell_offset_drift"
VERSION = 2
RULES = ("raw", "pair", "remaining")


@dataclass(frozen=True, slots=True, kw_only=True)
class AirCheck:
    """What one settled air check said: the cell's offsets in mV with standard uncertainties, NaN unknown.

    A transmitter that does not tell its stored calibration leaves only the remaining offset. A calibration stored after
    a check changes what remains of it: that comes as one of these with `restored`, and is no check of its own.
    """

    at_s: float
    raw_offset_mv: float
    raw_u_mv: float
    remaining_offset_mv: float = nan
    remaining_u_mv: float = nan
    presumed: bool = False  # recognised from the signals, not flagged by the transmitter
    restored: bool = False  # no check: a new stored offset, counted against the last raw one


@dataclass(frozen=True, slots=True, kw_only=True)
class CellOffsetDriftSettings:
    """Limits in mV, and how sure to be of them."""

    raw_limit_mv: float = 5.0  # common practice: one check
    pair_limit_mv: float = 2.0  # common practice: two checks in a row, same side
    remaining_limit_mv: float = 2.0  # common practice: 2 mV show 3.0 % O2 as 2.7 or 3.3
    urgent_factor: float = 2.0  # level 2 from this many raw limits on
    single_z: float = 1.645
    pair_z: float = 1.0
    learn_checks: int = 4  # the first ones, whose median is what the cell had from new
    moved_mv: float = 1.0  # from there, before two checks in a row speak: damp reference air moves up to 1.1 mV
    # False words a probe-year that a check alone may cost; see the module's description.
    lone_per_year: float = 0.02
    clear_frac: float = 0.8  # a rule that spoke is silent again below this part of its limit
    unknown_u_mv: float = 0.5  # where a check brings no uncertainty: damp reference air alone is 0.2 to 1.1 mV
    trend_checks: int = 6
    trend_days: float = 60.0
    trend_p: float = 0.01

    def __post_init__(self) -> None:
        for name in ("raw_limit_mv", "pair_limit_mv", "remaining_limit_mv", "unknown_u_mv", "moved_mv", "trend_days"):
            above(name, getattr(self, name), 0.0)
        at_least("urgent_factor", self.urgent_factor, 1.0)
        at_least("single_z", self.single_z, 0.0)
        at_least("pair_z", self.pair_z, 0.0)
        between("clear_frac", self.clear_frac, 0.0, 1.0)
        between("trend_p", self.trend_p, 0.0, 0.5)
        at_least("lone_per_year", self.lone_per_year, 0.0)
        whole("learn_checks", self.learn_checks, 1)
        whole("trend_checks", self.trend_checks, 4)


@dataclass(slots=True, kw_only=True)
class CellOffsetDriftState:
    """All that must survive a restart."""

    seen_s: float | None = None  # the latest check
    checks: int = 0
    presumed: int = 0  # of them
    recent_s: list[float] = field(default_factory=list)  # the latest checks' times: how often there is one
    first_mv: list[float] = field(default_factory=list)  # raw offsets of the first checks
    raw_checks: int = 0  # that told a raw offset
    last_raw_mv: float | None = None
    before_raw_mv: float | None = None  # of the check before the last
    last_remaining_mv: float | None = None
    lone: int = 0  # checks that jumped away from the one before and were not borne out by the next
    last_u_mv: float = 0.0  # of the last raw offset
    last_within: bool = True  # the latest check was within the pair limit's lower edge
    since_s: float | None = None
    spoke: dict[str, bool] = field(default_factory=lambda: dict.fromkeys(RULES, False))
    urgent: bool = False
    days: DayMeans = field(default_factory=DayMeans)

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {"version": VERSION, **asdict(self)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "CellOffsetDriftState":
        """The state back; ValueError for a version that is none of ours."""
        saved = _from_first(saved) if saved.get("version") == 1 else saved
        check_version(saved, SYMPTOM, VERSION)
        rest = {key: value for key, value in saved.items() if key not in ("version", "days")}
        lists = {name: list(saved[name]) for name in ("recent_s", "first_mv")}
        return cls(**{**rest, **lists, "spoke": dict(saved["spoke"])}, days=DayMeans(**saved["days"]))


def _from_first(saved: Mapping[str, Any]) -> dict[str, Any]:
    """A state of version 1: what its trend remembers stands for the first checks."""
    first = [float(mean) for mean in saved["days"]["mean"][:4]]
    seen = [] if saved["seen_s"] is None else [saved["seen_s"]]
    rest = {name: value for name, value in saved.items() if name != "last_side"}
    return {**rest, "version": VERSION, "recent_s": seen, "first_mv": first, "raw_checks": saved["checks"]}
