"""`flueward demo`: transmitters on real sockets, a broker, a season of history, then live until Ctrl-C."""

import asyncio
import random
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import paho.mqtt.client as paho
import structlog
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from structlog.typing import FilteringBoundLogger

from agent.clock import SystemClock
from agent.config.model import Mqtt, Settings
from agent.counters import Counters
from agent.demo.broker import DemoBroker
from agent.demo.ending import Asked, Ending
from agent.demo.progress import SeasonBar
from agent.demo.screen import Screen
from agent.demo.season import Season, live_through
from agent.demo.terminal import Terminal
from agent.service import Service
from agent.simulate.live import LivePlant
from agent.simulate.modbus_server import Framing, ModbusServer
from agent.simulate.plant import Plant, make_plant
from agent.simulate.settings import demo_settings, plant_settings
from agent.store.database import open_store

__all__ = ["run_demo"]

LEAD_S: Final = 2.0  # from the first live poll to the start of the story
_MQTT: Final = MQTTProtocolVersion.MQTTv5
TABLE_WAIT_S: Final = 5.0  # a busy machine may be late with the condition of some probe


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


def run_demo(terminal: Terminal, *, seconds: float | None, seed: int, days: float = 100.0) -> int:
    """Run the demo to its end, which Ctrl-C brings at any time, or `seconds` of live.

    `days` is the length of its history: the heater's fault wants all of them, the cell's shows with any.

    Raises
    ------
    NoBrokerError
        There is no broker to be had; the message says why and what to do.
    OSError
        No room for temporary files, no free port.
    """
    with Ending() as ending:
        terminal.on_gone = ending.ask
        try:
            with (
                tempfile.TemporaryDirectory(prefix="flueward-demo-", ignore_cleanup_errors=True) as folder,
                DemoBroker(Path(folder)) as broker,
            ):
                _Show(terminal, ending, seed=seed, days=days).run(Path(folder), broker.port, seconds)
        except Asked:
            terminal.draw("")
            terminal.say("Ended before live began.")
        terminal.say("Nothing is left behind.")
        terminal.close()
    return 0


