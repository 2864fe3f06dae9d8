"""One case through Flueward's own pipeline, a UTC day at a time, as samples would have come live."""

import time
from collections import deque
from collections.abc import Iterator, Mapping
from math import inf

import numpy as np
from numpy.typing import NDArray

from agent.alerts.ledger import Handed, Transition
from agent.counters import Counters
from agent.pipeline import Pipeline
from agent.rfc3339 import from_text
from detectors.stretch import Stretch
from tests.benchmarks.evaluation.case import Case, Chunk
from tests.benchmarks.scoring.fixed import FixedThresholds
from tests.benchmarks.scoring.raw_days import RawDays
from tests.benchmarks.scoring.records import DAY_S, Played, Raised

__all__ = ["days_of", "play"]

Floats = NDArray[np.float64]
RECORDER_GAP_S = 300.0  # no row of any probe for longer: the recorder stood still, nobody listened


def days_of(case: Case, step_days: float = 1.0) -> Iterator[tuple[float, dict[str, Stretch]]]:
    """(end of a step in UTC, what each probe's rows of it are); chunks of several probes may come in any order."""
    waiting: dict[str, deque[Stretch]] = {probe: deque() for probe in case.settings.probes}
    reached = dict.fromkeys(waiting, -inf)
    source: Iterator[Chunk] | None = case.chunks()
    step_s = step_days * DAY_S
    edge = np.floor(case.from_s / DAY_S) * DAY_S + step_s
    while True:
        while source is not None and min(reached.values()) < edge:
            chunk = next(source, None)
            if chunk is None:
                source = None
                break
            probe, time_s, signals = chunk
            if time_s.size:
                waiting[probe].append(Stretch(time_s, signals))
                reached[probe] = float(time_s[-1])
        part = {probe: _until(rows, edge) for probe, rows in waiting.items()}
        yield edge, {probe: stretch for probe, stretch in part.items() if len(stretch)}
        if source is None and not any(waiting.values()):
            return
        edge += step_s


def play(case: Case, *, step_days: float = 1.0) -> tuple[Played, dict[str, Floats]]:
    """Play a case; returns what became of it, and its arrays."""
    made_s = played_s = 0.0
    pipeline = Pipeline(case.settings, Counters(), start_s=case.from_s)
    raw = {probe: RawDays() for probe in case.settings.probes}
    fixed = {probe: FixedThresholds(probe) for probe in case.settings.probes}
    raised: list[Raised] = []
    ended: list[tuple[str, str, float]] = []
    seen: set[str] = set()
    rows, last_s = 0, case.from_s
    steps = days_of(case, step_days)
    while True:
        began = time.process_time()
        step = next(steps, None)
        made_s += time.process_time() - began
        if step is None:
            break
        edge, stretches = step
        began = time.process_time()
        for to_s, part in _listened(stretches, last_s, min(edge, case.to_s)):
            if to_s < 0.0:
                for watcher in pipeline.watchers.values():
                    watcher.listen_from(-to_s)
                continue
            pipeline.feed(part)
            _note(pipeline.judge(to_s) + pipeline.tick(), raised, ended, seen)
        played_s += time.process_time() - began
        for probe, stretch in stretches.items():
            rows += len(stretch)
            last_s = max(last_s, float(stretch.time_s[-1]))
            raw[probe].feed(stretch)
            fixed[probe].feed(stretch, raw[probe])
    arrays: dict[str, Floats] = {f"truth.{name}": np.asarray(x, np.float64) for name, x in case.truth.items()}
    arrays |= {f"events.{name}": np.asarray(x, np.float64) for name, x in case.events.items()}
    for probe, days in raw.items():
        arrays |= {f"raw.{probe}.{name}": x for name, x in days.table().items()}
    return Played(
        seed=case.seed,
        number=case.number,
        days=(case.to_s - case.from_s) / DAY_S,
        code="",
        probe=case.probe,
        probes=tuple(case.settings.probes),
        from_s=case.from_s,
        to_s=case.to_s,
        faults=tuple(case.faults),
        decoys=tuple(case.decoys),
        excuses=tuple(case.excuses),
        traits=dict(case.traits),
        noise=dict(case.noise),
        raised=tuple(raised),
        ended=tuple(ended),
        fixed=tuple(one for probe in fixed.values() for one in probe.raised),
        reports={probe: _reports(pipeline, probe) for probe in case.settings.probes},
        rows=rows,
        made_cpu_s=made_s,
        played_cpu_s=played_s,
    ), arrays


