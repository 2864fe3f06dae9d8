"""The cell's offset, from air checks: what the cell does (raw), and what of it misleads now (remaining).

Automatic calibration hides drift from the display, so the raw offset drives replacement and the remaining one drives
calibration and trust. Each rule asks for an effect and for evidence: the offset counts by its lower one-sided bound,
|offset| - z u, against the limit. z is 1.645 (95 % one-sided) where one check decides, and 1 (84 %) where two checks in
a row on the same side must agree, which both do by chance in 1.3 % of pairs at the limit itself.

One check and another. The uncertainty of a check says nothing of a check gone wrong: a bottle for air, a valve not
open, damp air. Such values lie anywhere, so no size makes them evident; a second check does. Let a share p of checks
go wrong beyond a limit: before any are seen p is taken for 1 in 800 (worth 200 checks; of 103 recorded air readings one
stood off by 1.7 %, none by as much as a limit here), afterwards it is learnt: (lone + 0.25) / (checks + 200), `lone`
being those that the next check did not bear out. With n checks a year one check alone speaks falsely n p times a year,
so it may speak where n p <= `lone_per_year`, 0.02 of the 0.1 that all symptoms share: monthly and rarer checks speak at
once. With more frequent ones the next, at most three weeks later, confirms. A check that follows others on its side
(4 mV, then 5.5) confirms itself, and so does a remaining offset that the raw value of the check before bears out, as
when a calibration went wrong between.

Drift is a change. A cell that is off by 3 mV from new and stays there has not drifted, so two checks in a row speak
from 2 mV only if they have also moved, by more than damp air does, from the median of the first checks. Beyond 5 mV a
cell is spent, whatever it had from new.
"""

from collections.abc import Sequence
from math import inf, isfinite, nan
from statistics import median

from detectors.cell_offset_drift_state import (
    RULES,
    SYMPTOM,
    AirCheck,
    CellOffsetDriftSettings,
    CellOffsetDriftState,
)
from detectors.day_trend import LATEST_S, Reach, day_trend
from detectors.finding import Finding, Report, Watch

__all__ = ["AirCheck", "CellOffsetDrift", "CellOffsetDriftSettings", "CellOffsetDriftState"]

