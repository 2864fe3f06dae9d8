"""The heater works harder than it did for the same losses: it ages, a contact corrodes, or more heat is lost.

The demand (duty at nominal voltage) of each UTC day is compared, as its logarithm and for like load, flue and head
temperature, with a baseline that was learnt once and frozen. The symptom asks for an effect (10 % over 14 days) and for
evidence: z > 3, where the uncertainty holds the day-to-day scatter with its autocorrelation, the baseline's own
uncertainty under today's conditions, and, as far as no signal tells them, season, load and supply (`heater_evidence`).

The budget behind z: what is not measured moves on a scale of a month, so a healthy year asks about twelve independent
questions; at z = 3 one of them is answered wrongly in 60 years (0.13 % each), if the standard deviations that are taken
for what nobody measured are right. Where all is measured the effect decides, and z is met well before.
"""

from collections.abc import Mapping, Sequence
from math import exp, hypot, isfinite, log, nan

import numpy as np

from detectors.baseline import Baseline
from detectors.day_trend import DayTrend, Reach, day_trend
from detectors.finding import Finding, Report
from detectors.heater_days import DAY_S, DayRow, HeaterDays, HeaterMinutes
from detectors.heater_duty_creep_report import report_of
from detectors.heater_duty_creep_state import (
    CONDITIONS,
    DAY,
    KEPT_DAYS,
    KEPT_PAST,
    LN_DEMAND,
    OHM,
    PAST_DAYS,
    RESIDUAL,
    SYMPTOM,
    VOLTS,
    WATTS,
    WEATHER,
    HeaterDutyCreepSettings,
    HeaterDutyCreepState,
)
from detectors.heater_evidence import Evidence, Level, Unmeasured, evidence, sampling_u
from detectors.heater_priors import LOAD_PRIOR, demand_priors
from detectors.learning import try_freeze
from detectors.saved_state import plain, unplain
from detectors.step_or_creep import step_or_creep
from detectors.stretch import Floats

__all__ = ["HeaterDutyCreep", "HeaterDutyCreepSettings", "HeaterDutyCreepState", "HeaterMinutes"]

LEAST_SCATTER = 0.003  # of a day's demand: no heater is steadier
RHO_PRIOR_POINTS = 20.0  # days of process signals are alike within +-0.25 of one value, as 20 of them tell it
FLUE_SHARE, HEAD_SHARE = 0.7, 0.3  # of the season's swing, where the one and the other are not measured


