"""The alert book: findings and time in, transitions out; the same for live, replay and after a restart.

What a caller owes: findings of one probe come in order of time, all those of one instant in one `take`; `tick(t)` comes
when every probe has been taken up to t. How the stream is cut into takes and ticks then changes no transition.
"""

import re
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any, Final

from agent.alerts.engine import CAUSE_ORDER, Engine, act
from agent.alerts.ledger import BOOK_KEY, SILENCE, Handed, Ledger, Message, NowAt, Transition
from agent.alerts.lifecycle import Input, State
from agent.alerts.material import moved_materially
from agent.alerts.policy import policy_problems
from agent.alerts.silence import LineSilence
from agent.alerts.symptoms import SYMPTOMS, symptom
from agent.alerts.track import ROW_VERSION, RowError, Track, earliest_due_s, finding_from_row, finding_to_row, row_key
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from detectors.finding import Finding

__all__ = ["AlertBook", "RefusedError"]

_ID: Final = re.compile(r"[a-z0-9_-]{1,32}")
CHECK_REFRESH_S: Final = 3600.0  # how old the values of a retained check may become
TRUST_REFRESH_S: Final = 900.0  # how often at most a change of trust alone renews a retained alert


class RefusedError(ValueError):
    """A person's request cannot be done; the message says why and what would be right."""


