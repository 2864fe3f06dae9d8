"""The process that the kill test kills: commits transitions of three alerts, publishes them, says what is durable.

Each commit of alert K makes one event with the next sequence number, and the row that holds it, in one transaction; a
line `K N` in FOLDER/said says that it is durable. Not a test.
"""

import asyncio
import os
import random
import time
from pathlib import Path

import structlog

from agent.clock import SystemClock
from agent.config.model import Mqtt
from agent.counters import Counters
from agent.publish.pace import Pace
from agent.publish.publisher import Publisher
from agent.publish.retry import BackOff
from agent.store.database import open_store
from agent.store.messages import OutgoingMessage

KEYS = ("a", "b", "c")


async def main(folder: Path, port: int) -> None:
    structlog.configure(logger_factory=structlog.PrintLoggerFactory((folder / "log").open("a")))
    said = os.open(folder / "said", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    log, counters, clock = structlog.get_logger(), Counters(), SystemClock()
    store = open_store(folder / "flueward.db", log=log, counters=counters, clock=clock)
    publisher = Publisher(
        Mqtt(host="127.0.0.1", port=port, tls=False),
        client_id="victim",
        will=OutgoingMessage("victim/status", {"state": "offline"}, True, "state", "status", 0.0),
        store=store,
        clock=clock,
        counters=counters,
        log=log,
        stamp=lambda payload, durable, now_s: {**payload, "durable": durable},
        pace=Pace(quick=BackOff(0.02, 0.1), republish_pause_s=0.2, tick_s=0.1),
    )
    running = asyncio.create_task(publisher.run())
    publisher.set_state("victim/status", {"state": "online"})
    rows = store.load("alert")
    seqs = {key: rows.get(key, {"seq": 0})["seq"] for key in KEYS}
    while not running.done():
        key = random.choice(KEYS)
        seqs[key] += 1
        payload = {"key": key, "seq": seqs[key]}
        messages = [
            OutgoingMessage(f"victim/{key}/event", payload, False, "event", key, time.time()),
            OutgoingMessage(f"victim/{key}/alert", payload, True, "state", key, time.time()),
        ]
        durable = await asyncio.to_thread(store.commit, messages=messages, rows={("alert", key): {"seq": seqs[key]}})
        assert durable
        os.write(said, f"{key} {seqs[key]}\n".encode())
        publisher.wake()
        await asyncio.sleep(random.uniform(0.0, 0.006))


def live(folder: Path, port: int) -> None:
    """Until killed."""
    asyncio.run(main(folder, port))
