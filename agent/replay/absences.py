"""Silence that shows as rows which are not there: of one probe, while others of its line were heard.

When everything of a line stops at once it is the recorder that stopped, and nobody knows what the probes did. A probe
that is alone on its line is silent only where its recorder wrote rows with nothing in them.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from math import inf

from agent.alerts.ledger import SILENCE
from agent.config.model import Settings
from agent.pipeline import Found
from agent.replay.result import ProbeResult
from detectors.finding import Finding

__all__ = ["silences"]

Spans = list[tuple[float, float]]


def silences(settings: Settings, results: Mapping[str, ProbeResult]) -> list[Found]:
    """Findings of `no_communication` for the probes of `results` (all with rows), in no order."""
    found: list[Found] = []
    heard = {probe: _heard(one) for probe, one in results.items()}
    end_s = max((one.last_s for one in results.values()), default=-inf)
    for probe, one in results.items():
        line = settings.probes[probe].line
        mates = [heard[name] for name in results if name != probe and settings.probes[name].line == line]
        if not mates:
            continue
        absences = [(each.from_s, each.to_s, each.heard_s) for each in one.absences]
        if one.last_s < end_s:
            absences.append((one.last_s, end_s, None))
        for from_s, to_s, heard_s in absences:
            at_s = _silent_at(_joined(mates, from_s, to_s), one.limit_s)
            if at_s is None:
                continue
            found.append((at_s, probe, _finding(at_s, from_s, one.limit_s, active=True)))
            if heard_s is not None:
                found.append((heard_s, probe, _finding(heard_s, from_s, one.limit_s, active=False)))
    return found


def _heard(one: ProbeResult) -> Spans:
    """From when to when a probe had rows, in order."""
    edges = [one.first_s]
    for absence in one.absences:
        edges += [absence.from_s, absence.to_s]
    edges.append(one.last_s)
    return list(zip(edges[::2], edges[1::2], strict=True))


def _joined(mates: Iterable[Spans], from_s: float, to_s: float) -> Spans:
    """When any of them was heard between the two."""
    inside: Spans = []
    for spans in mates:
        first = bisect_left(spans, from_s, key=lambda span: span[1])
        end = bisect_right(spans, to_s, key=lambda span: span[0])
        inside += [(max(start, from_s), min(stop, to_s)) for start, stop in spans[first:end]]
    joined: Spans = []
    for start, stop in sorted(inside):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((start, stop))
    return joined


def _silent_at(spans: Spans, limit_s: float) -> float | None:
    """The first instant by which others were heard for `limit_s` without a break, as a live agent would count."""
    return next((start + limit_s for start, stop in spans if stop - start > limit_s), None)


def _finding(at_s: float, since_s: float, limit_s: float, *, active: bool) -> Finding:
    return Finding(
        symptom=SILENCE,
        at_s=at_s,
        active=active,
        value=at_s - since_s,
        unit="s",
        limit=limit_s,
        since_s=since_s,
        facts={"ever_heard": True},
    )