class _Show:
    def __init__(self, terminal: Terminal, ending: Ending, *, seed: int, days: float) -> None:
        self._terminal, self._ending, self._seed, self._days = terminal, ending, seed, days
        self._clock = _PlantClock()
        self._settings = plant_settings()
        self._names = {probe_id: probe.name or probe_id for probe_id, probe in self._settings.probes.items()}

    def run(self, folder: Path, broker_port: int, seconds: float | None) -> None:
        terminal, settings = self._terminal, self._settings
        probes = len(settings.probes)
        terminal.tell(
            f"An invented boiler: {probes} oxygen probes, {len(settings.lines)} Modbus lines, a broker. Three probes "
            "have a part going bad, the others are healthy. Ctrl-C ends it at any time."
        )
        terminal.say()
        terminal.tell(
            f"History: {self._days:.0f} days of it through the pipeline that also watches live, to learn what is "
            "usual. About 20 seconds, longer on a busy machine.",
            first="1  ",
        )
        began_s = time.monotonic()
        with self._ending.droppable():
            plant = make_plant(self._seed, live_start_utc_s=self._clock.utc(), days=self._days)
            season = live_through(plant, settings, progress=SeasonBar(self._terminal, self._days))
        terminal.draw("")
        took_s = time.monotonic() - began_s
        terminal.say(f"   Done: {self._days:.0f} days of {probes} probes in {took_s:.0f} s.\n")
        if self._ending.asked:
            raise Asked
        log = structlog.wrap_logger(
            structlog.PrintLogger(), wrapper_class=structlog.make_filtering_bound_logger(50), processors=[]
        )
        self._keep(season, folder, log)
        terminal.tell(
            "Live: every poll goes over a real socket, everything below came over MQTT. One alert stands from the "
            "season; two checks begin now, and what they bring to light comes in about 60 and 80 seconds. Times are "
            f"UTC; the plant's clock stood still while its history was made, so it is {took_s:.0f} s behind yours.",
            first="2  ",
        )
        terminal.say()
        self._clock.begin(plant.live_start_s - LEAD_S)
        mqtt = Mqtt(host="127.0.0.1", port=broker_port, tls=False)
        asyncio.run(self._live(plant, folder, mqtt, log, seconds))

    def _keep(self, season: Season, folder: Path, log: FilteringBoundLogger) -> None:
        """Into the store of the agent to come, as if it had been there all season."""
        store = open_store(folder / "data" / "flueward.db", log=log, counters=Counters(), clock=self._clock)
        try:
            store.commit(messages=season.messages, rows=season.rows)
        finally:
            store.close()

    async def _live(
        self, plant: Plant, folder: Path, mqtt: Mqtt, log: FilteringBoundLogger, seconds: float | None
    ) -> None:
        stop, loop, terminal = asyncio.Event(), asyncio.get_running_loop(), self._terminal

        def tell() -> None:
            loop.call_soon_threadsafe(stop.set)

        self._ending.tell = tell
        if self._ending.asked:  # between the last look and this line
            stop.set()
        screen = Screen(terminal, names=self._names, live_start_s=plant.live_start_s)
        subscriber = _Subscriber(screen, mqtt, loop)
        framings: dict[str, Framing] = {
            line: "rtu" if at.kind == "rtu_over_tcp" else "tcp" for line, at in self._settings.lines.items()
        }
        began_s = time.monotonic()
        try:
            async with ModbusServer(LivePlant(plant, self._clock.utc), framings) as server:
                settings: Settings = demo_settings(ports=server.ports, data_dir=folder / "data", mqtt=mqtt)
                service = Service(settings, clock=self._clock, rng=random.Random(self._seed), log=log)  # noqa: S311 - jitter
                running = asyncio.create_task(service.run(stop), name="service")
                showing = asyncio.create_task(self._accompany(screen, plant, began_s), name="screen")
                ended = asyncio.create_task(stop.wait(), name="stop")
                await asyncio.wait({running, ended, showing}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
                stop.set()
                showing.cancel()
                await running
                await asyncio.gather(ended, showing, return_exceptions=True)
        finally:
            self._ending.tell = None
            subscriber.close()
        terminal.draw("")
        screen.wait_no_more()
        self._farewell(screen, plant, time.monotonic() - began_s)

    async def _accompany(self, screen: Screen, plant: Plant, began_s: float) -> None:
        """Say that it is alive while nothing happens, and that all is told when it is."""
        faults = {(truth.probe, truth.symptom) for truth in plant.truth()}
        told_all = False
        count = len(self._names)
        while True:
            await asyncio.sleep(0.5)
            live_s = time.monotonic() - began_s
            if live_s > TABLE_WAIT_S:
                screen.wait_no_more()
            told = {(alert["probe"], alert["symptom"]) for alert in screen.alerts.values()}
            if not told_all and told >= faults:
                told_all = True
                self._terminal.tell(
                    "That was all the story has. The healthy probes stay silent for as long as you watch; Ctrl-C shows "
                    "a summary and how to go on."
                )
                self._terminal.say()
            self._terminal.draw(f"  live for {live_s:.0f} s, {count} probes polled, {len(told)} alerts; Ctrl-C ends it")

    def _farewell(self, screen: Screen, plant: Plant, live_s: float) -> None:
        say = self._terminal.say
        say()
        put_in = [(truth.probe, truth.symptom, truth.part) for truth in plant.truth()]
        screen.summary(live_s=live_s, days=self._days, put_in=put_in)
        say("\nHow to go on:")
        for command, what in _NEXT.items():
            say(f"  {command}\n      {what}")
        say()


_NEXT: Final[Mapping[str, str]] = {
    "flueward demo --json": "the messages themselves, with the check sheets in full",
    "flueward validate config_examples/minimal.toml": "the least that a plant of your own needs",
    "flueward run config_examples/minimal.toml": "watches it, once the addresses in it are yours",
}


class _Subscriber:
    """A subscriber as any other: what the screen shows came over MQTT."""

    def __init__(self, screen: Screen, mqtt: Mqtt, loop: asyncio.AbstractEventLoop) -> None:
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="demo-screen", protocol=MQTTProtocolVersion.MQTTv5
        )

        def connected(client: paho.Client, *_: object) -> None:
            client.subscribe("flueward/#", qos=1)

        def arrived(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
            loop.call_soon_threadsafe(screen.message, message.topic, bytes(message.payload))

        self._client.on_connect, self._client.on_message = connected, arrived
        self._client.connect_async(mqtt.host, mqtt.port)
        self._client.loop_start()

    def close(self) -> None:
        """Hear no more."""
        self._client.on_message = None
        self._client.disconnect()
        self._client.loop_stop()
