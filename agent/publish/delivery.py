"""Which messages are in flight on the present connection, what the broker answered, and what follows from it."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.counters import Counters
from agent.publish.connection import TAKEN_OVER, Connection
from agent.publish.lanes import Lanes
from agent.publish.pace import Pace
from agent.publish.refusal import ConnectError
from agent.publish.suspicion import Suspicion
from agent.publish.volatile import Volatile
from agent.store.database import Store
from agent.store.messages import OutgoingMessage, encoded

__all__ = ["Delivery", "Stamp"]

Stamp = Callable[[dict[str, Any], bool, float], dict[str, Any]]
"""(payload, durable, now_s) -> the payload as sent, with the instant of sending in it. It gets a copy."""

_OVERHEAD_BYTES: Final = 16  # fixed header, topic length, packet id and properties of a PUBLISH: 10 at most, rounded up
_LOAD: Final = 500  # messages read from the store at a time
_AHEAD: Final = 2_000  # messages looked at while the first ones wait for their predecessors
_CUT_REST: Final = 6  # a topic that the broker hangs up on rests so many times longer than one that it refuses in words

Ident = tuple[Literal["outbox", "volatile", "retained"], int | str]


@dataclass(frozen=True, slots=True)
class _Sent:
    """A message in flight: of the outbox (its id), a volatile topic, or a retained topic said again."""

    ident: Ident
    topic: str
    key: str  # order key; outbox only
    version: int  # volatile only
    at_s: float  # monotonic


class Delivery:
    """Sends from three sources, in this order: volatile topics, the outbox, retained topics that are said again."""

    def __init__(
        self, store: Store, *, clock: Clock, counters: Counters, log: FilteringBoundLogger, stamp: Stamp, pace: Pace
    ) -> None:
        self.volatile = Volatile()
        self._store, self._clock, self._counters, self._log = store, clock, counters, log
        self._stamp, self._pace = stamp, pace
        self._lanes = Lanes()
        self._suspicion = Suspicion(pace.proven_cuts)
        self._in_flight: dict[int, _Sent] = {}
        self._proven = False  # this connection has taken a message
        self._read_up_to = 0  # id of the last message read from the store
        self._more = True  # the store may have messages beyond it
        self._round: dict[str, OutgoingMessage] = {}  # retained topics still to be said again
        self._round_due_s: float | None = None  # monotonic
        self._round_began_s: float | None = None
        self._round_rests: dict[str, float] = {}  # topic -> not before (monotonic)
        self._told_topics: set[str] = set()

    def wake(self) -> None:
        """The store has new messages."""
        self._more = True

    def read_anew(self) -> None:
        """The store may have messages with old ids."""
        self._read_up_to = 0
        self._more = True

    def begin(self) -> None:
        """A new connection, perhaps to a broker that has forgotten everything."""
        self._proven = False
        self._more = True
        self.volatile.say_again()
        self._ask_round()

    def _ask_round(self) -> None:
        """All retained topics again: now, but on a line that comes and goes not more than once in a pause."""
        now_s = self._clock.monotonic()
        began_s = self._round_began_s
        self._round_due_s = now_s if began_s is None else max(now_s, began_s + self._pace.republish_pause_s)

    @property
    def busy(self) -> bool:
        """Something that could be sent is not confirmed yet (retained topics said again do not count)."""
        unread = self._more or len(self._lanes) > 0
        return unread or bool(self._in_flight) or self.volatile.waiting(self._clock.monotonic())

    @property
    def oldest_s(self) -> float | None:
        """When (monotonic) the oldest message in flight was sent."""
        return min((sent.at_s for sent in self._in_flight.values()), default=None)

    # Answers

    async def take_acks(self, connection: Connection) -> None:
        """Confirm and set aside what the broker has answered."""
        confirmed: list[int] = []
        opened: list[_Sent] = []
        while connection.acks:
            ack = connection.acks.popleft()
            sent = self._in_flight.pop(ack.mid, None)
            if sent is None:
                continue
            self._suspicion.clear(sent.ident)
            if ack.refused is not None:
                await self._refused(sent, ack.refused)
                continue
            self._proven = True
            if isinstance(sent.ident[1], int):
                confirmed.append(sent.ident[1])
                opened.append(sent)
            elif sent.ident[0] == "volatile":
                self.volatile.done(sent.topic, sent.version)
        if confirmed:
            # A batch of confirmations is one write; losing it to a power cut only sends these again.
            await asyncio.to_thread(self._store.confirm, confirmed)
            self._counters.count("message_confirmed", by=len(confirmed))
            for sent in opened:
                assert isinstance(sent.ident[1], int)
                self._lanes.done(sent.ident[1], sent.key)

    async def _refused(self, sent: _Sent, reason: str, rests: int = 1) -> None:
        self._suspicion.clear(sent.ident)
        self._counters.count("message_refused", sent.topic)
        if sent.topic not in self._told_topics:
            self._told_topics.add(sent.topic)
            self._log.error(
                "message_refused",
                topic=sent.topic,
                reason=reason,
                message="it is set aside and holds up no other: allow this agent to publish on the topic",
            )
        until_s = self._clock.monotonic() + rests * self._pace.refused_pause_s
        if isinstance(sent.ident[1], int):
            await asyncio.to_thread(self._store.set_aside, sent.ident[1], reason)
            self._lanes.done(sent.ident[1], sent.key)
        elif sent.ident[0] == "volatile":
            self.volatile.rest(sent.topic, until_s)
        else:
            self._round_rests[sent.topic] = until_s

    async def blame(self, connection: Connection) -> None:
        """The connection ended by itself: find out whether a message did it."""
        flying = {sent.ident: mid for mid, sent in self._in_flight.items()}
        if not flying or connection.lost_code == TAKEN_OVER:
            return
        # A topic that is said again at every connect holds up nothing; a message of an alert holds up the next of it.
        any_limit = self._pace.any_cuts if all(kind == "outbox" for kind, _ in flying) else None
        condemned = self._suspicion.cut(flying.keys(), proven=self._proven, any_limit=any_limit)
        for ident, mid in flying.items():
            if ident == condemned:
                sent = self._in_flight.pop(mid)
                await self._refused(sent, f"the broker hangs up on it, again and again: {connection.lost}", _CUT_REST)

    def end(self) -> None:
        """The connection is gone: what was in flight may go again on the next one."""
        for sent in self._in_flight.values():
            self._release(sent)
        self._in_flight.clear()
        self._round.clear()  # the next connection begins a round of its own

    def _release(self, sent: _Sent) -> None:
        if isinstance(sent.ident[1], int):
            if not self._lanes.release(sent.ident[1], sent.key):
                self._suspicion.clear(sent.ident)
        elif sent.ident[0] == "volatile":
            self.volatile.release(sent.topic)

    # Sending

    async def fill(self, connection: Connection) -> None:
        """Put as much in flight as is allowed.

        Raises
        ------
        ConnectError
            The connection has ended; what was not sent is still to be sent.
        """
        await self._start_round()
        while connection.lost is None:
            if any(sent.ident in self._suspicion.struck() for sent in self._in_flight.values()):
                return  # it flies alone
            window = 1 if self._suspicion.one_at_a_time() else min(self._pace.window, connection.receive_max)
            if len(self._in_flight) >= window:
                return
            if await self._send_next(connection, frozenset(self._suspicion.struck())):
                continue
            if self._in_flight or not self._suspicion.struck():
                return
            if not await self._send_next(connection, frozenset()):
                return

    async def _start_round(self) -> None:
        """All retained topics go again after each connect: the broker may have come back empty."""
        now_s = self._clock.monotonic()
        if self._round_due_s is None or now_s < self._round_due_s:
            return
        # Nothing else reads from the store meanwhile, so a topic that is newer there still comes through the outbox.
        found = await asyncio.to_thread(self._store.retained)
        self._round = {topic: m for topic, m in found.items() if self._round_rests.get(topic, now_s) <= now_s}
        self._round_due_s, self._round_began_s = None, now_s
        self._counters.count("mqtt_retained_again")

    async def _send_next(self, connection: Connection, shunned: frozenset[Any]) -> bool:
        now_s = self._clock.monotonic()
        state = self.volatile.take(now_s, frozenset(name for kind, name in shunned if kind == "volatile"))
        if state is not None:
            topic, payload, retain, version = state
            sent = _Sent(("volatile", topic), topic, "", version, now_s)
            await self._send(connection, sent, payload, retain=retain)
            return True
        ids = [number for kind, number in shunned if kind == "outbox"]
        stored = self._lanes.take(ids)
        while stored is None and await self._load():
            stored = self._lanes.take(ids)
        if stored is not None:
            message = stored.message
            sent = _Sent(("outbox", stored.id), message.topic, message.order_key, 0, now_s)
            await self._send_stamped(connection, sent, message, stored.durable)
            return True
        for topic, message in self._round.items():
            if ("retained", topic) not in shunned:
                del self._round[topic]
                sent = _Sent(("retained", topic), topic, "", 0, now_s)
                await self._send_stamped(connection, sent, message, True)
                return True
        return False

    async def _load(self) -> bool:
        """Read more from the store. True: there were some."""
        if not self._more or len(self._lanes) >= _AHEAD:
            return False
        self._more = False
        found = await asyncio.to_thread(self._store.pending, _LOAD, self._read_up_to)
        if not found:
            return False
        self._more = len(found) == _LOAD or self._more
        self._read_up_to = found[-1].id
        for number in self._lanes.add(found):
            self._suspicion.clear(("outbox", number))
        for stored in found:
            if stored.message.kind == "state":
                self._round.pop(stored.message.topic, None)  # said by this one, which may be newer
                self._round_rests.pop(stored.message.topic, None)
                self._suspicion.clear(("retained", stored.message.topic))
        return True

    async def _send_stamped(self, connection: Connection, sent: _Sent, message: OutgoingMessage, durable: bool) -> None:
        payload = b""
        if message.payload is not None:
            try:
                stamped = self._stamp(dict(message.payload), durable, self._clock.utc())
                payload = (encoded(stamped) or "").encode()
            except (LookupError, TypeError, ValueError, ArithmeticError) as error:
                # A payload that cannot be stamped (of another version, say) must not hold up the others.
                await self._refused(sent, f"cannot be prepared for sending: {type(error).__name__} {error}")
                return
        await self._send(connection, sent, payload, retain=message.retain)

    async def _send(self, connection: Connection, sent: _Sent, payload: bytes, *, retain: bool) -> None:
        size = len(payload) + len(sent.topic.encode()) + _OVERHEAD_BYTES
        if connection.packet_max is not None and size > connection.packet_max:
            await self._refused(sent, f"{size} bytes, and the broker takes {connection.packet_max}")
            return
        try:
            mid = connection.publish(sent.topic, payload, retain=retain and connection.retains)
        except ConnectError:
            self._release(sent)
            raise
        self._in_flight[mid] = sent
