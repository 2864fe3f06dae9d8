"""The displayed oxygen is noisier than it was at like load, or throws spikes.

Sees, over fixed hours on the UTC clock, the mean size of a step from one sample to the next with the largest tenth
left out (so spikes and a few moves of load do not enter, and a coarse register does not make it zero as a median would)
and the number of lone spikes. A loose terminal, a wet or leaking cable, a cracked or ageing cell make noise; so does a
flame that flutters, which this cannot tell apart, and a change of the display's damping.

Baseline: per quarter of the load and per poll period (steps grow with the time between samples), the median of the
first 24 usable hours, then frozen; until then a step of 1 % O2 is the limit: real flue gas at ten minutes' polls has a
median step of 0.15 % and 0.72 % at its 99th percentile [1]. Effect: four times the baseline, and 0.1 % O2. A spike
stands off both neighbours, which agree within a quarter of it, by 1 % O2 and ten usual steps: 6 MAD of a running median
alone flags 1.3 % of healthy rows [1], hence the floor. An hour is spiky from five spikes and four times the usual.

Evidence: three of the last four usable hours. The trimmed mean of 100 steps is good to 8 % and hour to hour healthy
noise varies by a factor of two at most (common practice), so four times needs a change of the thing itself; were one
hour in 200 bad by chance and bad ones clustered tenfold, that is under 0.01 a year. Slow polls need longer windows:
`window_s` of 200 polls or more. Source: four times is common practice.

[1] Measured on a public record of a coal-fired unit (two ducts, 10 min, 85 days).
"""

from dataclasses import dataclass, field
from math import log2
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from detectors.finding import Finding, Report, Watch
from detectors.held import Bools, RuleState
from detectors.samples import first_of_each, flags_of, later, windows
from detectors.settings_check import above, at_least, between, whole
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["ReadingNoisy", "ReadingNoisySettings", "ReadingNoisyState"]

SYMPTOM = "reading_noisy"
TRIM = 0.1  # of the steps, the largest
OF_LAST = 4
MOST_PCT = 100.0
SAME_PACE = 1.5  # a step over more than this many median periods spans a hole


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingNoisySettings:
    """What is noise, what is a spike, and in how many windows."""

    times_baseline: float = 4.0
    least_pct: float = 0.1
    unlearnt_pct: float = 1.0
    clear_share: float = 0.7  # of the limit
    spike_pct: float = 1.0
    spike_steps: float = 10.0  # usual steps
    spikes: int = 5
    windows: int = 3  # of the last four
    learn_windows: int = 24
    least_steps: int = 30
    window_s: float = 3600.0
    pace_s: float = 10.0

    def __post_init__(self) -> None:
        at_least("times_baseline", self.times_baseline, 1.0)
        above("least_pct", self.least_pct, 0.0)
        at_least("unlearnt_pct", self.unlearnt_pct, self.least_pct)
        between("clear_share", self.clear_share, 0.0, 1.0)
        above("spike_pct", self.spike_pct, 0.0)
        at_least("spike_steps", self.spike_steps, 0.0)
        whole("spikes", self.spikes, 1)
        whole("windows", self.windows, 1)
        between("windows", self.windows, 1, OF_LAST)
        whole("learn_windows", self.learn_windows, 1)
        whole("least_steps", self.least_steps, 5)
        above("window_s", self.window_s, 0.0)
        at_least("pace_s", self.pace_s, 0.001)


@dataclass(slots=True, kw_only=True)
class ReadingNoisyState(RuleState):
    """All that must survive a restart."""

    SYMPTOM: ClassVar[str] = SYMPTOM
    cell: float | None = None  # of the pace, that has had its sample
    open_rows: list[list[float]] = field(default_factory=lambda: [[], [], []])  # time, oxygen, load
    learning: dict[str, list[list[float]]] = field(default_factory=dict)  # class -> [step, spikes] of its windows
    baselines: dict[str, list[float]] = field(default_factory=dict)  # class -> usual step, usual spikes
    recent: list[list[float]] = field(default_factory=list)  # start, bad (0, 1), calm (0, 1)
    active: bool = False
    since_s: float | None = None


