"""How findings and deadlines move alerts: one cause one alert, worsening, speaking again."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from agent.alerts.diagnosis import EXPLAINS, WORSENS_INTO, explains
from agent.alerts.ledger import Ledger, over
from agent.alerts.lifecycle import HIDDEN, Condition, Input, State, next_state
from agent.alerts.payload import alert_id
from agent.alerts.symptoms import SLOW_OFF_DELAY_S, SYMPTOMS
from agent.alerts.track import Track
from detectors.finding import Finding

__all__ = ["CAUSE_ORDER", "Engine", "act"]

SPEAK_AGAIN_S: Final = SLOW_OFF_DELAY_S  # a slow symptom speaks again within this time only when its level rises
_SHOW: Final = {
    State.SHELVED: Input.UNSHELVE,
    State.SUPPRESSED: Input.UNSUPPRESS,
    State.OUT_OF_SERVICE: Input.PUT_BACK,
}


def _depth(name: str) -> int:
    causes = [cause for cause, found in EXPLAINS.items() if name in found]
    return 1 + max((_depth(cause) for cause in causes), default=-1)


CAUSE_ORDER: Final = {name: _depth(name) for name in SYMPTOMS}  # causes before what they explain


class Engine:
    """Moves the tracks of a ledger. Every time is event time."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    def judged(self, track: Track, finding: Finding, at_s: float) -> None:
        """A detector has judged."""
        ledger, policy = self.ledger, self.ledger.policy(track)
        track.judged = True
        ledger.changed.add(track.key)
        before = track.finding.level if track.finding is not None and track.condition.present else 0
        if finding.active:
            track.finding = finding
            if track.open:
                ledger.touched.add(track.key)
        delay_s = policy.on_delay_s if finding.active else policy.off_delay_s
        condition = track.condition.judged(finding.active, at_s, delay_s)
        if track.explained_by is not None:
            ledger.touched.add(track.explained_by)
            condition = condition.held()
            if not finding.active:
                track.explained_by = None
        elif finding.active and condition.due_s is not None and finding.level > track.spoken_level:
            # It may have been waiting not to repeat itself; a higher level need not wait.
            soonest_s = (at_s if condition.since_s is None else condition.since_s) + policy.on_delay_s
            condition = replace(condition, due_s=min(condition.due_s, max(soonest_s, at_s)))
        track.condition = condition
        if finding.active and condition.standing and track.open:
            self._level(track, finding.level, before, at_s)

    def deadline(self, track: Track, at_s: float, what: str) -> None:
        """A deadline of the track is reached."""
        self.ledger.changed.add(track.key)
        if what == "hidden":
            self.show(track, at_s)
        elif what == "tidy":
            track.tidy_at_s = None
            self.ledger.tidy(track, at_s)
        elif track.condition.present:
            self._stands(track, at_s)
        else:
            self._returns(track, at_s)

    def run_until(self, tracks: Iterable[Track], now_s: float) -> None:
        """Let every deadline up to and with `now_s` take effect, each at its own time and in order of time."""
        known = list(tracks)
        while True:
            due = [(one[0], CAUSE_ORDER[t.symptom], t.key, one[1], t) for t in known if (one := t.due())]
            if not due or min(due)[0] > now_s:
                return
            at_s, _, _, what, track = min(due, key=lambda d: d[:3])
            self.deadline(track, at_s, what)

    def raise_alert(self, track: Track, at_s: float) -> None:
        """The condition stands: a new occurrence, or an open one that is back."""
        self.begin(track, at_s)
        old = self._superseded_by(track, at_s)
        self.ledger.hand_out(track, at_s)
        for other in old:
            self.ledger.hand_out(other, at_s)
            self.release(other, at_s)

    def begin(self, track: Track, at_s: float) -> None:
        """Give the occurrence its id, and the state that the condition leads to."""
        track.condition = replace(track.condition, standing=True, due_s=None)
        if not track.open:
            track.id = alert_id(self.ledger.settings.site, track.probe, track.symptom, at_s)
            track.seq, track.raised_at_s, track.cleared_at_s = 0, at_s, None
            track.continues = track.superseded_by = track.tidy_at_s = None
        act(self.ledger, track, Input.CONDITION)
        track.spoken_level = 1 if track.finding is None else track.finding.level
        track.spoken_at_s = at_s

    def show(self, track: Track, at_s: float) -> None:
        """Bring a hidden alert back into view."""
        had = track.payload is not None and track.payload["state"] == track.state.value
        act(self.ledger, track, _SHOW[track.state])
        track.hidden_until_s = None
        self.ledger.changed.add(track.key)
        if track.state is State.NORMAL and had:
            over(track, at_s)
        if had:
            self.ledger.hand_out(track, at_s)

    def release(self, cause: Track, at_s: float) -> None:
        """A cause is over: what it explained is judged by itself again, if it is still there."""
        for track in self.ledger.consequences(cause):
            track.explained_by = None
            self.ledger.changed.add(track.key)
            if track.condition.present:
                due_s = at_s + self.ledger.policy(track).on_delay_s
                track.condition = replace(track.condition, standing=False, due_s=due_s)

    def ended(self, track: Track, at_s: float) -> None:
        """An acknowledgement ended an alarm that had returned."""
        over(track, at_s)
        self.ledger.changed.add(track.key)

    def fold(self, other: Track, cause: Track, at_s: float) -> None:
        """End an alert because another one speaks for it from now on."""
        present, since_s = other.condition.present, other.condition.since_s
        other.condition = Condition(present, since_s)
        other.explained_by = cause.key if present else None
        other.superseded_by = cause.id
        if other.state not in HIDDEN:
            other.state, other.state_reason = State.NORMAL, None
        over(other, at_s)

    def _stands(self, track: Track, at_s: float) -> None:
        cause = self._cause_of(track)
        if cause is not None:
            track.explained_by = cause.key
            track.condition = replace(track.condition, standing=False, due_s=None)
            self.ledger.touched.add(cause.key)
            return
        wait_s = self._silent_until(track)
        if wait_s > at_s:
            track.condition = replace(track.condition, due_s=wait_s)
            return
        self.raise_alert(track, at_s)

    def _returns(self, track: Track, at_s: float) -> None:
        track.condition = track.condition.settled()
        act(self.ledger, track, Input.RETURN)
        if track.state is State.NORMAL or track.state in HIDDEN:
            over(track, at_s)
        self.ledger.hand_out(track, at_s)
        self.release(track, at_s)

    def _cause_of(self, track: Track) -> Track | None:
        if not SYMPTOMS[track.symptom].suppressible:
            return None
        standing = [
            other
            for other in self.ledger.of_probe(track.probe)
            if other.condition.standing and explains(other.symptom, track.symptom)
        ]
        return min(standing, key=lambda other: CAUSE_ORDER[other.symptom], default=None)

    def _superseded_by(self, track: Track, at_s: float) -> list[Track]:
        """Alerts of consequences that spoke before their cause: they end, and the cause goes on from there."""
        old = [
            other
            for other in self.ledger.of_probe(track.probe)
            if other.condition.standing
            and explains(track.symptom, other.symptom)
            and SYMPTOMS[other.symptom].suppressible
        ]
        for other in old:
            if track.continues is None and track.symptom in WORSENS_INTO.get(other.symptom, frozenset()):
                track.continues = other.id
            self.fold(other, track, at_s)
        return old

    def _level(self, track: Track, level: int, before: int, at_s: float) -> None:
        """A level that rises speaks; one that came back to where it has spoken lately does not."""
        spoke_lately = track.spoken_at_s is not None and at_s - track.spoken_at_s < SPEAK_AGAIN_S
        if level <= before or (level <= track.spoken_level and spoke_lately):
            return
        track.spoken_level, track.spoken_at_s = level, at_s
        act(self.ledger, track, Input.WORSEN)
        self.ledger.hand_out(track, at_s)

    def _silent_until(self, track: Track) -> float:
        """Until when a slow symptom that ended lately keeps quiet at the level at which it has spoken."""
        level = 1 if track.finding is None else track.finding.level
        if self.ledger.is_fast(track) or track.cleared_at_s is None or level > track.spoken_level:
            return float("-inf")
        return track.cleared_at_s + SPEAK_AGAIN_S


def act(ledger: Ledger, track: Track, word: Input) -> bool:
    """Move the track's state as the table says; False where the input means nothing in this state."""
    after = next_state(ledger.policy(track).kind, track.state, word, standing=track.condition.standing)
    if after is None:
        return False
    track.state = after
    if after not in HIDDEN:
        track.state_reason = None
    return True
