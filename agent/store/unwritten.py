"""What was accepted and is not yet on the disk: kept in memory, newest of each key, until the disk takes it.

Usually it is empty again before a call returns. It holds something only while the disk is full, read-only, locked or
broken. Rows, retained topics and state messages are bounded by the number of their keys; events by a limit.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from agent.store.messages import OutgoingMessage

__all__ = ["StoredMessage", "Unwritten", "superseded"]


@dataclass(frozen=True, slots=True)
class StoredMessage:
    """A message of the outbox. Ids rise in the order of acceptance. `durable`: it is on the disk."""

    id: int
    message: OutgoingMessage
    durable: bool


def superseded(events: Iterable[tuple[int, str]]) -> int | None:
    """Which event to give up when there is no room: the oldest that a later one of its key follows, else the oldest.

    Transitions of an alert carry the alert whole, so of two the later one is worth more. `events` are (id, order key),
    ids rising.
    """
    first_of_key: dict[str, int] = {}
    followed: list[int] = []
    for number, key in events:
        if key in first_of_key:
            followed.append(first_of_key[key])
        else:
            first_of_key[key] = number
    return min(followed, default=min(first_of_key.values(), default=None))


@dataclass(slots=True)
class Unwritten:
    """Changes that wait for the disk. None in `rows` deletes the row."""

    rows: dict[tuple[str, str], str | None] = field(default_factory=dict)
    retained: dict[str, tuple[str | None, float]] = field(default_factory=dict)
    messages: dict[int, OutgoingMessage] = field(default_factory=dict)  # ids rising
    states: dict[str, int] = field(default_factory=dict)  # topic -> id of its newest state: older ones are dead
    aside: dict[int, tuple[str, float]] = field(default_factory=dict)  # id -> reason, when
    back: set[int] = field(default_factory=set)  # set aside on the disk, and waiting again
    gone: set[int] = field(default_factory=set)  # confirmed, still on the disk

    def __bool__(self) -> bool:
        return bool(self.rows or self.retained or self.messages or self.states or self.aside or self.back or self.gone)

    @property
    def must_sync(self) -> bool:
        """Something in it must survive a power cut. A lost confirmation only sends a message twice."""
        return bool(self.rows or self.retained or self.messages)

    def add_message(self, number: int, message: OutgoingMessage) -> None:
        """Take a message in; a state replaces the one that waits here for its topic."""
        if message.kind == "state":
            for old in [n for n, m in self.messages.items() if m.kind == "state" and m.topic == message.topic]:
                self._forget(old)
            self.states[message.topic] = number
        self.messages[number] = message

    def confirm(self, number: int) -> None:
        """The broker has it."""
        if number not in self.messages:
            self.gone.add(number)
        self._forget(number)

    def set_aside(self, number: int, reason: str, now_s: float) -> None:
        """The broker refused it."""
        self.back.discard(number)
        self.aside[number] = (reason, now_s)

    def _forget(self, number: int) -> None:
        self.messages.pop(number, None)
        self.aside.pop(number, None)
        self.back.discard(number)

    def still_waiting(self, on_disk: Iterable[StoredMessage]) -> list[StoredMessage]:
        """Of the messages that wait on the disk those that are not confirmed, set aside or replaced meanwhile."""
        return [m for m in on_disk if m.id not in self.gone and m.id not in self.aside and not self._dead(m)]

    def _dead(self, stored: StoredMessage) -> bool:
        return stored.message.kind == "state" and stored.id < self.states.get(stored.message.topic, 0)

    def waiting(self, after: int = 0) -> Iterator[StoredMessage]:
        """Messages in memory that may be sent, oldest first."""
        for number, message in self.messages.items():
            if number > after and number not in self.aside:
                yield StoredMessage(number, message, durable=False)

    def trim(self, limit: int) -> int:
        """Give up events over the limit. Returns how many."""
        dropped = 0
        while True:
            events = [(n, m.order_key) for n, m in self.messages.items() if m.kind == "event"]
            if len(events) <= limit:
                return dropped
            victim = superseded(events)
            assert victim is not None
            self._forget(victim)
            dropped += 1