YEAR_S = 365.25 * 86400.0
LONE_PRIOR, LONE_PRIOR_CHECKS = 0.25, 200.0  # one check in 800 goes wrong beyond a limit; from memory
MOST_U_MV = 1e9  # stands for an infinite uncertainty
RECENT = 8  # checks that tell how often there is one
UNSEEN_S = 3.5 * 86400.0  # half a week: a first check stands for one a week


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
            if not abs(check.at_s) < LATEST_S or not (
                isfinite(check.raw_offset_mv) or isfinite(check.remaining_offset_mv)
            ):
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
            state.recent_s = [*state.recent_s, check.at_s][-RECENT:]
        alone = self._may_speak_alone()
        # What the check before would have left under the calibration that is stored now.
        before = _left_before(state, check)
        waits = False
        if isfinite(raw):
            waits |= self._judge_raw(check.at_s, raw, raw_u, alone=alone)
        borne_out = before * remaining > 0.0 and abs(before) >= settings.clear_frac * settings.remaining_limit_mv
        waits |= self._single("remaining", remaining, remaining_u, settings.remaining_limit_mv, sure=alone or borne_out)
        if isfinite(remaining):
            state.last_remaining_mv = remaining
        state.seen_s = check.at_s
        active = any(state.spoke.values())
        if not active:
            state.since_s = None
        elif state.since_s is None:
            state.since_s = check.at_s
        return self._finding(check, raw_u, remaining_u, active=active, waits=waits)

    def _may_speak_alone(self) -> bool:
        """Whether checks are so rare, or so reliable, that one alone speaks falsely seldom enough."""
        state = self.state
        if not state.recent_s:
            return False
        p = (state.lone + LONE_PRIOR) / (state.checks + LONE_PRIOR_CHECKS)
        span_s = max(0.0, state.recent_s[-1] - state.recent_s[0]) + UNSEEN_S
        return p * (len(state.recent_s) - 0.5) / span_s * YEAR_S <= self.settings.lone_per_year

    def _judge_raw(self, at_s: float, raw: float, raw_u: float, *, alone: bool) -> bool:
        """The cell's own offset: one check far out, two in a row on one side. Whether it waits for another check."""
        state, settings = self.state, self.settings
        state.days.add(at_s, raw)
        last, before = state.last_raw_mv, state.before_raw_mv
        if last is not None and before is not None:
            state.lone += abs(last - before) > settings.pair_limit_mv and abs(raw - before) < abs(raw - last)
        new = self._from_new(raw)
        side, last_side = self._side(raw, raw_u, new), self._side(nan if last is None else last, state.last_u_mv, new)
        within = abs(raw) < settings.clear_frac * settings.pair_limit_mv
        within |= abs(raw - new) < settings.clear_frac * settings.moved_mv
        if side != 0 and side == last_side:
            state.spoke["pair"] = True
        elif within and state.last_within:
            state.spoke["pair"] = False
        near = last is not None and last * raw > 0.0 and abs(last) >= settings.clear_frac * settings.raw_limit_mv
        near = near and state.last_u_mv < settings.pair_limit_mv
        sure = alone or near or side == last_side != 0
        waits = self._single("raw", raw, raw_u, settings.raw_limit_mv, sure=sure)
        urgent_mv = settings.urgent_factor * settings.raw_limit_mv
        if abs(raw) - settings.single_z * raw_u > urgent_mv:
            state.urgent = True
        elif abs(raw) < settings.clear_frac * urgent_mv:
            state.urgent = False
        state.last_within = within
        state.last_raw_mv, state.last_u_mv, state.before_raw_mv = raw, min(raw_u, MOST_U_MV), last
        return waits

    def _side(self, raw: float, u_mv: float, new: float) -> int:
        """On which side a raw offset is evidently beyond the pair's limit, and away from what the cell had from new."""
        settings = self.settings
        if not (abs(raw) - settings.pair_z * u_mv > settings.pair_limit_mv and abs(raw - new) > settings.moved_mv):
            return 0
        return 1 if raw > 0 else -1

    def _from_new(self, raw: float) -> float:
        """What the cell had from new: the median of the first checks without this one and the one before; else NaN."""
        state = self.state
        state.raw_checks += 1
        if len(state.first_mv) < self.settings.learn_checks:
            state.first_mv.append(raw)
        known = state.first_mv[: max(0, state.raw_checks - 2)]
        return median(known) if known else nan

    def _single(self, rule: str, offset_mv: float, u_mv: float, limit_mv: float, *, sure: bool) -> bool:
        """One check decides where it is sure of itself; an unknown offset changes nothing. Whether it waits."""
        beyond = abs(offset_mv) - self.settings.single_z * u_mv > limit_mv
        if beyond and sure:
            self.state.spoke[rule] = True
        elif abs(offset_mv) < self.settings.clear_frac * limit_mv:
            self.state.spoke[rule] = False
        return beyond and not self.state.spoke[rule]

    def _finding(self, check: AirCheck, raw_u: float, remaining_u: float, *, active: bool, waits: bool) -> Finding:
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
            "waits_for_another_check": waits,
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


def _left_before(state: CellOffsetDriftState, check: AirCheck) -> float:
    """The remaining offset of the check before, counted against the calibration of this one; NaN unknown."""
    if check.restored:
        last, before = state.last_raw_mv, state.before_raw_mv
    else:
        last, before = check.raw_offset_mv, state.last_raw_mv
    if last is not None and isfinite(last):
        return nan if before is None else before - (last - check.remaining_offset_mv)
    return nan if state.last_remaining_mv is None else state.last_remaining_mv
