"""The cell's offset, from air checks: what the cell does (raw), and what of it misleads now (remaining).

Automatic calibration hides drift from the display, so the raw offset drives replacement and the remaining one drives
calibration and trust. Each rule asks for an effect and for evidence: the offset counts by its lower one-sided bound,
|offset| - z u, against the limit. z is 1.645 (95 % one-sided) where one check decides, and 1 (84 %) where two checks in
a row on the same side must agree, which both do by chance in 1.3 % of pairs at the limit itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import inf, isfinite, nan
from typing import Any

from detectors.day_trend import DayMeans, Reach, day_trend
from detectors.finding import Finding, Report, Watch
from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, between, whole

__all__ = ["AirCheck", "CellOffsetDrift", "CellOffsetDriftSettings", "CellOffsetDriftState"]

SYMPTOM = "cell_offset_drift"
VERSION = 1
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
    clear_frac: float = 0.8  # a rule that spoke is silent again below this part of its limit
    unknown_u_mv: float = 0.5  # where a check brings no uncertainty: damp reference air alone is 0.2 to 1.1 mV
    trend_checks: int = 6
    trend_days: float = 60.0
    trend_p: float = 0.01

    def __post_init__(self) -> None:
        for name in ("raw_limit_mv", "pair_limit_mv", "remaining_limit_mv", "unknown_u_mv", "trend_days"):
            above(name, getattr(self, name), 0.0)
        at_least("urgent_factor", self.urgent_factor, 1.0)
        at_least("single_z", self.single_z, 0.0)
        at_least("pair_z", self.pair_z, 0.0)
        between("clear_frac", self.clear_frac, 0.0, 1.0)
        between("trend_p", self.trend_p, 0.0, 0.5)
        whole("trend_checks", self.trend_checks, 4)


@dataclass(slots=True, kw_only=True)
class CellOffsetDriftState:
    """All that must survive a restart."""

    seen_s: float | None = None  # the latest check
    checks: int = 0
    presumed: int = 0  # of them
    last_raw_mv: float | None = None
    last_side: int = 0  # of the latest check, where it was evidently beyond the pair limit
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
        """The state back; ValueError for another version."""
        check_version(saved, SYMPTOM, VERSION)
        rest = {key: value for key, value in saved.items() if key not in ("version", "days")}
        return cls(**{**rest, "spoke": dict(saved["spoke"])}, days=DayMeans(**saved["days"]))


class CellOffsetDrift:
    """Judges at every air check with a settled value.

    A rule that spoke goes on until its offset is back under `clear_frac` of its limit (the pair: at two checks in a
    row, so that one lucky check does not end what two had begun). Presumed checks are evidence like any other.
    The trend is evidence for the date only: it never raises the symptom by itself.
    """

    def __init__(
        self, settings: CellOffsetDriftSettings | None = None, state: CellOffsetDriftState | None = None
    ) -> None:
        self.settings = CellOffsetDriftSettings() if settings is None else settings
        self.state = CellOffsetDriftState() if state is None else state

    def update(self, checks: Sequence[AirCheck]) -> list[Finding]:
        """Take checks, oldest first. One not newer than the latest, or without a finite offset, is passed over."""
        found: list[Finding] = []
        for check in checks:
            if not isfinite(check.at_s) or not (isfinite(check.raw_offset_mv) or isfinite(check.remaining_offset_mv)):
                continue
            if self.state.seen_s is not None and check.at_s <= self.state.seen_s:
                continue
            found.append(self._judge(check))
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def renew(self) -> None:
        """The cell was replaced, and somebody recorded it: what was known of the old one is forgotten."""
        self.state = CellOffsetDriftState(seen_s=self.state.seen_s)

    def report(self) -> Report:
        """What is known."""
        state = self.state
        if state.checks == 0:
            return Report(watch=Watch.NOT_OBSERVABLE, needs="an air check that settles")
        learnt = f"{state.checks} air checks ({state.presumed} presumed)"
        needs = ""
        if state.last_raw_mv is None:
            needs = "cell_emf or stored_offset would tell the cell's own offset from what its calibration leaves"
        else:
            learnt += f", the last raw {state.last_raw_mv:+.1f} mV"
        if state.last_raw_mv is not None and len(state.days.day) < self.settings.trend_checks:
            needs = f"a trend wants {self.settings.trend_checks} checks over {self.settings.trend_days:g} days"
        return Report(watch=Watch.FINDING if any(state.spoke.values()) else Watch.WATCHING, learnt=learnt, needs=needs)

    def _uncertainty(self, value: float) -> float:
        # An infinite one stays so: such a check proves nothing. A negative one is somebody's mistake, so unknown.
        return value if value >= 0.0 else self.settings.unknown_u_mv

    def _judge(self, check: AirCheck) -> Finding:
        state, settings = self.state, self.settings
        raw, raw_u = check.raw_offset_mv, self._uncertainty(check.raw_u_mv)
        remaining, remaining_u = check.remaining_offset_mv, self._uncertainty(check.remaining_u_mv)
        if not check.restored:
            state.checks += 1
            state.presumed += int(check.presumed)
        if isfinite(raw):
            self._judge_raw(check.at_s, raw, raw_u)
        self._single("remaining", remaining, remaining_u, settings.remaining_limit_mv)
        state.seen_s = check.at_s
        active = any(state.spoke.values())
        if not active:
            state.since_s = None
        elif state.since_s is None:
            state.since_s = check.at_s
        return self._finding(check, raw_u, remaining_u, active=active)

    def _judge_raw(self, at_s: float, raw: float, raw_u: float) -> None:
        """The cell's own offset: one check far out, two in a row on one side."""
        state, settings = self.state, self.settings
        state.days.add(at_s, raw)
        side = (1 if raw > 0 else -1) if abs(raw) - settings.pair_z * raw_u > settings.pair_limit_mv else 0
        within = abs(raw) < settings.clear_frac * settings.pair_limit_mv
        if side != 0 and side == state.last_side:
            state.spoke["pair"] = True
        elif within and state.last_within:
            state.spoke["pair"] = False
        self._single("raw", raw, raw_u, settings.raw_limit_mv)
        urgent_mv = settings.urgent_factor * settings.raw_limit_mv
        if abs(raw) - settings.single_z * raw_u > urgent_mv:
            state.urgent = True
        elif abs(raw) < settings.clear_frac * urgent_mv:
            state.urgent = False
        state.last_side, state.last_within, state.last_raw_mv = side, within, raw

    def _single(self, rule: str, offset_mv: float, u_mv: float, limit_mv: float) -> None:
        """One check decides; an unknown offset leaves the rule as it was."""
        if abs(offset_mv) - self.settings.single_z * u_mv > limit_mv:
            self.state.spoke[rule] = True
        elif abs(offset_mv) < self.settings.clear_frac * limit_mv:
            self.state.spoke[rule] = False

    def _finding(self, check: AirCheck, raw_u: float, remaining_u: float, *, active: bool) -> Finding:
        state, settings = self.state, self.settings
        raw, remaining, spoke = check.raw_offset_mv, check.remaining_offset_mv, state.spoke
        rule = next((name for name in RULES if spoke[name]), "")
        only_remaining = spoke["remaining"] and not spoke["raw"] and not spoke["pair"]
        limit = settings.remaining_limit_mv if only_remaining else settings.raw_limit_mv
        if spoke["pair"] and not spoke["raw"]:
            limit = settings.pair_limit_mv
        trend = day_trend(
            state.days.day,
            state.days.mean,
            min_points=settings.trend_checks,
            min_days=settings.trend_days,
            max_p=settings.trend_p,
            reach=Reach(limit=settings.raw_limit_mv, both_sides=True),
        )
        facts: dict[str, float | str | bool] = {
            "rule": rule,
            "remaining_beyond": spoke["remaining"],
            "checks": float(state.checks),
            "presumed": check.presumed,
        }
        if isfinite(raw):
            facts["raw_offset_mv"] = raw
            facts["raw_u_mv"] = raw_u
        if isfinite(remaining):
            facts["remaining_offset_mv"] = remaining
            facts["remaining_u_mv"] = remaining_u
        if trend is not None:
            facts["trend_mv_per_30_days"] = 30.0 * trend.slope_per_day
            facts["trend_p"] = trend.p
        of_remaining = (only_remaining or not isfinite(raw)) and isfinite(remaining)
        u = remaining_u if of_remaining else raw_u
        return Finding(
            symptom=SYMPTOM,
            at_s=check.at_s,
            active=active,
            level=2 if spoke["raw"] and state.urgent else 1,
            value=remaining if of_remaining else raw,
            unit="mV",
            uncertainty=u if u < inf else None,
            limit=limit,
            trend_per_day=None if trend is None else trend.slope_per_day,
            reaches_limit_earliest_s=None if trend is None else trend.earliest_s,
            reaches_limit_latest_s=None if trend is None else trend.latest_s,
            episodes=state.checks,
            since_s=state.since_s,
            facts=facts,
        )
