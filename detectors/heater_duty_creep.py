"""The heater works harder than it did for the same losses: it ages, a contact corrodes, or more heat is lost.

The demand (duty at nominal voltage) of each UTC day is compared, as its logarithm and for like load, flue and head
temperature, with a baseline that was learnt once and frozen. The symptom asks for an effect (10 % over 14 days) and for
evidence: z > 3, where the uncertainty holds the day-to-day scatter with its autocorrelation, the baseline's own
uncertainty under today's conditions, the season that nobody measures, and, without a voltage, the supply.
"""

from collections.abc import Mapping
from math import exp, isfinite, log, nan, pi, sin, sqrt

import numpy as np

from detectors.baseline import Baseline, Prior
from detectors.day_trend import DayTrend, Reach, day_trend
from detectors.finding import Finding, Report, Watch
from detectors.heater_days import DAY_S, DayRow, HeaterDays, HeaterMinutes
from detectors.heater_duty_creep_state import KEPT_DAYS, SYMPTOM, HeaterDutyCreepSettings, HeaterDutyCreepState
from detectors.learning import try_freeze
from detectors.saved_state import plain
from detectors.stats.autocorrelation import ar1_inflation
from detectors.step_or_creep import step_or_creep
from detectors.stretch import Floats

__all__ = ["HeaterDutyCreep", "HeaterDutyCreepSettings", "HeaterDutyCreepState", "HeaterMinutes"]

MEDIAN_COST = sqrt(pi / 2.0)  # standard error of a median over that of a mean, normal scatter
LEAST_SCATTER = 0.003  # of a day's demand: no heater is steadier

# What moves the demand, per % of load and per kelvin, before the plant's own days have spoken. Load moves the heat
# transfer either way. Most of the losses go to the flue, so they go with T_cell - T_flue (see `_priors`).
LOAD_PRIOR = Prior(0.0, 0.003)
HEAD_PRIOR = Prior(-0.0005, 0.0005)
USUAL_CELL_C = 700.0
LOST_TO_FLUE = (0.8, 0.25)  # share of the losses and its standard deviation; common practice
HOTTEST_FLUE_C = 550.0  # nearer to the cell the rule breaks down
CONDITIONS = ("load_pct", "flue_temp_c", "head_temp_c")
FLUE_SHARE, HEAD_SHARE = 0.7, 0.3  # of the season's swing, where the one and the other are not measured

