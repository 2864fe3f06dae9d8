"""Recorded history through the pipeline that also runs live: all chosen probes, on all cores."""

import os
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from math import inf
from typing import Any

from agent.config.model import Settings
from agent.replay.files.problems import Problems
from agent.replay.result import ProbeResult
from agent.replay.site_run import alerts_of
from agent.replay.source import History
from agent.replay.workers import Work, run_groups

__all__ = ["Replayed", "cores", "replay"]


@dataclass(slots=True)
class Replayed:
    """What came of it.

    Attributes
    ----------
    probes : dict
        By probe, in the order of the configuration; those asked for that had rows and could be judged.
    failed : dict
        Probes that could not be judged by a fault of this program, and what it was.
    without : tuple
        Probes asked for of which there is no row.
    alerts : list of dict
        Payloads of every transition, in order of time.
    rows : int
        Rows judged, twins of the chosen probes included.
    wall_s : float
        How long it took. [s]
    """

    probes: dict[str, ProbeResult] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    without: tuple[str, ...] = ()
    alerts: list[dict[str, Any]] = field(default_factory=list)
    problems: Problems = field(default_factory=Problems)
    rows: int = 0
    wall_s: float = 0.0


def cores() -> int:
    """How many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def replay(
    settings: Settings,
    history: History,
    *,
    probes: Collection[str] | None = None,
    from_s: float = -inf,
    to_s: float = inf,
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Replayed:
    """Run history through the pipeline.

    Parameters
    ----------
    probes : collection of str, optional
        Those to judge; all that are configured where not given. Their twins are read as well: their gas is needed.
    from_s, to_s : float
        Rows from (included) and to (not). UTC seconds
    jobs : int, optional
        Processes; as many as there are cores where not given. It changes no result.
    progress : callable, optional
        Told rows done and rows in all, about.
    """
    began_s = time.monotonic()
    shown = [probe for probe in settings.probes if probes is None or probe in probes]
    there = set(history.probes)
    groups = sorted(
        (
            tuple(one for one in group if one in there)
            for group in _groups(settings)
            if not set(group).isdisjoint(shown)
        ),
        key=lambda group: -sum(history.rows(probe) or 0 for probe in group),
    )
    groups = [group for group in groups if not set(group).isdisjoint(shown)]
    done, total = 0, sum(history.rows(probe) or 0 for group in groups for probe in group)

    def count(rows: int) -> None:
        nonlocal done
        done += rows
        if progress is not None:
            progress(done, max(total, done))

    work = Work(history, settings, from_s, to_s)
    results = run_groups(work, groups, cores() if jobs is None else jobs, count)
    out = Replayed(rows=done)
    for group in sorted(results):  # in an order that has nothing to do with who was ready first
        result = results[group]
        out.problems.merge(result.problems)
        if result.failed is not None:
            out.failed |= {probe: result.failed for probe in group if probe in shown}
    sound = [results[group] for group in sorted(results) if results[group].failed is None]
    judged = {probe: one for result in sound for probe, one in result.probes.items() if one.rows}
    out.probes = {probe: judged[probe] for probe in shown if probe in judged}
    out.without = tuple(probe for probe in shown if probe not in judged and probe not in out.failed)
    out.alerts = alerts_of(settings, sound, frozenset(shown))
    out.wall_s = time.monotonic() - began_s
    return out


def _groups(settings: Settings) -> list[tuple[str, ...]]:
    """Probes that are twins of each other, directly or not, together; each probe once, in order."""
    of: dict[str, set[str]] = {probe: {probe} for probe in settings.probes}
    for probe, at in settings.probes.items():
        for twin in at.twins:
            joined = of[probe] | of[twin]
            for each in joined:
                of[each] = joined
    seen: set[str] = set()
    groups: list[tuple[str, ...]] = []
    for probe in settings.probes:
        if probe not in seen:
            groups.append(tuple(one for one in settings.probes if one in of[probe]))
            seen |= of[probe]
    return groups
