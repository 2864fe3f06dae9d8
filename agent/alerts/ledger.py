"""The tracks of every probe, and what is handed out of them: transitions, quiet updates, retained messages."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from agent.alerts.checks.build import build_check
from agent.alerts.diagnosis import Around
from agent.alerts.lifecycle import State
from agent.alerts.payload import alert_payload
from agent.alerts.policy import Policy, policy_for
from agent.alerts.symptoms import DAY_S, SYMPTOMS, Speed
from agent.alerts.topics import probe_topic
from agent.alerts.track import Track, row_key
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from agent.rfc3339 import to_text

__all__ = ["BOOK_KEY", "SILENCE", "Handed", "Ledger", "Message", "NowAt", "Transition", "over"]

TIDY_AFTER_S: Final = DAY_S
SILENCE: Final = "no_communication"
BOOK_KEY: Final = "book"  # row of what belongs to no single track

NowAt = Callable[[str, float], ProbeNow]  # what was known of a probe at an instant, UTC seconds


@dataclass(frozen=True, slots=True)
class Message:
    """One message for the broker; a payload of None empties a retained topic."""

    topic: str
    payload: dict[str, Any] | None
    retain: bool


class Handed(StrEnum):
    """Why messages are handed out."""

    TRANSITION = "transition"  # goes to the event topic as well, is durable before it is sent
    UPDATE = "update"  # the same state with fresher evidence: retained topics only
    TIDY = "tidy"  # a day after normal: retained topics emptied


@dataclass(frozen=True, slots=True)
class Transition:
    """What the alerts hand out at once: the alert's payload and its messages in the order to send them.

    `key` names the alert's row. Payloads of `flueward.alert/1` want `payload.stamp` at the moment of sending.
    """

    kind: Handed
    key: str
    at_s: float
    payload: dict[str, Any] | None
    messages: tuple[Message, ...]


class Ledger:
    """Tracks by row key, what is known of each probe now, and the book-keeping of what has changed.

    `now_at` tells what was known of a probe when something happened; without it that is what was known last.
    `events_only`: nothing is retained, so no check is written out.
    """

    def __init__(self, settings: Settings, *, now_at: NowAt | None = None, events_only: bool = False) -> None:
        self.settings, self.events_only = settings, events_only
        self._now_at = now_at
        self.tracks: dict[str, Track] = {}
        self.nows: dict[str, ProbeNow] = {}
        self.changed: set[str] = set()  # rows to be saved
        self.touched: set[str] = set()  # open alerts whose evidence may have moved
        self.out: list[Transition] = []
        self.next_due_s: dict[str, float] = {}  # by probe, "" for silence; absent where it must be looked up anew
        self._policies: dict[str, Policy] = {}

    def track(self, probe: str, symptom: str) -> Track:
        """The track, made when it is not there yet."""
        key = row_key(probe, symptom)
        if key not in self.tracks:
            self.tracks[key] = Track(probe=probe, symptom=symptom)
        return self.tracks[key]

    def of_probe(self, probe: str) -> Iterator[Track]:
        """Tracks of a probe in the table's order, so that nothing depends on who spoke first."""
        for symptom in SYMPTOMS:
            found = self.tracks.get(row_key(probe, symptom))
            if found is not None:
                yield found

    def policy(self, track: Track) -> Policy:
        """The settings' words on a track."""
        if track.key not in self._policies:
            self._policies[track.key] = policy_for(self.settings, track.probe, track.symptom)
        return self._policies[track.key]

    def now(self, probe: str, at_s: float) -> ProbeNow:
        """What was known of a probe at an instant, or last; nothing known where it has not been told of."""
        if self._now_at is not None:
            return self._now_at(probe, at_s)
        return self.nows.get(probe) or ProbeNow(probe=probe, at_s=at_s)

    def line_mates(self, probe: str) -> list[str]:
        """All probes of the probe's line, itself among them."""
        line = self.settings.probes[probe].line
        return [name for name, at in self.settings.probes.items() if at.line == line]

    def present(self, probe: str, symptom: str) -> bool:
        """Whether a detector says that the symptom is there, delays aside."""
        found = self.tracks.get(row_key(probe, symptom))
        return found is not None and found.condition.present

    def consequences(self, track: Track) -> list[Track]:
        """Tracks that this alert explains, the oldest first."""
        found = [t for t in self.tracks.values() if t.explained_by == track.key]
        return sorted(found, key=lambda t: (t.condition.since_s or 0.0, t.key))

    def moved(self, probe: str) -> None:
        """Something of the probe has changed: its next deadline is to be looked up anew."""
        self.next_due_s.pop(probe, None)
        self.next_due_s.pop("", None)

    def drain(self) -> list[Transition]:
        """What has been handed out since the last call."""
        out, self.out = self.out, []
        return out

    def hand_out(self, track: Track, at_s: float, kind: Handed = Handed.TRANSITION) -> None:
        """Payload and messages of an alert as it stands now."""
        self.changed.add(track.key)
        self.touched.discard(track.key)
        if kind is Handed.TRANSITION:
            track.seq += 1
        track.updated_at_s = at_s
        now = self.now(track.probe, at_s)
        payload = self.payload(track, now)
        track.payload, track.checked_at_s = payload, at_s
        messages = []
        if kind is Handed.TRANSITION:
            messages.append(Message(self._topic(track, "event"), payload, retain=False))
        if not self.events_only:
            messages.append(Message(self._topic(track, "alert"), payload, retain=True))
        if track.cleared_at_s is None and not self.events_only:
            track.check = build_check(self.settings, track.probe, track.symptom, now, finding=track.finding, at_s=at_s)
            messages.append(Message(self._topic(track, "check"), track.check, retain=True))
        self.out.append(Transition(kind, track.key, at_s, payload, tuple(messages)))

    def tidy(self, track: Track, at_s: float) -> None:
        """Empty the retained topics of an alert that is over."""
        self.changed.add(track.key)
        track.payload = track.check = None
        self.out.append(Transition(Handed.TIDY, track.key, at_s, None, self.empty_topics(track.probe, track.symptom)))

    def empty_topics(self, probe: str, symptom: str) -> tuple[Message, ...]:
        """Messages that empty the two retained topics of a symptom."""
        site = self.settings.site
        return tuple(Message(probe_topic(site, probe, name, symptom), None, retain=True) for name in ("alert", "check"))

    def retained(self, tracks: Iterable[Track] | None = None) -> list[Message]:
        """Retained messages as they stand: for a broker that came back empty."""
        messages = []
        for track in self.tracks.values() if tracks is None else tracks:
            for name, payload in (("alert", track.payload), ("check", track.check)):
                if payload is not None:
                    messages.append(Message(self._topic(track, name), payload, retain=True))
        return messages

    def payload(self, track: Track, now: ProbeNow) -> dict[str, Any]:
        """Payload of an occurrence."""
        rows = [
            {
                "probe": t.probe,
                "symptom": t.symptom,
                "since": None if since_s is None else to_text(since_s),
            }
            for t in self.consequences(track)
            for since_s in (t.condition.since_s,)
        ]
        return alert_payload(self.settings, self.policy(track), track, now, self.around(track), rows)

    def around(self, track: Track) -> Around:
        """What else is known, for the diagnosis."""
        others = [t for t in self.of_probe(track.probe) if t is not track]
        at, mates = self.settings.probes[track.probe], self.line_mates(track.probe)
        alone = len(mates) == 1
        group = at.supply_group
        supply = [] if group is None else [p for p, o in self.settings.probes.items() if o.supply_group == group]
        silent = [self.present(p, SILENCE) for p in mates]
        return Around(
            active=frozenset(t.symptom for t in others if t.condition.present),
            quiet=frozenset(t.symptom for t in others if t.judged and not t.condition.present),
            same_supply=None if group is None else self._others_with(track, supply),
            same_line=self._others_with(track, mates),
            line=at.line,
            line_probes=len(mates),
            line_silent=None if alone else all(silent),
        )

    def is_fast(self, track: Track) -> bool:
        """Whether the symptom moves in minutes."""
        return SYMPTOMS[track.symptom].speed is Speed.FAST

    def _others_with(self, track: Track, probes: Iterable[str]) -> int:
        return sum(self.present(probe, track.symptom) for probe in probes if probe != track.probe)

    def _topic(self, track: Track, name: str) -> str:
        symptom = track.symptom if name in ("alert", "check") else None
        return probe_topic(self.settings.site, track.probe, name, symptom)


def over(track: Track, at_s: float) -> None:
    """End the occurrence; its topics are emptied later, once it is in view as normal."""
    if track.cleared_at_s is None:
        track.cleared_at_s = at_s
    if track.state is State.NORMAL:
        track.tidy_at_s = at_s + TIDY_AFTER_S
