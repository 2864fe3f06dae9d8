"""Brings what the store holds to the broker: each message until it is confirmed, in order, whatever the broker does."""

import asyncio
import random
from dataclasses import dataclass
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.config.model import Mqtt
from agent.counters import Counters
from agent.publish.connection import TAKEN_OVER, Connection, Protocol, Will
from agent.publish.delivery import Delivery, Stamp
from agent.publish.pace import Pace
from agent.publish.refusal import ConnectError, Refusal
from agent.store.database import Store
from agent.store.messages import OutgoingMessage, encoded

__all__ = ["Publisher", "PublisherState"]

_SHORT_LIVES: Final = 3  # connections that end soon, in a row, before the likeliest reason is told


@dataclass(frozen=True, slots=True)
class PublisherState:
    """For `status` and the log. `problem` is None while connected."""

    connected: bool
    protocol: Protocol | None
    since_s: float | None  # UTC; of the connection, or of its loss
    problem: Refusal | None
    last_error: str
    waiting: int
    set_aside: int


class Publisher:
    """One connection at a time to one broker; `run` keeps it, `wake` tells it that the store has more.

    All methods are for the event loop's thread. `stamp(payload, durable, now_s)` returns the payload as it is to be
    sent (with the instant of sending in it); it gets a copy.
    """

    def __init__(
        self,
        mqtt: Mqtt,
        *,
        client_id: str,
        will: OutgoingMessage,
        store: Store,
        clock: Clock,
        counters: Counters,
        log: FilteringBoundLogger,
        stamp: Stamp,
        pace: Pace | None = None,
        jitter: random.Random | None = None,
    ) -> None:
        self._mqtt, self._client_id, self._will = mqtt, client_id, will
        self._store, self._clock, self._counters, self._log = store, clock, counters, log
        self._pace = Pace() if pace is None else pace
        self._jitter = random.Random() if jitter is None else jitter  # noqa: S311 - spreads retries, guards nothing
        self._event = asyncio.Event()
        self._stopping = asyncio.Event()
        self._finished = asyncio.Event()
        self._running = False
        self._final: OutgoingMessage | None = None
        self._delivery = Delivery(store, clock=clock, counters=counters, log=log, stamp=stamp, pace=self._pace)
        self._connection: Connection | None = None
        self._protocol: Protocol = "3.1.1" if mqtt.protocol == "3.1.1" else "5"
        self._since_s: float | None = None
        self._problem: Refusal | None = None
        self._last_error = ""
        self._told_no_retain = False
        self._told: tuple[Refusal, str] | None = None

    # For the rest of the agent

    def wake(self) -> None:
        """The store has new messages."""
        self._delivery.wake()
        self._event.set()

    def set_state(self, topic: str, payload: dict[str, Any], *, retain: bool = True) -> None:
        """What a topic should say now. The newest word is sent, older ones are not; it is kept in memory only."""
        self._delivery.volatile.put(topic, (encoded(payload) or "").encode(), retain=retain)
        self._event.set()

    def bring_back(self) -> int:
        """Send once more what the broker had refused, after a person mended its rules. Returns how many."""
        number = self._store.bring_back()
        self._delivery.read_anew()
        self._event.set()
        return number

    @property
    def state(self) -> PublisherState:
        """How it stands."""
        waiting, set_aside = self._store.counts()
        connected = self._connection is not None
        return PublisherState(
            connected,
            self._protocol if connected else None,
            self._since_s,
            None if connected else self._problem,
            self._last_error,
            waiting,
            set_aside,
        )

    async def stop(self, final: OutgoingMessage | None = None) -> None:
        """Orderly end, within two seconds: what waits, then `final` (the offline status), then DISCONNECT."""
        self._final = final
        self._stopping.set()
        self._event.set()
        if self._running:
            try:
                async with asyncio.timeout(self._pace.drain_s + self._pace.farewell_s + 0.3):
                    await self._finished.wait()
            except TimeoutError:
                self._log.warning("mqtt_stop_timed_out", message="the broker did not take the last messages in time")

    async def run(self) -> None:
        """Keep a connection until `stop`, or until cancelled (then the broker publishes our will)."""
        self._running = True
        try:
            async with asyncio.TaskGroup() as group:
                flushing = group.create_task(self._keep_flushing(), name="store-flush")
                await self._keep_connected()
                flushing.cancel()
        finally:
            self._running = False
            self._finished.set()

    # The connection

    async def _keep_connected(self) -> None:
        attempt = short = 0  # tries, and connections that ended soon, in a row
        while not self._stopping.is_set():
            began_s = self._clock.monotonic()
            try:
                await self._one_connection()
                return  # only an orderly stop ends without an error
            except ConnectError as error:
                lasted_s = self._clock.monotonic() - began_s
                if self._change_protocol(error):
                    continue
                if lasted_s >= self._pace.stable_s:
                    attempt = 0
                    if error.kind is not Refusal.TAKEN_OVER:  # that is said once, however long each turn lasts
                        self._told = None
                    short = 0
                attempt += 1
                short += error.kind is Refusal.LOST
                self._tell(self._with_hint(error) if short >= _SHORT_LIVES else error)
                rests = self._pace.slow if error.slow else self._pace.quick
                await self._rest(rests.rest_s(attempt, self._jitter.random()))

    async def _rest(self, rest_s: float) -> None:
        try:
            async with asyncio.timeout(rest_s):
                await self._stopping.wait()
        except TimeoutError:
            return

    def _change_protocol(self, error: ConnectError) -> bool:
        """Fall back from MQTT 5 to 3.1.1, where the settings leave it to us. True: try at once."""
        if self._mqtt.protocol != "auto":
            return False
        if error.kind is Refusal.PROTOCOL and self._protocol == "5":
            self._log.info("mqtt_falls_back", to="3.1.1", message="the broker does not speak MQTT 5")
            self._protocol = "3.1.1"
            return True
        if error.kind in {Refusal.PROTOCOL, Refusal.NO_ANSWER}:
            # Old brokers hang up on an unknown version. Others hang up for other reasons: so try both in turn.
            self._protocol = "5" if self._protocol == "3.1.1" else "3.1.1"
        return False

    async def _one_connection(self) -> None:
        will = Will(self._will.topic, (encoded(self._will.payload) or "").encode())
        connection = Connection(self._mqtt, self._client_id, will, self._protocol, self._event.set)
        opening = asyncio.create_task(connection.open(self._pace.answer_s), name="mqtt-open")
        stopping = asyncio.create_task(self._stopping.wait(), name="mqtt-stopping")
        try:
            await asyncio.wait({opening, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if not opening.done():
                return  # asked to stop while connecting
            await opening
            self._connected(connection)
            await self._serve(connection)
        finally:
            for task in (opening, stopping):
                task.cancel()
            await asyncio.gather(opening, stopping, return_exceptions=True)
            if self._connection is not None:
                self._connection, self._since_s = None, self._clock.utc()
            connection.close("ended")
            self._delivery.end()

    def _connected(self, connection: Connection) -> None:
        self._connection, self._since_s = connection, self._clock.utc()
        self._counters.count("mqtt_connected")
        self._log.info("mqtt_connected", host=self._mqtt.host, port=self._mqtt.port, protocol=self._protocol)
        if not connection.retains and not self._told_no_retain:
            self._told_no_retain = True
            self._log.error(
                "mqtt_no_retain", message="the broker keeps no retained messages: who connects later sees no alert"
            )
        self._delivery.begin()

    def _with_hint(self, error: ConnectError) -> ConnectError:
        """Not every broker says why it cuts a connection when another client takes the id over."""
        if error.kind is not Refusal.LOST:
            return error
        return ConnectError(
            error.kind,
            f"{error}, again and again soon after connecting: does another client use our id {self._client_id!r}? "
            "Each agent needs a name of its own (agent, or mqtt.client_id)",
        )

    def _tell(self, error: ConnectError) -> None:
        self._problem, self._last_error = error.kind, str(error)
        self._counters.count("mqtt_failed", error.kind.value)
        if self._told != (error.kind, str(error)):
            self._told = (error.kind, str(error))
            self._log.warning("mqtt_not_connected", kind=error.kind.value, message=str(error))

    # Serving one connection

    async def _serve(self, connection: Connection) -> None:
        deadline_s: float | None = None
        while True:
            self._event.clear()
            await self._delivery.take_acks(connection)
            if connection.lost is not None:
                await self._delivery.blame(connection)
                raise self._why_lost(connection)
            try:
                await self._delivery.fill(connection)
            except ConnectError:
                continue  # `lost` is set
            if self._stopping.is_set():
                now_s = self._clock.monotonic()
                deadline_s = now_s + self._pace.drain_s if deadline_s is None else deadline_s
                if now_s >= deadline_s or not self._delivery.busy:
                    await self._farewell(connection)
                    return
            connection.tick()
            self._check_silence(connection)
            try:
                async with asyncio.timeout(0.05 if self._stopping.is_set() else self._pace.tick_s):
                    await self._event.wait()
            except TimeoutError:
                continue

    def _check_silence(self, connection: Connection) -> None:
        oldest_s = self._delivery.oldest_s
        if oldest_s is not None and self._clock.monotonic() - oldest_s > self._pace.ack_s:
            self._counters.count("mqtt_no_ack")
            connection.close(f"no acknowledgement in {self._pace.ack_s:g} s")

    def _why_lost(self, connection: Connection) -> ConnectError:
        at = f"broker {self._mqtt.host}:{self._mqtt.port}"
        if connection.lost_code == TAKEN_OVER:
            return ConnectError(
                Refusal.TAKEN_OVER,
                f"{at}: another client has connected with our id {self._client_id!r}. Give each agent its own name in "
                "the settings (agent, or mqtt.client_id)",
            )
        return ConnectError(Refusal.LOST, f"{at}: {connection.lost}")

    async def _farewell(self, connection: Connection) -> None:
        within_s = self._pace.farewell_s
        if self._final is not None and connection.lost is None:
            payload = (encoded(self._final.payload) or "").encode()
            try:
                mid = connection.publish(self._final.topic, payload, retain=self._final.retain and connection.retains)
                async with asyncio.timeout(within_s):
                    while not any(ack.mid == mid for ack in connection.acks) and connection.lost is None:
                        self._event.clear()
                        await self._event.wait()
            except (ConnectError, TimeoutError):
                self._log.warning("mqtt_last_word_lost", message="the broker publishes our will instead")
                return
        await self._delivery.take_acks(connection)
        await connection.farewell(within_s=0.3)
        self._log.info("mqtt_disconnected")

    async def _keep_flushing(self) -> None:
        """What the disk refused is tried again, connected or not."""
        while True:
            await self._clock.sleep_until(self._clock.monotonic() + self._pace.flush_s)
            if self._store.unwritten:
                await asyncio.to_thread(self._store.flush)
