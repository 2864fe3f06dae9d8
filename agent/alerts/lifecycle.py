"""The life of one alert after IEC 62682 / ANSI/ISA-18.2: a table of transitions and two delays, both pure.

Differences between our three kinds, and why:

- An ALARM calls for an operator's response, so its return is only over once somebody has acknowledged it
  (`returned_unacknowledged`), as the standards have it.
- An ALERT tells somebody something. When the condition is gone there is nothing left to respond to: it goes to normal
  by itself, acknowledged or not. Acknowledging it means 'the technician has seen it'.
- A LATCHING ALARM stays shown after its return until it is acknowledged, even where it was acknowledged before.
  The requests that people can make know no separate reset, so an acknowledgement after the return is the reset.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

__all__ = ["HIDDEN", "TRANSITIONS", "Condition", "Input", "Kind", "State", "next_state"]


class State(StrEnum):
    """Where an alert is in its life; the words of the payload."""

    NORMAL = "normal"  # NORM
    UNACKNOWLEDGED = "unacknowledged"  # UNACK
    ACKNOWLEDGED = "acknowledged"  # ACKED
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"  # RTNUN
    LATCHED = "latched"  # LTUNA and LTACK
    SHELVED = "shelved"  # SHLVD: by a person, for a limited time
    SUPPRESSED = "suppressed"  # DSUPR: by design, names its cause
    OUT_OF_SERVICE = "out_of_service"  # OOSRV: by a person under the site's permit, for a limited time


HIDDEN: Final = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})  # kept from view for a reason


class Kind(StrEnum):
    """What is expected of people."""

    ALERT = "alert"
    ALARM = "alarm"
    LATCHING_ALARM = "latching_alarm"


class Input(StrEnum):
    """What can happen to an alert."""

    CONDITION = "condition"  # the symptom is there, its on-delay over
    RETURN = "return"  # the symptom is gone, its off-delay over
    WORSEN = "worsen"  # its level has risen
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"  # by a person or by expiry
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT = "take_out"  # out of service
    PUT_BACK = "put_back"  # in service, by a person or by expiry


_N, _U, _A, _R, _L = (
    State.NORMAL,
    State.UNACKNOWLEDGED,
    State.ACKNOWLEDGED,
    State.RETURNED_UNACKNOWLEDGED,
    State.LATCHED,
)

# What is not listed changes nothing: a repeated condition, for one, is not announced again.
_ALARM: Final[Mapping[tuple[State, Input], State]] = {
    (_N, Input.CONDITION): _U,
    (_U, Input.ACKNOWLEDGE): _A,
    (_U, Input.RETURN): _R,
    (_A, Input.RETURN): _N,
    (_A, Input.WORSEN): _U,
    (_U, Input.WORSEN): _U,
    (_R, Input.CONDITION): _U,
    (_R, Input.ACKNOWLEDGE): _N,
}
_HIDE: Final = {
    (state, word): hidden
    for word, hidden, shown in (
        (Input.SUPPRESS, State.SUPPRESSED, (_N, _U, _A, _R, _L)),
        (Input.SHELVE, State.SHELVED, (_N, _U, _A, _R, _L, State.SUPPRESSED)),
        (Input.TAKE_OUT, State.OUT_OF_SERVICE, (_N, _U, _A, _R, _L, State.SUPPRESSED, State.SHELVED)),
    )
    for state in shown
}
TRANSITIONS: Final[Mapping[Kind, Mapping[tuple[State, Input], State]]] = {
    Kind.ALERT: {**_ALARM, **_HIDE, (_U, Input.RETURN): _N},
    Kind.ALARM: {**_ALARM, **_HIDE},
    Kind.LATCHING_ALARM: {
        **_ALARM,
        **_HIDE,
        (_U, Input.RETURN): _L,
        (_A, Input.RETURN): _L,
        (_L, Input.CONDITION): _U,
        (_L, Input.ACKNOWLEDGE): _N,
    },
}
_SHOWN_AGAIN: Final = {
    (State.SHELVED, Input.UNSHELVE),
    (State.SUPPRESSED, Input.UNSUPPRESS),
    (State.OUT_OF_SERVICE, Input.PUT_BACK),
}


def next_state(kind: Kind, state: State, word: Input, *, standing: bool) -> State | None:
    """The state that follows, None where the input means nothing in this state.

    `standing` tells whether the condition stands; it matters only when an alert comes back into view, which leads to
    unacknowledged or to normal and never back to an acknowledgement made before.
    """
    if (state, word) in _SHOWN_AGAIN:
        return State.UNACKNOWLEDGED if standing else State.NORMAL
    return TRANSITIONS[kind].get((state, word))


@dataclass(frozen=True, slots=True)
class Condition:
    """A symptom's presence behind its delays. Times are UTC seconds of the event, never of arrival.

    `present` is the detector's last word, `standing` follows it when `due_s` is reached without a contrary word. A
    deadline that passed between two inputs takes effect AT the deadline, so ticks, late ticks and replay agree.
    """

    present: bool = False
    since_s: float | None = None  # of the present spell
    standing: bool = False
    due_s: float | None = None

    def judged(self, present: bool, at_s: float, delay_s: float) -> "Condition":
        """A detector has spoken; `delay_s` is the on-delay when present, the off-delay when not."""
        since_s = self.since_s if present and self.present else at_s if present else None
        if present == self.standing:
            return Condition(present, since_s, self.standing, None)
        if present == self.present and self.due_s is not None:
            return replace(self, since_s=since_s)
        return Condition(present, since_s, self.standing, at_s + delay_s)

    def held(self) -> "Condition":
        """Judging has stopped: no deadline runs until a detector speaks again."""
        return replace(self, due_s=None)

    def settled(self) -> "Condition":
        """The deadline is reached."""
        return Condition(self.present, self.since_s, self.present, None)
