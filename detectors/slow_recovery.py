"""The filter closing: after air has filled it, flue gas comes back ever more slowly.

Each accepted episode gives a time constant, compared as its logarithm with what the filter did when the baseline was
learnt, at like load and flue temperature. Diffusion of gases goes with about T^1.75 [1], so a colder flue is slower by
itself: 250 instead of 400 degC is 1.55 times.

[1] E. N. Fuller, P. D. Schettler, J. C. Giddings, "A new method for prediction of binary gas-phase diffusion
    coefficients", Ind. Eng. Chem. 58 (5), 18-27, 1966.
"""

from collections.abc import Sequence
from math import exp, hypot, isfinite, log, sqrt

import numpy as np

from detectors.baseline import Baseline, Prior
from detectors.day_trend import LATEST_S, DayMeans, Reach, day_trend
from detectors.filter_rising import recent_ratio, rising, unmeasured_u
from detectors.finding import Finding, Report, Watch
from detectors.learning import try_freeze
from detectors.saved_state import plain, unplain
from detectors.slow_recovery_state import SYMPTOM, After, Recovery, SlowRecoverySettings, SlowRecoveryState
from detectors.stats.robust import median

__all__ = ["After", "Recovery", "SlowRecovery", "SlowRecoverySettings", "SlowRecoveryState"]

DIFFUSION_EXPONENT = 1.75  # [1]
ABS_ZERO_C = -273.15
LN_T_PRIOR = Prior(-DIFFUSION_EXPONENT, 0.25)  # part of the way may be flow, which depends less on temperature
LOAD_PRIOR = Prior(0.0, 0.005)  # per % load: a factor of 1.3 over 50 % of load is nothing special; common practice
BLOWBACK_PRIOR = Prior(0.0, 0.3)  # air check and blowback are alike, unless the data say otherwise
UNKNOWN_TAU_REL_U = 0.15  # where an episode brings no uncertainty
AS_NEW_REL_U = 0.2  # how far new filters of one kind and their episodes differ; common practice
PROVES_NOTHING = 1e3  # stands for an infinite uncertainty
WORTH_A_DATE = 1.2  # ratio from which a trend is worked out
MOST_LN = 20.0  # of a ratio: more is nonsense, but a number


