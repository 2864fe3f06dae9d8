"""Which message goes next: order within a key, no order between keys, and one that is under suspicion goes last."""

import heapq
from collections import deque
from collections.abc import Iterable

from agent.store.unwritten import StoredMessage

__all__ = ["Lanes"]


class Lanes:
    """Waiting messages by order key. Of each key only the first may be in flight.

    `take` gives the oldest first of all lanes at rest; `release` puts it back, `done` opens the lane for the next.
    """

    def __init__(self) -> None:
        self._lanes: dict[str, deque[StoredMessage]] = {}
        self._ready: list[tuple[int, str]] = []  # a heap of (id of the first, key); stale entries are skipped
        self._busy: set[str] = set()
        self._ids: set[int] = set()
        self._states: dict[str, tuple[int, str]] = {}  # topic -> id and key of the newest state

    def __len__(self) -> int:
        return len(self._ids)

    def __contains__(self, number: int) -> bool:
        return number in self._ids

    def add(self, messages: Iterable[StoredMessage]) -> list[int]:
        """Take messages in, ids rising. Returns the ids of older states of the same topics, which need no sending."""
        replaced: list[int] = []
        for stored in messages:
            if stored.id in self._ids:
                continue
            if stored.message.kind == "state":
                replaced += self._replace(stored)
            lane = self._lanes.setdefault(stored.message.order_key, deque())
            lane.append(stored)
            self._ids.add(stored.id)
            if len(lane) == 1:
                heapq.heappush(self._ready, (stored.id, stored.message.order_key))
        return replaced

    def _replace(self, newer: StoredMessage) -> list[int]:
        number, key = self._states.get(newer.message.topic, (-1, ""))
        self._states[newer.message.topic] = (newer.id, newer.message.order_key)
        lane = self._lanes.get(key, deque())
        for old in lane:
            if old.id == number and not (key in self._busy and old is lane[0]):  # one on its way is left to its answer
                lane.remove(old)
                self._ids.discard(number)
                self._settle(key)
                return [number]
        return []

    def _settle(self, key: str) -> None:
        """A lane changed: forget it when empty, and offer its first when it is at rest."""
        lane = self._lanes[key]
        if not lane:
            del self._lanes[key]
        elif key not in self._busy:
            heapq.heappush(self._ready, (lane[0].id, key))

    def take(self, shunned: Iterable[int] = ()) -> StoredMessage | None:
        """The oldest first of all lanes at rest that is not `shunned`; its lane is busy from now on."""
        avoid, kept = frozenset(shunned), []
        found: StoredMessage | None = None
        while self._ready and found is None:
            number, key = heapq.heappop(self._ready)
            lane = self._lanes.get(key)
            if lane is None or key in self._busy or lane[0].id != number:
                continue  # stale
            if number in avoid:
                kept.append((number, key))
                continue
            found = lane[0]
            self._busy.add(key)
        for entry in kept:
            heapq.heappush(self._ready, entry)
        return found

    def release(self, number: int, key: str) -> bool:
        """It was not confirmed and may go again. False: a newer state of its topic has made it needless."""
        lane = self._lanes.get(key)
        if not lane or lane[0].id != number:
            return True
        message = lane[0].message
        if message.kind == "state" and self._states[message.topic][0] != number:
            self.done(number, key)
            return False
        self._busy.discard(key)
        self._settle(key)
        return True

    def done(self, number: int, key: str) -> None:
        """It was confirmed or set aside: the next of its key may go."""
        lane = self._lanes.get(key)
        if lane and lane[0].id == number:
            lane.popleft()
            self._ids.discard(number)
            self._busy.discard(key)
            self._settle(key)
