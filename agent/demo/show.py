"""`flueward demo`: transmitters on real sockets, a broker, a season of history, then live until Ctrl-C."""

import asyncio
import contextlib
import random
import signal
import tempfile
import time
from pathlib import Path
from typing import Final

import paho.mqtt.client as paho
import structlog
from structlog.typing import FilteringBoundLogger

from agent.clock import SystemClock
from agent.config.model import Mqtt, Settings
from agent.counters import Counters
from agent.demo.broker import DemoBroker
from agent.demo.screen import Screen
from agent.demo.season import live_through
from agent.service import Service
from agent.simulate.live import LivePlant
from agent.simulate.modbus_server import ModbusServer
from agent.simulate.plant import Plant, make_plant
from agent.simulate.settings import demo_settings, plant_settings
from agent.store.database import open_store

__all__ = ["run_demo"]

LEAD_S: Final = 2.0  # from the end of history to the first live poll


class _PlantClock:
    """The machine's clocks, its UTC shifted so that live begins where history ends, however long that took to make."""

    def __init__(self) -> None:
        self._inner = SystemClock()
        self._shift_s = 0.0

    def begin(self, utc_s: float) -> None:
        """Let it be `utc_s` now."""
        self._shift_s = utc_s - self._inner.utc()

    def utc(self) -> float:
        return self._inner.utc() + self._shift_s

    def monotonic(self) -> float:
        return self._inner.monotonic()

    async def sleep_until(self, monotonic_s: float) -> None:
        await self._inner.sleep_until(monotonic_s)


def run_demo(screen: Screen, *, seconds: float | None, seed: int) -> int:
    """Run the demo to its end; 0, or 1 where a part of it could not be had. Ctrl-C ends it at any time."""
    with (
        tempfile.TemporaryDirectory(prefix="flueward-demo-") as folder,
        contextlib.suppress(KeyboardInterrupt),
        DemoBroker(Path(folder)) as broker,
    ):
        _show(screen, broker, Path(folder), seconds=seconds, seed=seed)
    return 0


def _show(screen: Screen, broker: DemoBroker, folder: Path, *, seconds: float | None, seed: int) -> None:
    began_s = time.monotonic()
    clock = _PlantClock()
    plant = make_plant(seed, live_start_utc_s=clock.utc())
    settings = plant_settings()
    probes, lines = len(settings.probes), len(settings.lines)
    screen.say(f"An invented plant: {probes} probes on {lines} lines, three kinds of transmitter, real Modbus sockets.")
    screen.say("A season of its history first, through the same pipeline that watches live:")
    season = live_through(plant, settings, progress=screen.progress)
    screen.say(f"  100 days of {probes} probes in {time.monotonic() - began_s:.0f} s.")
    screen.say("Live now. Three of the probes have a fault coming; the others are healthy. Ctrl-C ends it.\n")
    mqtt = Mqtt(host="127.0.0.1", port=broker.port, tls=False)
    log = structlog.wrap_logger(
        structlog.PrintLogger(), wrapper_class=structlog.make_filtering_bound_logger(50), processors=[]
    )
    store = open_store(folder / "data" / "flueward.db", log=log, counters=Counters(), clock=clock)
    store.commit(messages=season.messages, rows=season.rows)
    store.close()
    clock.begin(plant.live_start_s - LEAD_S)
    asyncio.run(_live(screen, plant, clock, folder / "data", mqtt, log, seconds))


async def _live(
    screen: Screen,
    plant: Plant,
    clock: _PlantClock,
    data_dir: Path,
    mqtt: Mqtt,
    log: FilteringBoundLogger,
    seconds: float | None,
) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, stop.set)
    client = _subscriber(screen, mqtt, loop)
    template = plant_settings()
    framings = {line: "rtu" if at.kind == "rtu_over_tcp" else "tcp" for line, at in template.lines.items()}
    async with ModbusServer(LivePlant(plant, clock.utc), framings) as server:
        settings: Settings = demo_settings(ports=server.ports, data_dir=data_dir, mqtt=mqtt)
        service = Service(settings, clock=clock, rng=random.Random(plant.seed), log=log)  # noqa: S311 - jitter only
        running = asyncio.create_task(service.run(stop), name="service")
        try:
            async with asyncio.timeout(seconds):
                await asyncio.wait({running, asyncio.create_task(stop.wait())}, return_when=asyncio.FIRST_COMPLETED)
        except TimeoutError:
            stop.set()
        await running
    client.loop_stop()
    screen.say("\nEnded; nothing is left behind.")


def _subscriber(screen: Screen, mqtt: Mqtt, loop: asyncio.AbstractEventLoop) -> paho.Client:
    """A subscriber as any other: what it prints came over MQTT."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="demo-screen", protocol=paho.MQTTv5)

    def arrived(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        loop.call_soon_threadsafe(screen.message, message.topic, bytes(message.payload))

    client.on_message = arrived
    client.connect(mqtt.host, mqtt.port)
    client.subscribe("flueward/#", qos=1)
    client.loop_start()
    return client