class SlowRecovery:
    """Judges at each accepted episode: tau beyond `slow_ratio` baselines in `slow_count` of the last `of_last`.

    A filter that is evidently closing and will soon be there is told before (`filter_rising`).

    Air checks and blowbacks fill the same filter with air and are compared together, a difference between them being
    learnt with the rest; so is a furnace purge when a twin told what the process did. A furnace purge without a twin
    compares only with furnace purges, a return after test gas with its own like.

    The first baseline is learnt, then frozen; `renew` is the only way to another. While it is learnt, and after, a
    filter is not taken for new above `as_new_ratio` times an as-new time constant, where a map carries one.
    """

    def __init__(self, settings: SlowRecoverySettings | None = None, state: SlowRecoveryState | None = None) -> None:
        self.settings = SlowRecoverySettings() if settings is None else settings
        self.state = SlowRecoveryState() if state is None else state

    def update(self, recoveries: Sequence[Recovery]) -> list[Finding]:
        """Take episodes, oldest first. One not newer than the latest or without a usable tau is passed over."""
        found: list[Finding] = []
        for recovery in recoveries:
            if not abs(recovery.at_s) < LATEST_S:
                continue
            if self.state.seen_s is not None and recovery.at_s <= self.state.seen_s:
                continue
            self.state.seen_s = recovery.at_s
            if not recovery.accepted or not isfinite(recovery.tau_s) or recovery.tau_s <= 0.0:
                self.state.refused += 1
                continue
            found += self._take(recovery)
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def renew(self) -> None:
        """The filter was replaced or cleaned, and somebody recorded it: learn the new normal."""
        self.state = SlowRecoveryState(seen_s=self.state.seen_s)

    def report(self) -> Report:
        """What is known."""
        state = self.state
        if not state.baselines:
            have = max((len(rows) for rows in state.learning.values()), default=0)
            if have == 0:
                why = f" ({state.refused} were not steady enough)" if state.refused else ""
                return Report(watch=Watch.NOT_OBSERVABLE, needs=f"a return after an air check or a blowback{why}")
            wanted = f"{self.settings.learn_episodes} episodes over {self.settings.learn_days:g} days"
            moving = ", which still move" if have >= self.settings.learn_episodes else ""
            watch = Watch.FINDING if state.active else Watch.LEARNING
            return Report(watch=watch, learnt=f"{have} episodes so far{moving}", needs=wanted)
        words = [_words(group, baseline) for group, baseline in sorted(state.baselines.items())]
        group = "air" if "air" in state.baselines else min(state.baselines)
        missing = [
            word
            for name, word in (("ln_flue_k", "flue_temp"), ("load_pct", "load"))
            if state.baselines[group].seen(name) is None
        ]
        needs = f"{' and '.join(missing)} would tell a slow filter from a cold or idle flue" if missing else ""
        return Report(watch=Watch.FINDING if state.active else Watch.WATCHING, learnt="; ".join(words), needs=needs)

    def _take(self, recovery: Recovery) -> list[Finding]:
        group = _group(recovery)
        row = _row(recovery)
        baseline = self.state.baselines.get(group)
        if baseline is None:
            rows = self.state.learning.setdefault(group, [])
            rows.append(row)
            first = not self.state.baselines
            baseline = self._freeze(group, rows)
            if baseline is not None and first:
                # What was learnt from is now judged by it: a filter that closed meanwhile speaks at once.
                self.state.recent, self.state.days = [], DayMeans()
                for old in rows[:-1]:
                    self._judge_row(old, group)
        if baseline is None and not (self.settings.as_new_tau_s is not None and group != "furnace_purge"):
            return []
        level = self._judge_row(row, group)
        return [self._finding(recovery, level, "baseline" if baseline is not None else "as_new")]

    def _freeze(self, group: str, rows: list[list[float | None]]) -> Baseline | None:
        """The group's baseline when enough was seen and it stood still."""
        settings = self.settings
        table = np.array(rows, dtype=np.float64)  # None becomes NaN
        flagged = table[:, 6] == 0.0
        weight = float(np.count_nonzero(flagged)) + 0.5 * float(np.count_nonzero(~flagged))
        days = (table[:, 0] - table[0, 0]) / 86400.0
        if weight < settings.learn_episodes or days[-1] < settings.learn_days:
            return None
        conditions = {"load_pct": table[:, 3], "ln_flue_k": table[:, 4]}
        priors = {"load_pct": LOAD_PRIOR, "ln_flue_k": LN_T_PRIOR}
        if 0.0 < float(np.mean(table[:, 5])) < 1.0:
            conditions["blowback"], priors["blowback"] = table[:, 5], BLOWBACK_PRIOR
        baseline = try_freeze(
            days,
            table[:, 1],
            conditions,
            priors,
            rho_floor=0.0,
            least_scatter=0.03,
            least_trend=log(1.25),
            trend_z=2.0,
            out_of_patience=weight >= settings.learn_most,
            enough_rise=log(settings.slow_ratio),
            point_u=np.minimum(table[:, 2], 10.0),
        )
        if baseline is not None:
            self.state.baselines[group] = baseline
            self.state.presumed_learnt += int(np.count_nonzero(~flagged))
            del self.state.learning[group]
        return baseline

    def _judge_row(self, row: list[float | None], group: str) -> float:
        """Add an episode to the recent ones; returns the ln of the time constant that was expected of it."""
        at_s, y, u, load, ln_flue_k, blowback = (unplain(x) for x in row[:6])
        baseline = self.state.baselines.get(group)
        level, level_u = np.inf, 0.0
        if baseline is not None:
            level, level_u = baseline.expect({"load_pct": load, "ln_flue_k": ln_flue_k, "blowback": blowback})
            level_u = hypot(level_u, baseline.scatter)
        if self.settings.as_new_tau_s is not None and group != "furnace_purge":
            as_new = log(self.settings.as_new_tau_s * self.settings.as_new_ratio)
            if as_new < level:
                level, level_u = as_new, AS_NEW_REL_U
        ratio_u = hypot(u, level_u)
        effect = min(max(y - level, -MOST_LN), MOST_LN)
        self.state.recent = [*self.state.recent, [at_s, effect, ratio_u, exp(y), u]][-self.settings.of_last :]
        self.state.days.add(at_s, exp(effect))
        return level

    def _judge_rise(self, recovery: Recovery) -> None:
        """Whether it is closing, and will soon have doubled."""
        state, settings = self.state, self.settings
        baseline = state.baselines.get(_group(recovery))
        if baseline is None or recent_ratio(state.days) < 0.9 * settings.rising_ratio:
            state.rising = False
        elif not state.rising:
            flue, load = baseline.seen("ln_flue_k") is not None, baseline.seen("load_pct") is not None
            state.rising = rising(
                state.days,
                recovery.at_s,
                least_ratio=settings.rising_ratio,
                slow_ratio=settings.slow_ratio,
                scatter=baseline.scatter,
                level_u=hypot(sqrt(baseline.cov[0][0]), unmeasured_u(flue_known=flue, load_known=load)),
            )

    def _finding(self, recovery: Recovery, level: float, reference: str) -> Finding:
        state, settings = self.state, self.settings
        table = np.array(state.recent)
        ratio = np.exp(table[:, 1])
        lower = np.exp(table[:, 1] - settings.evidence_z * table[:, 2])
        evident = lower > settings.evidence_ratio
        slow = evident & (ratio > settings.slow_ratio)
        urgent = evident & (ratio > settings.urgent_ratio)
        if int(slow.sum()) >= settings.slow_count:
            state.slow = True
        elif int((ratio > settings.clear_ratio).sum()) < settings.slow_count - 1:
            state.slow = False
        self._judge_rise(recovery)
        if int(urgent.sum()) >= settings.urgent_count:
            state.slow = state.urgent = True
        elif not state.slow or int((ratio > 0.85 * settings.urgent_ratio).sum()) == 0:
            state.urgent = False
        if not state.active:
            state.since_s = None
        elif state.since_s is None:
            state.since_s = float(table[int(np.argmax(slow)), 0]) if slow.any() else recovery.at_s
        chosen = table[slow] if slow.any() else table
        tau_s = median(chosen[:, 3])
        tau_u_s = median(chosen[:, 3] * chosen[:, 4])
        baseline_s = exp(level)
        trend = None
        if state.active or ratio[-1] > WORTH_A_DATE:
            reach = Reach(limit=settings.urgent_ratio)
            trend = day_trend(state.days.day, state.days.mean, min_points=6, min_days=5.0, max_p=0.01, reach=reach)
        facts: dict[str, float | str | bool] = {
            "ratio": median(np.exp(chosen[:, 1])),
            "ratio_now": float(ratio[-1]),
            "slow_of_last": float(slow.sum()),
            "of_last": float(table.shape[0]),
            "after": recovery.after,
            "presumed": recovery.presumed,
            "reference": reference,
            "rising": state.rising,
        }
        conditions = {"load_pct": recovery.load_pct, "flue_temp_c": recovery.flue_temp_c}
        facts |= {name: value for name, value in conditions.items() if isfinite(value)}
        return Finding(
            symptom=SYMPTOM,
            at_s=recovery.at_s,
            active=state.active,
            level=2 if state.urgent else 1,
            value=tau_s,
            unit="s",
            uncertainty=tau_u_s,
            baseline=baseline_s,
            limit=settings.slow_ratio * baseline_s,
            trend_per_day=None if trend is None else trend.slope_per_day * baseline_s,
            reaches_limit_earliest_s=None if trend is None else trend.earliest_s,
            reaches_limit_latest_s=None if trend is None else trend.latest_s,
            episodes=int(table.shape[0]),
            since_s=state.since_s,
            facts=facts,
        )