class AlertBook:
    """Every alert of the site.

    Parameters
    ----------
    state : mapping of row key to row, optional
        What `to_rows` gave. Damaged rows and rows of another version are left out, each with a line in `refused_rows`;
        so are rows of probes that are no longer configured. `leftovers` empties the topics of both.
    now_at : callable, optional
        Tells what was known of a probe at an instant: payloads then show it as it was when their alert moved, however
        late they are made. Without it they show what `take` and `tick` were told last.
    events_only : bool
        Nobody wants retained messages: only transitions are handed out, nothing is renewed between them.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        state: Mapping[str, Mapping[str, Any]] | None = None,
        now_at: NowAt | None = None,
        events_only: bool = False,
    ) -> None:
        self._ledger = Ledger(settings, now_at=now_at, events_only=events_only)
        self._engine = Engine(self._ledger)
        self._silence = LineSilence(self._ledger, self._engine)
        self._silent: set[str] = set()  # probes whose detector says so now: their fast symptoms are not judged
        self._gone: list[tuple[str, str]] = []
        self.refused_rows: list[str] = []
        if problems := policy_problems(settings):
            raise ValueError("; ".join(problems))
        self._restore({} if state is None else state)

    @classmethod
    def from_rows(cls, settings: Settings, rows: Mapping[str, Mapping[str, Any]]) -> "AlertBook":
        """A book that goes on where the rows were written."""
        return cls(settings, state=rows)

    def take(self, probe: str, findings: Sequence[Finding], now: ProbeNow) -> list[Transition]:
        """Judgements of one probe's detectors, with what is known of the probe now.

        Findings of `no_communication` wait for the next tick, since they are judged by line. ValueError for a probe
        or a symptom that there is not.
        """
        self._known(probe)
        self._ledger.nows[probe] = now
        if findings:
            self._ledger.moved(probe)
        tracks = self._others(probe)
        ordered = sorted(findings, key=lambda f: (f.at_s, f.symptom != SILENCE, CAUSE_ORDER[symptom(f.symptom).name]))
        for at_s, group in groupby(ordered, key=lambda f: f.at_s):
            self._engine.run_until(tracks, at_s)
            for finding in group:
                self._judged(probe, finding)
            tracks = self._others(probe)
            self._engine.run_until(tracks, at_s)
        self._renew(now.at_s)
        return self._ledger.drain()

    def tick(self, now_s: float, nows: Mapping[str, ProbeNow]) -> list[Transition]:
        """Time has reached `now_s` for every probe; `nows` holds what is known of each (probes may be left out)."""
        self._ledger.nows.update({probe: now for probe, now in nows.items() if probe in self._ledger.settings.probes})
        due_s = self._ledger.next_due_s
        for probe in self._ledger.settings.probes:
            if due_s.get(probe, now_s) <= now_s:
                tracks = self._others(probe)
                self._engine.run_until(tracks, now_s)
                due_s[probe] = earliest_due_s(tracks)
        self._silence.run_until(now_s)
        if not self._ledger.events_only:
            for track in self._ledger.tracks.values():
                if track.open and self._is_old(track, now_s):
                    self._ledger.touched.add(track.key)
        self._renew(now_s)
        return self._ledger.drain()

    def next_s(self) -> float:
        """The next instant at which time alone moves an alert; infinite when there is none. Renewals do not count."""
        due_s = self._ledger.next_due_s
        for probe in self._ledger.settings.probes:
            if probe not in due_s:
                due_s[probe] = earliest_due_s(self._others(probe))
        return min(self._silence.next_s(), *(due_s[probe] for probe in self._ledger.settings.probes))

    def acknowledge(self, probe: str, name: str, *, by: str, at_s: float) -> list[Transition]:
        """A person has seen it; on an alarm, responds to it."""
        track = self._open(probe, name)
        if not act(self._ledger, track, Input.ACKNOWLEDGE):
            raise RefusedError(f"{probe} {name} is {track.state}: only unacknowledged or latched can be acknowledged")
        track.state_reason = f"seen by {by}"
        return self._moved(track, at_s)

    def shelve(self, probe: str, name: str, *, until_s: float, by: str, at_s: float) -> list[Transition]:
        """Out of view until `until_s`, also an alert that is not there yet."""
        self._known(probe)
        if not symptom(name).suppressible:
            raise RefusedError(f"{name} is never shelved: it calls for isolating the heater")
        return self._hide(self._ledger.track(probe, name), Input.SHELVE, until_s, f"shelved by {by}", at_s)

    def unshelve(self, probe: str, name: str, *, at_s: float) -> list[Transition]:
        """Back into view."""
        self._known(probe)
        self._ledger.moved(probe)
        track = self._ledger.track(probe, symptom(name).name)
        if track.state is not State.SHELVED:
            raise RefusedError(f"{probe} {name} is {track.state}, not shelved")
        self._engine.show(track, at_s)
        return self._ledger.drain()

    def suppress(self, probe: str, name: str, *, cause: str, at_s: float) -> list[Transition]:
        """Out of view by design, naming the cause, until `unsuppress`."""
        self._known(probe)
        if not symptom(name).suppressible:
            raise RefusedError(f"{name} is never suppressed")
        return self._hide(self._ledger.track(probe, name), Input.SUPPRESS, None, cause, at_s)

    def unsuppress(self, probe: str, name: str, *, at_s: float) -> list[Transition]:
        """The cause is gone."""
        self._known(probe)
        self._ledger.moved(probe)
        track = self._ledger.track(probe, symptom(name).name)
        if track.state is not State.SUPPRESSED:
            raise RefusedError(f"{probe} {name} is {track.state}, not suppressed")
        self._engine.show(track, at_s)
        return self._ledger.drain()

    def out_of_service(self, probe: str, *, until_s: float, by: str, at_s: float) -> list[Transition]:
        """The whole probe out of service until `until_s`: somebody works on it."""
        self._known(probe)
        self._future(until_s, at_s)
        self._ledger.moved(probe)
        out: list[Transition] = []
        for name in SYMPTOMS:
            track = self._ledger.track(probe, name)
            if track.state is State.OUT_OF_SERVICE:
                track.hidden_until_s = until_s
                self._ledger.changed.add(track.key)
            else:
                out += self._hide(track, Input.TAKE_OUT, until_s, f"out of service by {by}", at_s)
        return out

    def in_service(self, probe: str, *, at_s: float) -> list[Transition]:
        """The probe is back in service."""
        self._known(probe)
        away = [track for track in self._ledger.of_probe(probe) if track.state is State.OUT_OF_SERVICE]
        if not away:
            raise RefusedError(f"probe {probe} is not out of service")
        self._ledger.moved(probe)
        for track in away:
            self._engine.show(track, at_s)
        return self._ledger.drain()

    def active(self, probe: str | None = None) -> list[dict[str, Any]]:
        """Payloads of the alerts that are open, of one probe or of all."""
        return [t.payload for t in self._ledger.tracks.values() if t.open and t.payload and probe in (None, t.probe)]

    def retained(self) -> list[Message]:
        """Every retained message as it stands: for a broker that came back empty."""
        return self._ledger.retained()

    def leftovers(self) -> list[Message]:
        """Messages that empty the topics of saved rows without use: refused ones, and those of probes that are gone."""
        return [message for probe, name in self._gone for message in self._ledger.empty_topics(probe, name)]

    def to_rows(self) -> dict[str, dict[str, Any]]:
        """Everything, as JSON-able rows by key."""
        rows = {key: track.to_row() for key, track in self._ledger.tracks.items()}
        rows[BOOK_KEY] = self._book_row()
        return rows

    def changed_rows(self) -> dict[str, dict[str, Any]]:
        """Rows changed since the last call: to be saved in one transaction with the outbox."""
        keys, self._ledger.changed = self._ledger.changed, set()
        rows = {key: self._ledger.tracks[key].to_row() for key in sorted(keys) if key in self._ledger.tracks}
        if BOOK_KEY in keys:
            rows[BOOK_KEY] = self._book_row()
        return rows

    def _judged(self, probe: str, finding: Finding) -> None:
        clean = finding_from_row(finding_to_row(finding))
        if finding.symptom == SILENCE:
            (self._silent.add if finding.active else self._silent.discard)(probe)
            self._ledger.changed.add(BOOK_KEY)
            self._silence.heard(probe, clean)
            if finding.active:
                for track in self._others(probe):
                    if self._ledger.is_fast(track) and track.condition.due_s is not None:
                        track.condition = track.condition.held()
                        self._ledger.changed.add(track.key)
            return
        track = self._ledger.track(probe, finding.symptom)
        if probe in self._silent and self._ledger.is_fast(track):
            return
        self._engine.judged(track, clean, finding.at_s)

    def _renew(self, at_s: float) -> None:
        """Hand out fresher evidence of open alerts where it has moved materially; no transition."""
        if self._ledger.events_only:
            self._ledger.touched.clear()
        for key in sorted(self._ledger.touched):
            track = self._ledger.tracks[key]
            self._ledger.touched.discard(key)
            if not track.open or track.payload is None:
                continue
            now = self._ledger.now(track.probe, at_s)
            fresh = self._ledger.payload(track, now)
            if moved_materially(track.payload, fresh) or self._is_old(track, at_s):
                self._ledger.hand_out(track, max(at_s, track.updated_at_s or at_s), Handed.UPDATE)

    def _is_old(self, track: Track, now_s: float) -> bool:
        since_s = now_s - (track.checked_at_s if track.checked_at_s is not None else now_s)
        trust = self._ledger.now(track.probe, now_s).trust
        told = None if track.payload is None else track.payload["reading_trust"]
        return since_s >= CHECK_REFRESH_S or (since_s >= TRUST_REFRESH_S and trust.value != told)

    def _hide(self, track: Track, word: Input, until_s: float | None, why: str, at_s: float) -> list[Transition]:
        if until_s is not None:
            self._future(until_s, at_s)
        if not act(self._ledger, track, word):
            raise RefusedError(f"{track.probe} {track.symptom} is {track.state} already")
        self._ledger.moved(track.probe)
        track.hidden_until_s, track.state_reason = until_s, why
        self._ledger.changed.add(track.key)
        return self._moved(track, at_s) if track.open else self._ledger.drain()

    def _moved(self, track: Track, at_s: float) -> list[Transition]:
        self._ledger.moved(track.probe)
        if track.state is State.NORMAL:
            self._engine.ended(track, at_s)
        self._ledger.hand_out(track, at_s)
        return self._ledger.drain()

    def _open(self, probe: str, name: str) -> Track:
        self._known(probe)
        track = self._ledger.track(probe, symptom(name).name)
        if not track.open:
            raise RefusedError(f"{probe} has no alert {name} now")
        return track

    def _others(self, probe: str) -> list[Track]:
        return [track for track in self._ledger.of_probe(probe) if track.symptom != SILENCE]

    def _known(self, probe: str) -> None:
        if probe not in self._ledger.settings.probes:
            raise ValueError(f"there is no probe {probe!r}; known are {', '.join(self._ledger.settings.probes)}")

    @staticmethod
    def _future(until_s: float, at_s: float) -> None:
        if not until_s > at_s:
            raise RefusedError("until must lie in the future: nothing is hidden without an end")

    def _book_row(self) -> dict[str, Any]:
        return {"version": ROW_VERSION, "silent": sorted(self._silent), "queue": self._silence.to_rows()}

    def _restore(self, rows: Mapping[str, Mapping[str, Any]]) -> None:
        for key, row in rows.items():
            try:
                if key == BOOK_KEY:
                    self._restore_book(row)
                else:
                    self._restore_track(Track.from_row(row))
            except RowError as error:
                # One bad row must not cost the others. What it said is not known: its topics are emptied, and its
                # detector's next word raises the alert anew.
                self.refused_rows.append(str(error))
                probe, _, name = key.partition("/")
                if name in SYMPTOMS and _ID.fullmatch(probe):
                    self._gone.append((probe, name))

    def _restore_track(self, track: Track) -> None:
        if track.probe in self._ledger.settings.probes and track.symptom in SYMPTOMS:
            self._ledger.tracks[row_key(track.probe, track.symptom)] = track
        elif track.payload is not None:
            self._gone.append((track.probe, track.symptom))

    def _restore_book(self, row: Mapping[str, Any]) -> None:
        if row.get("version") != ROW_VERSION:
            raise RowError(f"alert row book: version {row.get('version')!r}, this program reads {ROW_VERSION}")
        probes = self._ledger.settings.probes
        try:
            silent = set(row["silent"]) & probes.keys()
            self._silence.restore([item for item in row["queue"] if item["probe"] in probes])
        except (KeyError, TypeError) as error:
            raise RowError(f"alert row book is damaged: {error}") from None
        self._silent = silent
