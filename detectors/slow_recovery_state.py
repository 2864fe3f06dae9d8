"""Input, settings and state of the slow recovery."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import nan
from typing import Any, Literal

from detectors.baseline import Baseline
from detectors.day_trend import DayMeans
from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, between, whole

__all__ = ["SYMPTOM", "After", "Recovery", "SlowRecoverySettings", "SlowRecoveryState"]

SYMPTOM = "slow_recovery"
VERSION = 2
After = Literal["air_check", "blowback", "furnace_purge", "test_gas"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """One return of the flue gas. NaN is unknown; `tau_u_s` is a standard uncertainty."""

    at_s: float
    after: After
    tau_s: float
    tau_u_s: float = nan
    accepted: bool = True
    why_not: str = ""
    load_pct: float = nan
    flue_temp_c: float = nan
    cell_temp_c: float = nan
    presumed: bool = False  # recognised from the signals, not flagged by the transmitter
    twin_used: bool = False  # a twin told what the process did meanwhile


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowRecoverySettings:
    """Limits as multiples of the baseline, and how it is learnt."""

    slow_ratio: float = 2.0  # common practice: plan a change of filter
    urgent_ratio: float = 4.0  # common practice: change it at the next chance
    clear_ratio: float = 1.7
    rising_ratio: float = 1.5  # told from here on while it evidently rises and will soon have doubled
    of_last: int = 4
    slow_count: int = 3
    urgent_count: int = 2
    evidence_z: float = 1.645  # 95 % one-sided, the uncertainty of an episode and of the baseline counted ...
    evidence_ratio: float = 1.25  # ... must leave at least this ratio
    learn_episodes: int = 10  # a presumed one counts half
    learn_days: float = 3.0
    learn_most: int = 30  # patience with a trend while learning
    as_new_tau_s: float | None = None
    as_new_ratio: float = 1.5  # a baseline above this many as-new time constants is not believed

    def __post_init__(self) -> None:
        above("clear_ratio", self.clear_ratio, 0.0)
        at_least("slow_ratio", self.slow_ratio, self.clear_ratio)
        between("rising_ratio", self.rising_ratio, 1.1, self.slow_ratio)
        at_least("urgent_ratio", self.urgent_ratio, self.slow_ratio)
        whole("of_last", self.of_last, 1)
        whole("slow_count", self.slow_count, 1)
        whole("urgent_count", self.urgent_count, 1)
        between("slow_count", self.slow_count, 1, self.of_last)
        between("urgent_count", self.urgent_count, 1, self.of_last)
        at_least("evidence_z", self.evidence_z, 0.0)
        between("evidence_ratio", self.evidence_ratio, 1.0, self.slow_ratio)
        whole("learn_episodes", self.learn_episodes, 3)
        whole("learn_most", self.learn_most, self.learn_episodes)
        at_least("learn_days", self.learn_days, 0.0)
        above("as_new_ratio", self.as_new_ratio, 0.0)
        if self.as_new_tau_s is not None:
            above("as_new_tau_s", self.as_new_tau_s, 0.0)


@dataclass(slots=True, kw_only=True)
class SlowRecoveryState:
    """All that must survive a restart. `learning` and `baselines` are by group of like episodes."""

    seen_s: float | None = None
    refused: int = 0  # episodes that were not accepted
    learning: dict[str, list[list[float | None]]] = field(default_factory=dict)
    baselines: dict[str, Baseline] = field(default_factory=dict)
    presumed_learnt: int = 0
    recent: list[list[float]] = field(default_factory=list)  # at_s, ln ratio, its u, tau_s, relative u of tau
    days: DayMeans = field(default_factory=DayMeans)  # of the ratio
    slow: bool = False
    urgent: bool = False
    rising: bool = False
    since_s: float | None = None

    @property
    def active(self) -> bool:
        """Whether any rule speaks."""
        return self.slow or self.rising

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {"version": VERSION, **asdict(self)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "SlowRecoveryState":
        """The state back; ValueError for a version that is none of ours."""
        if saved.get("version") == 1:
            old = {key: value for key, value in saved.items() if key != "active"}
            saved = {**old, "version": VERSION, "slow": saved["active"], "rising": False}
        check_version(saved, SYMPTOM, VERSION)
        rest = {key: value for key, value in saved.items() if key not in ("version", "days", "baselines")}
        baselines = {key: Baseline.from_dict(value) for key, value in saved["baselines"].items()}
        return cls(**rest, baselines=baselines, days=DayMeans(**saved["days"]))