class ReadingNoisy:
    """Judges a window when a sample of a later one is seen. While active, each window makes a finding."""

    def __init__(self, settings: ReadingNoisySettings | None = None, state: ReadingNoisyState | None = None) -> None:
        self.settings = ReadingNoisySettings() if settings is None else settings
        self.state = ReadingNoisyState() if state is None else state

    def update(self, time_s: ArrayLike, o2_pct: ArrayLike, load_pct: ArrayLike, live: ArrayLike) -> list[Finding]:
        """Take raw samples, arrays of shape (n,). The load may be missing.

        `live`: in service, display live, in no check and on no way back from one; other samples are passed over.
        """
        state, settings = self.state, self.settings
        at_s, o2, load, is_live = later(state.seen_s, time_s, o2_pct, load_pct, live)
        if at_s.size == 0:
            return []
        state.seen_s = float(at_s[-1])
        index, state.cell = first_of_each(settings.pace_s, state.cell, at_s)
        if index.size == 0:
            return []
        rows = np.array([at_s[index], o2[index], load[index]])
        use = flags_of(is_live[index]) & (np.abs(rows[1]) <= MOST_PCT)
        if np.count_nonzero(use) < use.size:
            rows = rows[:, use]
        if not np.isfinite(rows[2]).all():  # the state knows no NaN
            rows[2] = np.where(np.isfinite(rows[2]), rows[2], -1.0)
        found: list[Finding] = []
        for start_s, window in windows(settings.window_s, state.open_rows, rows):
            found += self._judge(start_s, window)
        return found

    def advance(self, now_s: float) -> list[Finding]:
        """Time passing alone changes nothing here."""
        del now_s
        return []

    def renew(self) -> None:
        """Cell, wiring or damping changed, and somebody recorded it: learn the new normal."""
        self.state = ReadingNoisyState(seen_s=self.state.seen_s, cell=self.state.cell)

    def report(self) -> Report:
        """What is known."""
        state, settings = self.state, self.settings
        if not (state.open_rows[0] or state.recent or state.baselines or state.learning):
            return Report(watch=Watch.NOT_OBSERVABLE, needs="o2 of a probe in service")
        needs = "load would tell a noisy reading from a noisy load" if all(x < 0.0 for x in state.open_rows[2]) else ""
        if not state.baselines:
            have = max((len(rows) for rows in state.learning.values()), default=0)
            words = f"{have} of {settings.learn_windows} windows; until then {settings.unlearnt_pct:g} % O2 a step"
            return Report(watch=Watch.FINDING if state.active else Watch.LEARNING, learnt=words, needs=needs)
        words = "; ".join(
            f"{_words(name)}{usual[0]:.3f} % O2 a step" for name, usual in sorted(state.baselines.items())
        )
        return Report(watch=Watch.FINDING if state.active else Watch.WATCHING, learnt=words, needs=needs)

    def _judge(self, start_s: float, rows: Floats) -> list[Finding]:
        state, settings = self.state, self.settings
        if rows.shape[1] <= settings.least_steps:
            return []
        dt_s = np.diff(rows[0])
        period_s = median(dt_s)
        near = dt_s <= SAME_PACE * period_s
        steps = np.sort(np.abs(np.diff(rows[1]))[near])
        if steps.size < settings.least_steps:
            return []
        step_pct = float(np.mean(steps[: steps.size - int(TRIM * steps.size)]))
        told = rows[2][rows[2] >= 0.0]
        load_pct = median(told) if 2 * told.size > rows.shape[1] else -1.0
        name = f"{round(log2(period_s))}/{-1 if load_pct < 0.0 else min(int(load_pct // 25.0), 3)}"
        usual = state.baselines.get(name)
        spikes = self._spikes(rows[1], near, step_pct if usual is None else usual[0])
        if usual is None:
            limit_pct, most_spikes = settings.unlearnt_pct, float(settings.spikes)
        else:
            limit_pct = max(settings.least_pct, settings.times_baseline * usual[0])
            most_spikes = max(float(settings.spikes), settings.times_baseline * usual[1])
        noisy, spiky = step_pct > limit_pct, spikes >= most_spikes
        if usual is None:
            learning = state.learning.setdefault(name, [])
            learning.append([step_pct, float(spikes)])
            if len(learning) >= settings.learn_windows:
                state.baselines[name] = [median(column) for column in np.array(learning).T]
                del state.learning[name]
        calm = step_pct < settings.clear_share * limit_pct and spikes < settings.clear_share * most_spikes
        state.recent = [*state.recent, [start_s, float(noisy or spiky), float(calm)]][-OF_LAST:]
        was, bad = state.active, [row for row in state.recent if row[1]]
        if len(bad) >= settings.windows:
            state.active = True
            state.since_s = state.since_s if was else bad[0][0]
        elif was and all(row[2] for row in state.recent):
            state.active = False
        if not (was or state.active):
            return []
        facts: dict[str, float | str | bool] = {
            "kind": "spikes" if spiky and not noisy else "noise",
            "step_pct": step_pct,
            "spikes": float(spikes),
            "period_s": period_s,
            "learnt": usual is not None,
        }
        if usual is not None and usual[0] > 0.0:
            facts["ratio"] = step_pct / usual[0]
        if load_pct >= 0.0:
            facts["load_pct"] = load_pct
        return [
            Finding(
                symptom=SYMPTOM,
                at_s=start_s + settings.window_s,
                active=state.active,
                value=step_pct,
                unit="% O2",
                baseline=None if usual is None else usual[0],
                limit=limit_pct,
                episodes=len(bad),
                since_s=state.since_s,
                facts=facts,
            )
        ]

    def _spikes(self, o2: Floats, near: Bools, usual_pct: float) -> int:
        """Samples that stand off two neighbours, which agree."""
        settings = self.settings
        away = np.abs(o2[1:-1] - 0.5 * (o2[:-2] + o2[2:]))
        agree = np.abs(o2[2:] - o2[:-2]) <= 0.25 * away
        least = max(settings.spike_pct, settings.spike_steps * usual_pct)
        return int(np.count_nonzero((away > least) & agree & near[:-1] & near[1:]))


def _words(name: str) -> str:
    period, load = name.split("/")
    quarter = "" if load == "-1" else f", load {25 * int(load)}..{25 * int(load) + 25} %"
    return f"polls of about {2.0 ** int(period):g} s{quarter}: "
