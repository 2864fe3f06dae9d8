"""A store and a publisher on a temporary folder, in a hurry. Not a test."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import structlog

from agent.clock import SystemClock
from agent.config.model import Mqtt
from agent.counters import Counters
from agent.publish.pace import Pace
from agent.publish.publisher import Publisher
from agent.publish.retry import BackOff
from agent.store.database import Store, open_store
from agent.store.messages import OutgoingMessage

HURRY: dict[str, Any] = {
    "answer_s": 1.0,
    "ack_s": 1.0,
    "quick": BackOff(0.01, 0.05),
    "slow": BackOff(0.03, 0.1),
    "republish_pause_s": 0.0,
    "refused_pause_s": 60.0,
    "flush_s": 0.05,
    "tick_s": 0.05,
    "proven_cuts": 3,
    "drain_s": 0.3,
}
WILL = OutgoingMessage("flueward/s/agent/a/status", {"state": "offline"}, True, "state", "status", 0.0)


def event(key: str, seq: int, **more: Any) -> OutgoingMessage:
    return OutgoingMessage(
        f"flueward/s/probe/{key}/event", {"key": key, "seq": seq, **more}, False, "event", key, time.time()
    )


def state(key: str, seq: int | None) -> OutgoingMessage:
    payload = None if seq is None else {"key": key, "seq": seq}
    return OutgoingMessage(f"flueward/s/probe/{key}/alert/x", payload, True, "state", key, time.time())


def stamp(payload: dict[str, Any], durable: bool, now_s: float) -> dict[str, Any]:
    return {**payload, "durable": durable, "sent_at": now_s}


class Bench:
    def __init__(self, folder: Path, mqtt: Mqtt, **pace: Any) -> None:
        self.counters = Counters()
        self.log = structlog.get_logger()
        self.clock = SystemClock()
        self.store: Store = open_store(folder / "flueward.db", log=self.log, counters=self.counters, clock=self.clock)
        self.publisher = Publisher(
            mqtt,
            client_id="flueward-s-a",
            will=WILL,
            store=self.store,
            clock=self.clock,
            counters=self.counters,
            log=self.log,
            stamp=stamp,
            pace=Pace(**{**HURRY, **pace}),
        )

    def commit(self, *messages: OutgoingMessage) -> bool:
        durable = self.store.commit(messages=messages)
        self.publisher.wake()
        return durable

    @asynccontextmanager
    async def running(self) -> AsyncIterator["Bench"]:
        task = asyncio.create_task(self.publisher.run())
        try:
            yield self
        finally:
            await self.publisher.stop()
            await asyncio.wait_for(task, 5)
            self.store.close()


def plain(port: int, **more: Any) -> Mqtt:
    return Mqtt(host="127.0.0.1", port=port, tls=False, **more)


async def until(condition: Callable[[], bool], within_s: float = 5.0) -> None:
    """Wait for it, or fail."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110
            await asyncio.sleep(0.005)


def seqs(payloads: list[bytes], key: str) -> list[int]:
    """Sequence numbers of a key, in order of first arrival."""
    found: list[int] = []
    for payload in payloads:
        data = json.loads(payload) if payload else {}
        if data.get("key") == key and data["seq"] not in found:
            found.append(data["seq"])
    return found