# day, ln ratio to baseline, u of the baseline there, ln demand, resistance, watts, voltage known
DAY, RESIDUAL, LEVEL_U, LN_DEMAND, OHM, WATTS, VOLTS = range(7)


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
        state, settings = self.state, self.settings
        baseline = state.baseline
        found = state.active or state.guard
        if baseline is None:
            have = len(state.learning)
            if have == 0:
                return Report(watch=Watch.NOT_OBSERVABLE, needs="a heater duty, in service and thermally stable")
            still = ", which still move" if have >= settings.learn_days else ""
            return Report(
                watch=Watch.FINDING if found else Watch.LEARNING,
                learnt=f"{have} days so far{still}",
                needs=f"{settings.learn_days} usable days",
            )
        what = "demand" if state.baseline_volts else "duty"
        conditions = [
            f"{word} {seen[0]:.0f}..{seen[1]:.0f} {unit}"
            for name, word, unit in WORDS
            if (seen := baseline.seen(name)) is not None
        ]
        level_u = exp(baseline.level) * sqrt(baseline.cov[0][0])
        head = ", ".join([f"learnt from {baseline.points} days", *conditions])
        learnt = f"{head}: {what} {exp(baseline.level):.2f} +- {max(level_u, 0.01):.2f}"
        needs = [] if state.baseline_volts else ["supply_voltage would separate supply from heater"]
        missing = [
            signal
            for name, signal in (("flue_temp_c", "flue_temp"), ("head_temp_c", "head_temp"))
            if baseline.seen(name) is None
        ]
        needs += [f"{' and '.join(missing)} would separate the season"] if missing else []
        note = f" ({baseline.note})" if baseline.note else ""
        return Report(watch=Watch.FINDING if found else Watch.WATCHING, learnt=learnt + note, needs="; ".join(needs))

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
            _priors(conditions["flue_temp_c"]),
            rho_floor=settings.rho_floor,
            least_scatter=LEAST_SCATTER,
            least_trend=0.02,
            trend_z=2.0,
            out_of_patience=len(rows) >= settings.learn_most_days,
        )
        if baseline is None:
            return
        state.baseline = baseline
        state.baseline_day = float(np.mean(day))
        early = rows[: max(1, len(rows) // 3)] if baseline.note else rows
        state.baseline_ohm = plain(_median(np.array([row.resistance_ohm for row in early])))
        state.baseline_watts = plain(_median(np.array([row.watts for row in early])))
        state.baseline_volts = all(row.has_voltage for row in rows)
        state.learning = []
        for row in rows:
            self._remember(row)

    def _remember(self, row: DayRow) -> None:
        baseline = self.state.baseline
        assert baseline is not None
        level, level_u = baseline.expect({name: getattr(row, name) for name in CONDITIONS})
        y = log(row.demand)
        kept = [float(row.day), y - level, level_u, y, plain(row.resistance_ohm), plain(row.watts)]
        self.state.history = [*self.state.history, [*kept, float(row.has_voltage)]][-KEPT_DAYS:]

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
        u = self._uncertainty(baseline, day, window, has_voltage=has_voltage)
        z = effect / u
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

    def _uncertainty(self, baseline: Baseline, day: int, window: Floats, *, has_voltage: bool) -> float:
        """Standard uncertainty of the effect, a logarithm."""
        n = window.shape[0]
        rho = max(self.settings.rho_floor, baseline.rho)
        sampling = MEDIAN_COST * baseline.scatter * sqrt(ar1_inflation(rho, n) / n)
        level = float(np.median(window[:, LEVEL_U]))
        unmeasured = FLUE_SHARE * (baseline.seen("flue_temp_c") is None)
        unmeasured += HEAD_SHARE * (baseline.seen("head_temp_c") is None)
        lag_days = day - self.state.baseline_day
        season = self.settings.season_frac * unmeasured
        # Two days of a yearly swing differ by 2 sin(pi lag / year) of it at most, 1 / sqrt(2) of that in standard
        # deviation; half a year and more apart the whole of it is counted for good.
        season *= sqrt(2.0) * (sin(pi * lag_days / 365.25) if lag_days < 182.0 else 1.0)
        supply = 0.0
        if not has_voltage:
            # The demand goes with V^2. What the scatter of the days already shows of it is not counted twice.
            supply = sqrt(max(0.0, (2.0 * self.settings.supply_sd_frac) ** 2 - sampling**2))
        return sqrt(sampling**2 + level**2 + season**2 + supply**2)

    def _guard(self, demand: float, ln_demand: Floats) -> None:
        """Absolute limits, by the lower one-sided bound of the window's median."""
        settings, n = self.settings, ln_demand.size
        spread = float(np.median(np.abs(ln_demand - np.median(ln_demand)))) * 1.4826
        u = MEDIAN_COST * max(LEAST_SCATTER, spread) * sqrt(ar1_inflation(settings.rho_floor, n) / n)
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


WORDS = (("load_pct", "load", "%"), ("flue_temp_c", "flue", "degC"), ("head_temp_c", "head", "degC"))


def _priors(flue_temp_c: Floats) -> dict[str, Prior]:
    """Losses to the flue go with T_cell - T_flue, so their logarithm by -1 / (T_cell - T_flue) a kelvin of flue."""
    flue_c = _median(flue_temp_c)
    per_k = -1.0 / (USUAL_CELL_C - min(HOTTEST_FLUE_C, flue_c if isfinite(flue_c) else 300.0))
    flue = Prior(LOST_TO_FLUE[0] * per_k, abs(LOST_TO_FLUE[1] * per_k))
    return {"load_pct": LOAD_PRIOR, "flue_temp_c": flue, "head_temp_c": HEAD_PRIOR}


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else nan
