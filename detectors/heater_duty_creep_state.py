"""Settings and state of the heater's duty creep, and the rows that it keeps."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from detectors.baseline import Baseline
from detectors.heater_days import DAY_S, DayRow, HeaterDays
from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, between, whole

__all__ = ["CONDITIONS", "KEPT_DAYS", "SYMPTOM", "HeaterDutyCreepSettings", "HeaterDutyCreepState"]

SYMPTOM = "heater_duty_creep"
VERSION = 2
KEPT_DAYS = 120  # of history, longer than any window that is judged
PAST_DAYS = 14  # that one row of the past stands for, on fixed boundaries
KEPT_PAST = 78  # rows: three years
CONDITIONS = ("load_pct", "flue_temp_c", "head_temp_c")
# A row of history: day, ln ratio to baseline, u of the baseline there, ln demand, resistance, watts, voltage known,
# and from WEATHER on the conditions.
DAY, RESIDUAL, LEVEL_U, LN_DEMAND, OHM, WATTS, VOLTS, WEATHER = range(8)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterDutyCreepSettings:
    """Limits, and how the baseline is learnt."""

    limit_ratio: float = 1.10
    clear_ratio: float = 1.07
    z: float = 3.0
    window_days: int = 14
    least_days: int = 7  # usable ones of the window
    least_minutes: int = 60  # usable ones of a day
    learn_days: int = 21
    learn_most_days: int = 60  # patience with a trend while learning
    day_grace_s: float = 900.0  # after midnight, for late minutes
    rho_floor: float = 0.5  # autocorrelation of neighbouring days that is counted whatever the learning days say
    # Standard deviations of slow levels that are not measured. A supply is kept within about one tap of its
    # transformer, +-2.5 %: uniform, so 1.44 % (EN 50160 allows +-10 %, which nobody uses up for weeks). Common practice
    supply_sd_frac: float = 0.0144
    load_sd_pct: float = 7.0  # of a fortnight's median load. Common practice
    other_sd_frac: float = 0.01  # of the demand: soot, draught, insulation. Common practice
    levels_last_days: float = 30.0  # common practice
    # Swing of the demand about its yearly mean by what is not measured: 15 K of 400 K between cell and flue.
    season_frac: float = 0.04
    low_supply_frac: float = 0.9  # EN 50160: -10 %. The demand must stay under its square to be met by full duty.
    as_new_demand: float | None = None
    as_new_ratio: float = 1.5  # demand of one kind of probe in hot and cold flues differs that much; common practice
    trend_days: int = 90  # that a date is told from

    def __post_init__(self) -> None:
        above("clear_ratio", self.clear_ratio, 1.0)
        at_least("limit_ratio", self.limit_ratio, self.clear_ratio)
        at_least("z", self.z, 0.0)
        whole("window_days", self.window_days, 1)
        between("least_days", self.least_days, 1, self.window_days)
        between("least_minutes", self.least_minutes, 1, 1440)
        whole("learn_days", self.learn_days, 5)
        whole("learn_most_days", self.learn_most_days, self.learn_days)
        between("day_grace_s", self.day_grace_s, 0.0, DAY_S)
        between("rho_floor", self.rho_floor, 0.0, 0.95)
        between("supply_sd_frac", self.supply_sd_frac, 0.0, 0.2)
        between("load_sd_pct", self.load_sd_pct, 0.0, 50.0)
        between("other_sd_frac", self.other_sd_frac, 0.0, 0.2)
        above("levels_last_days", self.levels_last_days, 0.0)
        between("season_frac", self.season_frac, 0.0, 0.5)
        between("low_supply_frac", self.low_supply_frac, 0.5, 1.0)
        if self.as_new_demand is not None:
            above("as_new_demand", self.as_new_demand, 0.0)
        above("as_new_ratio", self.as_new_ratio, 1.0)
        between("trend_days", self.trend_days, self.window_days, KEPT_DAYS)


@dataclass(slots=True, kw_only=True)
class HeaterDutyCreepState:
    """All that must survive a restart."""

    days: HeaterDays = field(default_factory=HeaterDays)
    learning: list[DayRow] = field(default_factory=list)
    baseline: Baseline | None = None
    baseline_day: float = 0.0  # middle of the learning days
    baseline_until: int = 0  # the last of them
    baseline_ohm: float | None = None
    baseline_watts: float | None = None
    baseline_volts: bool = False
    history: list[list[float | None]] = field(default_factory=list)  # usable days, see DAY ... WEATHER
    past: list[list[float | None]] = field(default_factory=list)  # day, ln ratio, days, conditions; after learning
    active: bool = False
    guard: bool = False  # an absolute limit speaks
    since_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        saved = {
            name: getattr(self, name) for name in ("baseline_day", "baseline_until", "baseline_ohm", "baseline_watts")
        }
        saved |= {name: getattr(self, name) for name in ("baseline_volts", "active", "guard", "since_s")}
        return {
            "version": VERSION,
            **saved,
            "days": self.days.to_dict(),
            "learning": [row.to_dict() for row in self.learning],
            "baseline": None if self.baseline is None else self.baseline.to_dict(),
            "history": [list(row) for row in self.history],
            "past": [list(row) for row in self.past],
        }

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "HeaterDutyCreepState":
        """The state back; ValueError for a version that is none of ours."""
        saved = _from_first(saved) if saved.get("version") == 1 else saved
        check_version(saved, SYMPTOM, VERSION)
        rest = {k: v for k, v in saved.items() if k not in ("version", "days", "learning", "baseline", "history")}
        learning = [DayRow.from_dict(row) for row in saved["learning"]]
        return cls(
            **{**rest, "past": [list(row) for row in saved["past"]]},
            days=HeaterDays.from_dict(saved["days"]),
            learning=learning,
            baseline=None if saved["baseline"] is None else Baseline.from_dict(saved["baseline"]),
            history=[list(row) for row in saved["history"]],
        )


def _from_first(saved: Mapping[str, Any]) -> dict[str, Any]:
    """A state of version 1: no past but its history, whose days did not keep their conditions."""
    baseline = saved["baseline"]
    learnt = 0 if baseline is None else int(saved["baseline_day"] + 0.5 * float(baseline["points"])) + 1
    history = [[*row, *([None] * len(CONDITIONS))] for row in saved["history"]]
    return {**saved, "version": VERSION, "baseline_until": learnt, "history": history, "past": []}