def _group(recovery: Recovery) -> str:
    if recovery.after == "furnace_purge":
        return "air" if recovery.twin_used else "furnace_purge"
    return "test_gas" if recovery.after == "test_gas" else "air"


def _row(recovery: Recovery) -> list[float | None]:
    """What is kept of an episode: at_s, ln tau, its u, load, ln of the flue's kelvin, blowback, presumed."""
    rel_u = min(recovery.tau_u_s / recovery.tau_s, PROVES_NOTHING) if recovery.tau_u_s >= 0.0 else UNKNOWN_TAU_REL_U
    flue_k = recovery.flue_temp_c - ABS_ZERO_C
    return [
        recovery.at_s,
        log(recovery.tau_s),
        rel_u,
        plain(recovery.load_pct),
        plain(log(flue_k)) if flue_k > 0.0 else None,
        float(recovery.after == "blowback"),
        float(recovery.presumed),
    ]


def _words(group: str, baseline: Baseline) -> str:
    text = f"after {group.replace('_', ' ')}: {exp(baseline.level):.1f} s +- {100.0 * baseline.scatter:.0f} %"
    text += f" from {baseline.points} episodes"
    load, flue = baseline.seen("load_pct"), baseline.seen("ln_flue_k")
    if load is not None:
        text += f", load {load[0]:.0f}..{load[1]:.0f} %"
    if flue is not None:
        text += f", flue {exp(flue[0]) + ABS_ZERO_C:.0f}..{exp(flue[1]) + ABS_ZERO_C:.0f} degC"
    return f"{text} ({baseline.note})" if baseline.note else text
