"""No communication: one alert for a whole line, however its probes fell silent one after another.

The silence of a probe waits for its on-delay, one minute, in which the silence of the others is gathered. If by then
every probe of a line is silent, there is ONE alert, on the probe that fell silent first, and the others are listed in
it as consequences; its headline names the line. A probe that comes back leaves the list; when the leading probe comes
back, those still silent are judged by themselves again. All this depends on several probes, so findings of silence
wait in a queue until a tick says that every probe has been heard up to its time, and are taken in order of time.
"""

from collections.abc import Mapping
from typing import Any, Final

from agent.alerts.engine import Engine
from agent.alerts.ledger import BOOK_KEY, SILENCE, Ledger
from agent.alerts.track import Track, earliest_due_s, finding_from_row, finding_to_row
from detectors.finding import Finding

__all__ = ["LineSilence"]

_ORDER: Final = 0  # place of the time in a queued item


class LineSilence:
    """The queue of findings of silence, and the judgement by line."""

    def __init__(self, ledger: Ledger, engine: Engine) -> None:
        self._ledger = ledger
        self._engine = engine
        self._queue: list[tuple[float, str, Finding]] = []

    def heard(self, probe: str, finding: Finding) -> None:
        """Keep a finding for the next tick."""
        self._queue.append((finding.at_s, probe, finding))

    def run_until(self, now_s: float) -> None:
        """Take findings and deadlines up to and with `now_s`, all probes together in order of time."""
        self._queue.sort(key=lambda item: item[:2])
        if self._queue:
            self._ledger.changed.add(BOOK_KEY)
        elif self._ledger.next_due_s.get("", now_s) > now_s:
            return
        while self._queue and self._queue[0][_ORDER] <= now_s:
            at_s = self._queue[0][_ORDER]
            self._deadlines(at_s)
            while self._queue and self._queue[0][_ORDER] == at_s:
                _, probe, finding = self._queue.pop(0)
                self._judged(probe, finding, at_s)
        self._deadlines(now_s)
        self._ledger.next_due_s[""] = earliest_due_s(self._tracks())

    def next_s(self) -> float:
        """The next finding in the queue, or deadline; infinite when there is neither."""
        due_s = self._ledger.next_due_s
        if "" not in due_s:
            due_s[""] = earliest_due_s(self._tracks())
        return min(due_s[""], *(item[_ORDER] for item in self._queue)) if self._queue else due_s[""]

    def to_rows(self) -> list[dict[str, Any]]:
        """What waits, JSON-able."""
        return [{"probe": probe, "finding": finding_to_row(finding)} for _, probe, finding in self._queue]

    def restore(self, rows: list[Mapping[str, Any]]) -> None:
        """What waited, back."""
        for row in rows:
            self.heard(row["probe"], finding_from_row(row["finding"]))

    def _judged(self, probe: str, finding: Finding, at_s: float) -> None:
        track = self._ledger.track(probe, SILENCE)
        was = track.condition.present
        self._engine.judged(track, finding, at_s)
        if was and not finding.active:
            self._engine.release(track, at_s)

    def _deadlines(self, now_s: float) -> None:
        while True:
            waiting = [
                (due[0], track.key, due[1], track)
                for track in self._tracks()
                if (due := track.due()) is not None and due[0] <= now_s
            ]
            if not waiting:
                return
            at_s, _, what, track = min(waiting, key=lambda one: one[:2])
            if what == "condition" and track.condition.present:
                self._stands(track, at_s)
            else:
                self._engine.deadline(track, at_s, what)

    def _stands(self, track: Track, at_s: float) -> None:
        leader = self._leader(track)
        if leader is None:
            self._engine.raise_alert(track, at_s)
            return
        mates = [t for t in self._tracks() if t is not leader and t.probe in self._ledger.line_mates(track.probe)]
        raised = not leader.condition.standing
        if raised:
            self._engine.begin(leader, at_s)
        spoken = [mate for mate in mates if mate.condition.standing]
        for mate in mates:
            self._ledger.changed.add(mate.key)
            mate.explained_by = leader.key
            mate.condition = mate.condition.held()
            if mate in spoken:
                self._engine.fold(mate, leader, at_s)
        if raised:
            self._ledger.hand_out(leader, at_s)
        else:
            self._ledger.touched.add(leader.key)
        for mate in spoken:
            self._ledger.hand_out(mate, at_s)

    def _leader(self, track: Track) -> Track | None:
        """The probe that speaks for a whole silent line; None when somebody on it is still heard, or it is alone."""
        mates = [self._ledger.track(probe, SILENCE) for probe in self._ledger.line_mates(track.probe)]
        if len(mates) == 1 or not all(mate.condition.present for mate in mates):
            return None
        standing = [mate for mate in mates if mate.condition.standing and mate.open]
        return min(standing or mates, key=lambda mate: (mate.condition.since_s or 0.0, mate.key))

    def _tracks(self) -> list[Track]:
        return [track for track in self._ledger.tracks.values() if track.symptom == SILENCE]
