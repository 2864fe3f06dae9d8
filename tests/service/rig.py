"""A small plant on real sockets under the test's hand, a configuration for it, and the agent on it. Not a test."""

import asyncio
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import structlog
from structlog.testing import CapturingLogger
from structlog.typing import FilteringBoundLogger

from agent.clock import Clock, SystemClock
from agent.config.load import load_settings
from agent.config.model import RegisterMap
from agent.service import Service
from agent.simulate.encode import Image, image_of
from tests.publish.scripted_broker import ScriptedBroker

SITE, AGENT = "saltmarsh", "edge"
MAP = """
[maps.wren]
conventions = { heater_output = "duty", cell_emf_during_checks = "live", o2_during_checks = "live" }
[maps.wren.signals]
o2 = { address = 0, type = "float32" }
cell_emf = { address = 2, type = "float32" }
cell_temp = { address = 4, type = "float32" }
cell_temp_setpoint = { address = 6, type = "float32" }
heater_output = { address = 8, type = "float32" }
stored_offset = { address = 10, type = "float32" }
air_check_active = { address = 12, bit = 0 }
"""
# A season in seconds: what takes minutes in a plant takes a second here.
HURRY = """
[detectors.no_communication]
silence_s = 0.8
on_delay_s = 0.4
off_delay_s = 0.2
[detectors.heater_open]
window_s = 1.0
on_delay_s = 0.0
off_delay_s = 0.0
[detectors.cell_offset_drift]
on_delay_s = 0.0
[detectors.episodes]
settle_skip_s = 0.3
settle_window_s = 0.6
stable_after_s = 0.2
"""


@dataclass
class Transmitter:
    """Registers that the test sets; `heater_from_s` begins a cooling, `answers` False is silence."""

    o2: float = 3.0
    cell_emf: float = 40.75  # 3.0 % against dry air at 700 degC
    cell_temp: float = 700.0
    cell_temp_setpoint: float = 700.0
    heater_output: float = 40.0
    stored_offset: float = 0.0
    air_check_active: float = 0.0
    answers: bool = True
    nonsense: bytes | None = None
    cooling_since_s: float | None = None  # monotonic

    def air(self, offset_mv: float | None) -> None:
        """Air at the cell, which then shows its offset; None ends it."""
        on = offset_mv is not None
        self.air_check_active = float(on)
        self.cell_emf = offset_mv if offset_mv is not None else 40.75
        self.o2 = 20.95 if on else 3.0

    def values(self) -> dict[str, float]:
        names = ("o2", "cell_emf", "cell_temp", "cell_temp_setpoint", "heater_output", "stored_offset",
                 "air_check_active")  # fmt: skip
        found = {name: getattr(self, name) for name in names}
        if self.cooling_since_s is not None:
            found["heater_output"] = 100.0
            found["cell_temp"] = 700.0 - 15.0 - 8.0 * (time.monotonic() - self.cooling_since_s)
        return found


@dataclass
class Bench:
    """Probes by line; a probe's unit is its place on the line, from 1."""

    lines: dict[str, list[str]]
    folder: Path
    more: str = HURRY
    period_s: float = 0.1
    probes: dict[str, Transmitter] = field(init=False)
    register_map: RegisterMap = field(init=False)

    def __post_init__(self) -> None:
        self.probes = {probe: Transmitter() for probes in self.lines.values() for probe in probes}

    def registers(self, line: str, unit: int) -> Image | None:
        at = self.probes[self.lines[line][unit - 1]]
        return image_of(self.register_map, at.values()) if at.answers else None

    def write(self, ports: dict[str, int], broker: int, **mqtt: Any) -> Path:
        """The configuration, as a person would have it."""
        text = [f'site = "{SITE}"', f'agent = "{AGENT}"', 'data_dir = "data"', "[mqtt]", 'host = "127.0.0.1"',
                f"port = {broker}", "tls = false"]  # fmt: skip
        text += [f"{name} = {json.dumps(value)}" for name, value in mqtt.items()]
        for line, probes in self.lines.items():
            text += [f"[lines.{line}]", 'kind = "tcp"', 'host = "127.0.0.1"', f"port = {ports[line]}"]
            text += ["timeout_s = 0.1", "back_off_max_s = 1.0"]
            for unit, probe in enumerate(probes, 1):
                text += [f"[probes.{probe}]", f'line = "{line}"', f"unit = {unit}", 'map = "wren"']
                text += [f"period_s = {self.period_s}", f"burst_period_s = {self.period_s}"]
                text += ['reference_air.kind = "instrument"', 'check_air.kind = "instrument"']
        path = self.folder / "site.toml"
        path.write_text("\n".join(text) + MAP + self.more)
        self.register_map = load_settings(path, environ={}).maps["wren"]
        return path