class HeaterDutyCreep:
    """Judges once a complete UTC day, from the last `window_days`.

    While it learns, and after, absolute limits guard: a demand that full duty cannot meet on low supply, and one far
    above an as-new probe's where a map carries it. They need no baseline, so a probe commissioned sick is told too.
    """

    def __init__(
        self, settings: HeaterDutyCreepSettings | None = None, state: HeaterDutyCreepState | None = None
    ) -> None:
        self.settings = HeaterDutyCreepSettings() if settings is None else settings
        self.state = HeaterDutyCreepState() if state is None else state

    def update(self, minutes: HeaterMinutes) -> list[Finding]:
        """Take minutes, time rising; judges the days that they complete."""
        return [found for row in self.state.days.update(minutes) for found in self._take(row)]

    def advance(self, now_s: float) -> list[Finding]:
        """Time passes: a day is judged `day_grace_s` after its end even if no later minute comes."""
        return [found for row in self.state.days.advance(now_s, self.settings.day_grace_s) for found in self._take(row)]

    def renew(self) -> None:
        """Heater, thermocouple or assembly were replaced, and somebody recorded it: learn the new normal."""
        hour = self.state.days.hour
        self.state = HeaterDutyCreepState(days=HeaterDays(hour=hour))

    def report(self) -> Report:
        """What is known."""
        return report_of(self.settings, self.state)

    def _take(self, row: DayRow) -> list[Finding]:
        state, settings = self.state, self.settings
        usable = row.minutes >= settings.least_minutes
        if state.baseline is None and usable:
            state.learning.append(row)
            self._freeze()
        elif usable:
            self._remember(row)
        return self._judge(row.day)

    def _freeze(self) -> None:
        state, settings = self.state, self.settings
        rows = state.learning
        if len(rows) < settings.learn_days:
            return
        day = np.array([float(row.day) for row in rows])
        conditions = {name: np.array([getattr(row, name) for row in rows]) for name in CONDITIONS}
        baseline = try_freeze(
            day - day[0],
            np.log([row.demand for row in rows]),
            conditions,
            demand_priors(_median(conditions["flue_temp_c"])),
            rho_floor=settings.rho_floor,
            rho_prior_points=RHO_PRIOR_POINTS,
            least_scatter=LEAST_SCATTER,
            least_trend=0.02,
            trend_z=2.0,
            out_of_patience=len(rows) >= settings.learn_most_days,
            enough_rise=log(settings.limit_ratio),
        )
        if baseline is None:
            return
        state.baseline = baseline
        state.baseline_day, state.baseline_until = float(np.mean(day)), rows[-1].day
        early = rows[: max(1, len(rows) // 3)] if baseline.note else rows
        state.baseline_ohm = plain(_median(np.array([row.resistance_ohm for row in early])))
        state.baseline_watts = plain(_median(np.array([row.watts for row in early])))
        state.baseline_volts = all(row.has_voltage for row in rows)
        state.learning = []
        for row in rows:
            self._remember(row)

    def _remember(self, row: DayRow) -> None:
        state, baseline = self.state, self.state.baseline
        assert baseline is not None
        if state.history:
            self._close_past(row.day)
        conditions = {name: getattr(row, name) for name in CONDITIONS}
        level, level_u = baseline.expect(conditions)
        y = log(row.demand)
        kept = [float(row.day), y - level, level_u, y, plain(row.resistance_ohm), plain(row.watts)]
        kept += [float(row.has_voltage), *(plain(value) for value in conditions.values())]
        state.history = [*state.history, kept][-KEPT_DAYS:]

    def _close_past(self, day: int) -> None:
        """Once a day of a later fortnight comes, the days after learning of the last one become a row of the past."""
        state = self.state
        last = int(unplain(state.history[-1][DAY])) // PAST_DAYS
        if day // PAST_DAYS == last:
            return
        table = np.array(state.history[-PAST_DAYS:], dtype=np.float64)
        table = table[(table[:, DAY] >= last * PAST_DAYS) & (table[:, DAY] > state.baseline_until)]
        if table.shape[0] == 0:
            return
        weather = [plain(_median(table[:, j])) for j in range(WEATHER, table.shape[1])]
        middle, residual = float(np.mean(table[:, DAY])), float(np.median(table[:, RESIDUAL]))
        state.past = [*state.past, [middle, residual, float(table.shape[0]), *weather]][-KEPT_PAST:]

    def _judge(self, day: int) -> list[Finding]:
        state, settings = self.state, self.settings
        first = day - settings.window_days
        if state.baseline is None:
            learning = [row for row in state.learning if row.day > first]
            if len(learning) < settings.least_days:
                return []
            demand = float(np.median([row.demand for row in learning]))
            self._guard(demand, np.log([row.demand for row in learning]))
            return [self._finding(day, demand, facts={"has_voltage": learning[-1].has_voltage}, days=len(learning))]
        table = np.array(state.history, dtype=np.float64)  # None becomes NaN
        window = table[table[:, DAY] > first]
        if window.shape[0] < settings.least_days:
            return []
        return [self._compare(state.baseline, day, table, window)]

    def _compare(self, baseline: Baseline, day: int, table: Floats, window: Floats) -> Finding:
        state, settings = self.state, self.settings
        effect = float(np.median(window[:, RESIDUAL]))
        demand = exp(float(np.median(window[:, LN_DEMAND])))
        has_voltage = state.baseline_volts and bool(np.all(window[:, VOLTS] == 1.0))
        evident = self._evidence(baseline, window, effect, has_voltage=has_voltage)
        z, u = evident.z, evident.u
        if effect >= log(settings.limit_ratio) and z > settings.z:
            state.active = True
        elif effect < log(settings.clear_ratio):
            # A wider uncertainty alone ends nothing: what was evident once is so until the effect is gone.
            state.active = False
        self._guard(demand, window[:, LN_DEMAND])
        facts: dict[str, float | str | bool] = {
            "ratio_pct": 100.0 * (exp(effect) - 1.0),
            "z": z,
            "has_voltage": has_voltage,
            "days": float(window.shape[0]),
        }
        ohm, watts = _median(window[:, OHM]), _median(window[:, WATTS])
        if state.baseline_ohm is not None and isfinite(ohm):
            facts["resistance_ratio"] = ohm / state.baseline_ohm
        if state.baseline_watts is not None and isfinite(watts):
            facts["watts_ratio"] = watts / state.baseline_watts
        trend: DayTrend | None = None
        if state.active:
            recent = table[table[:, DAY] > day - settings.trend_days]
            shape = step_or_creep(recent[:, DAY], recent[:, RESIDUAL])
            facts["shape"] = shape.word
            if shape.at_day is not None:
                facts["step_at_s"] = shape.at_day * DAY_S
            else:
                # In units of what the baseline expects under the window's conditions.
                usual = demand / exp(effect)
                reach = Reach(limit=settings.low_supply_frac**2 / usual)
                ratio = np.exp(recent[:, RESIDUAL])
                trend = day_trend(recent[:, DAY], ratio, min_points=10, min_days=14.0, max_p=0.1, reach=reach)
        return self._finding(day, demand, facts=facts, days=window.shape[0], effect=effect, u=u, trend=trend)

    def _evidence(self, baseline: Baseline, window: Floats, effect: float, *, has_voltage: bool) -> Evidence:
        state, settings = self.state, self.settings
        unmeasured = FLUE_SHARE * (baseline.seen("flue_temp_c") is None)
        unmeasured += HEAD_SHARE * (baseline.seen("head_temp_c") is None)
        # The demand goes with V^2.
        supply = 0.0 if has_voltage else 2.0 * settings.supply_sd_frac
        load = 0.0 if baseline.seen("load_pct") is not None else LOAD_PRIOR.sd * settings.load_sd_pct
        slow = Unmeasured(
            level=hypot(hypot(supply, load), settings.other_sd_frac),
            season=settings.season_frac * unmeasured,
            lasts_days=settings.levels_last_days,
        )
        matters = effect >= log(settings.clear_ratio)
        weather = [_median(window[:, j]) for j in range(WEATHER, window.shape[1])]
        here = [float(np.mean(window[:, DAY])), effect, float(window.shape[0]), *weather]
        past = [_level(baseline, [unplain(x) for x in row]) for row in state.past] if matters else []
        return evidence(
            baseline,
            state.baseline_day,
            past,
            _level(baseline, here),
            unmeasured=slow,
            rho=max(settings.rho_floor, baseline.rho),
            since_learning_only=not matters,
        )

    def _guard(self, demand: float, ln_demand: Floats) -> None:
        """Absolute limits, by the lower one-sided bound of the window's median."""
        settings, n = self.settings, ln_demand.size
        spread = float(np.median(np.abs(ln_demand - np.median(ln_demand)))) * 1.4826
        u = sampling_u(max(LEAST_SCATTER, spread), settings.rho_floor, n)
        limits = [settings.low_supply_frac**2]
        if settings.as_new_demand is not None:
            limits.append(settings.as_new_demand * settings.as_new_ratio)
        limit = min(limits)
        if log(demand / limit) > settings.z * u:
            self.state.guard = True
        elif demand < limit * settings.clear_ratio / settings.limit_ratio:
            self.state.guard = False

    def _finding(
        self,
        day: int,
        demand: float,
        *,
        facts: Mapping[str, float | str | bool],
        days: int,
        effect: float | None = None,
        u: float | None = None,
        trend: DayTrend | None = None,
    ) -> Finding:
        state, settings = self.state, self.settings
        at_s = (day + 1) * DAY_S
        active = state.active or state.guard
        if not active:
            state.since_s = None
        elif state.since_s is None:
            state.since_s = at_s
        baseline = None if effect is None else demand / exp(effect)
        return Finding(
            symptom=SYMPTOM,
            at_s=at_s,
            active=active,
            value=demand,
            unit="",
            uncertainty=None if u is None else demand * u,
            baseline=baseline,
            limit=settings.low_supply_frac**2 if baseline is None else baseline * settings.limit_ratio,
            trend_per_day=None if trend is None or baseline is None else trend.slope_per_day * baseline,
            reaches_limit_earliest_s=None if trend is None else trend.earliest_s,
            reaches_limit_latest_s=None if trend is None else trend.latest_s,
            episodes=days,
            since_s=state.since_s,
            facts={
                **facts,
                "headroom_frac": 1.0 - demand / settings.low_supply_frac**2,
                "demand_limit": settings.low_supply_frac**2,
                "guard": state.guard,
            },
        )


def _level(baseline: Baseline, row: Sequence[float]) -> Level:
    """A row of the past, against the baseline: day, ln ratio, days, conditions."""
    away, unknown_var = baseline.away(dict(zip(CONDITIONS, row[3:], strict=True)))
    return Level(day=row[0], residual=row[1], days=int(row[2]), away=away, unknown_var=unknown_var)


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else nan
