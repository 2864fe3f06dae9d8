"""Topics whose newest value is all that counts and that is worth no disk: status, condition, sample."""

from dataclasses import dataclass, field

__all__ = ["Volatile"]


@dataclass(slots=True)
class _Topic:
    payload: bytes
    retain: bool
    version: int = 1
    sent: int = 0  # the version that the broker has
    in_flight: bool = False
    not_before_s: float = 0.0  # monotonic; after a refusal


@dataclass(slots=True)
class Volatile:
    """The newest payload of each topic, in memory, and whether the broker has it."""

    _topics: dict[str, _Topic] = field(default_factory=dict)

    def put(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Replace what the topic should say."""
        found = self._topics.get(topic)
        if found is None:
            self._topics[topic] = _Topic(payload, retain)
        else:
            found.payload, found.retain, found.version = payload, retain, found.version + 1

    def take(self, now_s: float, shunned: frozenset[str]) -> tuple[str, bytes, bool, int] | None:
        """A topic that the broker does not have yet, as (topic, payload, retain, version); it is in flight from now."""
        for topic, at in self._topics.items():
            if at.sent < at.version and not at.in_flight and at.not_before_s <= now_s and topic not in shunned:
                at.in_flight = True
                return topic, at.payload, at.retain, at.version
        return None

    def release(self, topic: str) -> None:
        """Not confirmed: it may go again."""
        self._topics[topic].in_flight = False

    def done(self, topic: str, version: int) -> None:
        """The broker has this version."""
        at = self._topics[topic]
        at.in_flight, at.sent = False, version

    def rest(self, topic: str, until_s: float) -> None:
        """Refused: not again before `until_s` (monotonic)."""
        at = self._topics[topic]
        at.in_flight, at.not_before_s = False, until_s

    def say_again(self) -> None:
        """A new connection may lead to a broker that has forgotten: retained topics go again."""
        for at in self._topics.values():
            if at.retain:
                at.sent = 0

    def waiting(self, now_s: float) -> bool:
        """Some topic could be sent and is not with the broker yet."""
        return any(at.sent < at.version and at.not_before_s <= now_s for at in self._topics.values())