class Log:
    """A logger that keeps its lines."""

    def __init__(self) -> None:
        self._kept = CapturingLogger()
        self.log: FilteringBoundLogger = structlog.wrap_logger(
            self._kept, processors=[lambda _, level, event: ((), {**event, "level": level})]
        )

    def lines(self, event: str) -> list[dict[str, Any]]:
        return [call.kwargs for call in self._kept.calls if call.kwargs["event"] == event]

    @property
    def all(self) -> list[str]:
        return [call.kwargs["event"] for call in self._kept.calls]


@asynccontextmanager
async def serving(config: Path, log: Log, *, clock: Clock | None = None, **more: Any) -> AsyncIterator[Service]:
    """The agent in this process, until the end of the block; then an orderly stop in less than five seconds."""
    service = Service(
        load_settings(config, environ={}), clock=clock or SystemClock(), rng=random.Random(1), log=log.log, **more
    )
    stop = asyncio.Event()
    task = asyncio.create_task(service.run(stop))
    try:
        yield service
    finally:
        stop.set()
        async with asyncio.timeout(5.0):
            await task


@contextmanager
def process(config: Path, out: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`flueward run` in a process of its own; its log goes to `out`."""
    with out.open("ab") as log:
        command = [sys.executable, "-m", "agent.cli", "run", str(config)]
        # What stands in the tests' environment for the tests is no key of the agent's settings.
        env = {name: value for name, value in os.environ.items() if not name.startswith("FLUEWARD_")}
        found = subprocess.Popen(command, stdout=log, stderr=log, env=env)
        try:
            yield found
        finally:
            if found.poll() is None:
                found.kill()
            found.wait(5)


def ended(agent: subprocess.Popen[bytes]) -> tuple[int, float]:
    """Ask for an orderly stop; its exit code, and how long it took. [s]"""
    began_s = time.monotonic()
    os.kill(agent.pid, signal.SIGTERM)
    return agent.wait(6), time.monotonic() - began_s


async def until(condition: Callable[[], Any], within_s: float = 8.0, what: Callable[[], object] = lambda: "") -> Any:
    """Wait until it is true and return it, or fail and say `what`."""
    end_s = time.monotonic() + within_s
    while not (found := condition()):
        assert time.monotonic() < end_s, what()
        await asyncio.sleep(0.01)
    return found


def alerts(broker: ScriptedBroker, probe: str, symptom: str, state: str | None = None) -> list[dict[str, Any]]:
    """Payloads on the retained topic of an alert, in order."""
    topic = f"flueward/{SITE}/probe/{probe}/alert/{symptom}"
    found = [json.loads(m.payload) for m in broker.seen if m.topic == topic and m.payload]
    return [one for one in found if state in (None, one["state"])]


def last(broker: ScriptedBroker, topic: str) -> dict[str, Any] | None:
    """The newest payload of a topic."""
    found = [m.payload for m in broker.seen if m.topic == f"flueward/{SITE}/{topic}" and m.payload]
    return json.loads(found[-1]) if found else None
