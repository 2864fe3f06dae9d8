"""The way from samples to alerts, live and for recorded history alike: watchers of the probes, then the book of alerts.

Only the source of the samples and of the time differs between the two. Nothing here waits or reads a clock.
"""

from collections.abc import Iterable, Mapping
from itertools import groupby
from math import inf
from typing import Any

from agent.alerts.book import AlertBook
from agent.alerts.ledger import Transition
from agent.config.model import Settings
from agent.counters import Counters
from agent.reconstruct.now import ProbeNow
from agent.reconstruct.twins import TwinGas
from agent.watcher import ProbeWatcher
from detectors.finding import Finding
from detectors.stretch import Stretch

__all__ = ["Found", "Pipeline"]

Found = tuple[float, str, Finding]  # when, of which probe, what


class Pipeline:
    """All probes of a site.

    Parameters
    ----------
    saved : mapping, optional
        Probe id to what `ProbeWatcher.to_dict` gave.
    book : mapping, optional
        What `AlertBook.to_rows` gave.
    start_s : float, optional
        UTC at which listening begins, live.
    """

    def __init__(
        self,
        settings: Settings,
        counters: Counters,
        *,
        saved: Mapping[str, Mapping[str, Any]] | None = None,
        book: Mapping[str, Mapping[str, Any]] | None = None,
        start_s: float | None = None,
    ) -> None:
        self._counters = counters
        self.watchers: dict[str, ProbeWatcher] = {}
        for probe_id in settings.probes:
            state = None if saved is None else saved.get(probe_id)
            try:
                watcher = ProbeWatcher(settings, probe_id, state, start_s)
            except (LookupError, TypeError, ValueError, AttributeError):  # of another version, or damaged: learn anew
                counters.count("state_refused", probe_id)
                watcher = ProbeWatcher(settings, probe_id, None, start_s)
            self.watchers[probe_id] = watcher
        self._judged_s = dict.fromkeys(settings.probes, -inf)
        self.book = AlertBook(settings, state=book, now_at=self.now)

    def feed(self, stretches: Mapping[str, Stretch]) -> None:
        """Take samples. `judge` says what they mean."""
        for probe_id, stretch in stretches.items():
            dropped = self.watchers[probe_id].feed(stretch)
            if dropped:
                self._counters.count("sample_out_of_order", probe_id, dropped)

    def judge(self, now_s: float, probes: Iterable[str] | None = None) -> list[Transition]:
        """Findings of these probes (all by default) up to `now_s`, and what they change in the book of alerts.

        `now_s` is a watermark: every sample up to it has been fed.
        """
        return self.take(self.find(now_s, probes), now_s)

    def find(self, now_s: float, probes: Iterable[str] | None = None) -> list[Found]:
        """Findings of these probes (all by default) up to `now_s`, in order of time and probe."""
        chosen = self.watchers if probes is None else {probe_id: self.watchers[probe_id] for probe_id in probes}
        found: list[Found] = []
        for probe_id, watcher in chosen.items():
            self._judged_s[probe_id] = now_s  # first: one watcher that fails must not hold up the clock of all others
            found += [(one.at_s, probe_id, one) for one in watcher.judge(now_s, self._twin_gas)]
        found.sort(key=lambda row: row[:2])
        return found

    def take(self, found: Iterable[Found], now_s: float) -> list[Transition]:
        """What findings, in order, change in the book of alerts."""
        out: list[Transition] = []
        for (_, probe_id), group in groupby(found, key=lambda row: row[:2]):
            # The book asks for what was known at the time of what it tells; only the time of judging is given here.
            out += self.book.take(probe_id, [row[2] for row in group], ProbeNow(probe=probe_id, at_s=now_s))
        return out

    def tick(self) -> list[Transition]:
        """What the passing of time changes in the book of alerts, up to the instant to which every probe is judged."""
        now_s = min(self._judged_s.values(), default=-inf)
        if now_s == -inf:
            return []
        return self.book.tick(now_s, {})

    def now(self, probe_id: str, now_s: float) -> ProbeNow:
        """What is known of one probe; of an instant of its last steps, as it was then."""
        return self.watchers[probe_id].now(now_s)

    def _twin_gas(self, probe_id: str) -> TwinGas:
        return self.watchers[probe_id].recent()
