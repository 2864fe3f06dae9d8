"""One probe's rows on their way into its watcher: counted, and every time without rows told for what it is.

That a recorder wrote no row says nothing of a probe: it is a silence only where others of its line were heard
meanwhile, which `agent.replay.absences` judges when all are known. Rows with nothing in them are a silence, as live.
"""

import numpy as np

from agent.pipeline import Found
from agent.replay.result import Absence, ProbeResult
from agent.replay.rows import Rows
from agent.watcher import ProbeWatcher
from detectors.stretch import Stretch

__all__ = ["ProbeRun"]


class ProbeRun:
    """Carries one probe through its history."""

    def __init__(self, watcher: ProbeWatcher, rows: Rows) -> None:
        self.watcher, self.rows = watcher, rows
        self.result = ProbeResult(watcher.id, limit_s=watcher.silence.limit_s)
        self._last_s: float | None = None
        self._heard_s: float | None = None  # of the last value
        self._absent: list[tuple[float, float]] = []  # ended, and no value seen since
        self._said: set[str] = set()  # slow symptoms of which the last word was that they are not there

    def feed(self, end_s: float) -> tuple[int, list[Absence]]:
        """Take the rows up to and with `end_s`; how many there were, and the absences that ended with a value."""
        taken, over = 0, len(self.result.absences)
        for stretch in self.rows.until(end_s):
            taken += len(stretch)
            self._take(stretch)
        self.result.rows += taken
        return taken, self.result.absences[over:]

    def wait(self, now_s: float) -> None:
        """No more rows up to `now_s`."""
        if self._last_s is None:
            self.watcher.listen_from(now_s)  # its history begins later than others'
        elif now_s - self._last_s > self.result.limit_s:
            self.watcher.unheard(self._last_s, now_s)

    def count(self, found: list[Found], slow: frozenset[str]) -> list[Found]:
        """Count findings of this probe; those that say something new."""
        news: list[Found] = []
        for row in found:
            finding = row[2]
            judged, there = self.result.judged.get(finding.symptom, (0, 0))
            self.result.judged[finding.symptom] = (judged + 1, there + finding.active)
            if finding.active:
                self._said.discard(finding.symptom)
            elif finding.symptom in slow:
                if finding.symptom in self._said:
                    continue
                self._said.add(finding.symptom)
            news.append(row)
        return news

    def end(self) -> ProbeResult:
        """What there is to say at the end."""
        for from_s, to_s in self._absent:
            self.result.absences.append(Absence(from_s, to_s, None))
        self._absent = []
        known = self.watcher.now(self.result.last_s).signals
        self.result.never = tuple(sorted(name for name in self.watcher.mapped if name not in known))
        self.result.reports = self.watcher.reports()
        return self.result

    def _take(self, stretch: Stretch) -> None:
        time_s, limit_s = stretch.time_s, self.result.limit_s
        if self._last_s is None:
            self.result.first_s = time_s.item(0)
            self._last_s = self._heard_s = time_s.item(0)
            self.watcher.listen_from(self._last_s)
        cuts = (np.flatnonzero(time_s[1:] - time_s[:-1] > limit_s) + 1).tolist()
        first = 0
        for end in [*cuts, time_s.size]:
            self._hear(
                Stretch(time_s[first:end], {name: column[first:end] for name, column in stretch.signals.items()})
            )
            first = end
        self.result.last_s = self._last_s = time_s.item(-1)

    def _hear(self, stretch: Stretch) -> None:
        """Rows without an absence between them."""
        assert self._last_s is not None
        assert self._heard_s is not None
        first_s, limit_s = stretch.time_s.item(0), self.result.limit_s
        if first_s - self._last_s > limit_s:
            self.watcher.unheard(self._last_s, first_s)
            self._absent.append((self._last_s, first_s))
        valid_s = self.watcher.valid_times(stretch)
        if valid_s.size:
            for from_s, to_s in self._absent:
                self.result.absences.append(Absence(from_s, to_s, valid_s.item(0)))
            self._absent = []
            steps = valid_s[1:] - valid_s[:-1]
            self.result.blind_s += float(steps[steps > limit_s].sum()) if valid_s is not stretch.time_s else 0.0
            if valid_s.item(0) - self._heard_s > limit_s:
                self.result.blind_s += valid_s.item(0) - self._heard_s
            self._heard_s = valid_s.item(-1)
        self.watcher.feed(stretch)
        self._last_s = stretch.time_s.item(-1)