def _reports(pipeline: Pipeline, probe: str) -> dict[str, str]:
    return {
        symptom: f"{report.watch.value}; {report.learnt}; {report.needs}"
        for symptom, report in pipeline.watchers[probe].reports().items()
    }


def _note(
    transitions: list[Transition], raised: list[Raised], ended: list[tuple[str, str, float]], seen: set[str]
) -> None:
    """Alerts raised (each id once: one that worsens or is told afresh is the same alert), and their ends."""
    for one in transitions:
        payload = one.payload
        if one.kind is not Handed.TRANSITION or payload is None:
            continue
        if payload["cleared_at"] is not None:
            ended.append((payload["probe"], payload["symptom"], from_text(payload["cleared_at"])))
        elif payload["state"] == "unacknowledged" and payload["id"] not in seen:
            seen.add(payload["id"])
            suspects = payload["suspects"]
            part = suspects[0]["part"] if suspects else ""
            raised.append(Raised(payload["probe"], payload["symptom"], one.at_s, part, payload["headline"]))


def _listened(
    stretches: Mapping[str, Stretch], last_s: float, edge_s: float
) -> Iterator[tuple[float, dict[str, Stretch]]]:
    """The step cut where the recorder stood still: (judge up to here, rows), and (-t, {}) where listening goes on at t.

    A hole that lasts beyond the edge is no silence yet: nothing is judged past the last row then.
    """
    if not stretches:
        return
    times = np.unique(np.concatenate([[last_s], *(stretch.time_s for stretch in stretches.values())]))
    holes = np.flatnonzero(np.diff(times) > RECORDER_GAP_S)
    from_s = -inf
    for i in holes.tolist():
        if times[i] > last_s or i > 0:
            yield float(times[i]), _between(stretches, from_s, float(times[i]))
        yield -float(times[i + 1]), {}
        from_s = float(times[i])
    end = float(times[-1])
    yield (end if edge_s - end > RECORDER_GAP_S else max(edge_s, end)), _between(stretches, from_s, inf)


def _between(stretches: Mapping[str, Stretch], after_s: float, to_s: float) -> dict[str, Stretch]:
    out = {}
    for probe, stretch in stretches.items():
        rows = slice(*np.searchsorted(stretch.time_s, [after_s, to_s], side="right"))
        if rows.stop > rows.start:
            out[probe] = Stretch(stretch.time_s[rows], {name: x[rows] for name, x in stretch.signals.items()})
    return out


def _until(waiting: deque[Stretch], edge_s: float) -> Stretch:
    """Take what is before the edge."""
    parts: list[Stretch] = []
    while waiting:
        stretch = waiting[0]
        n = int(np.searchsorted(stretch.time_s, edge_s))
        if n == len(stretch):
            parts.append(waiting.popleft())
            continue
        if n:
            parts.append(Stretch(stretch.time_s[:n], {name: x[:n] for name, x in stretch.signals.items()}))
            waiting[0] = Stretch(stretch.time_s[n:], {name: x[n:] for name, x in stretch.signals.items()})
        break
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return Stretch(np.empty(0), {})
    names = parts[0].signals
    return Stretch(
        np.concatenate([part.time_s for part in parts]),
        {name: np.concatenate([part.signals[name] for part in parts]) for name in names},
    )
