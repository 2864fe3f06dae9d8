"""The alerts of the site, from what all groups of probes found: one book, in order of time, as live.

Between two findings time passes: the book is asked when it will move something by itself, and is told of that instant.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from math import inf
from typing import Any

from agent.alerts.book import AlertBook
from agent.alerts.ledger import Handed, Transition
from agent.config.model import Settings
from agent.pipeline import Found
from agent.reconstruct.now import ProbeNow
from agent.replay.absences import silences
from agent.replay.result import GroupResult, ProbeResult

__all__ = ["alerts_of"]


def alerts_of(settings: Settings, groups: Sequence[GroupResult], shown: frozenset[str]) -> list[dict[str, Any]]:
    """Payloads of every transition of the alerts of the probes `shown`, in order of time.

    `sent_at` stays null and `delayed` false: they were made of history and handed to nobody.
    """
    results: dict[str, ProbeResult] = {}
    nows: dict[str, list[ProbeNow]] = {}
    for group in groups:
        results |= {probe: one for probe, one in group.probes.items() if one.rows}
        nows |= group.nows
    found: list[Found] = [row for group in groups for row in group.found] + silences(settings, results)
    found = sorted((row for row in found if row[1] in shown), key=lambda row: (row[0], row[1], row[2].symptom))
    book = AlertBook(settings, now_at=_Remembered(nows).at, events_only=True)
    out: list[Transition] = []
    for (at_s, probe), rows in groupby(found, key=lambda row: row[:2]):
        out += _wait(book, at_s, also_then=False)
        out += book.take(probe, [row[2] for row in rows], ProbeNow(probe=probe, at_s=at_s))
    out += _wait(book, max((one.last_s for one in results.values()), default=-inf), also_then=True)
    return [one.payload for one in out if one.kind is Handed.TRANSITION and one.payload is not None]


def _wait(book: AlertBook, until_s: float, *, also_then: bool) -> list[Transition]:
    """Let time pass up to an instant; what is due right then comes after that instant's findings."""
    out: list[Transition] = []
    while (due_s := book.next_s()) < until_s or (also_then and due_s == until_s):
        out += book.tick(due_s, {})
    return out


class _Remembered:
    """What was known of each probe at the instants that were asked for, or last before."""

    def __init__(self, nows: Mapping[str, list[ProbeNow]]) -> None:
        self._nows = nows
        self._at_s = {probe: [now.at_s for now in rows] for probe, rows in nows.items()}

    def at(self, probe: str, at_s: float) -> ProbeNow:
        before = bisect_right(self._at_s.get(probe, []), at_s)
        if before == 0:
            return ProbeNow(probe=probe, at_s=at_s)
        now = self._nows[probe][before - 1]
        return now if now.at_s == at_s else replace(now, at_s=at_s)
