"""The invented plant on real sockets in a thread of its own, and configurations that lead to it."""

import asyncio
import threading
import time
from importlib.resources import files

import pytest

from agent.simulate.faults import Silent
from agent.simulate.live import LivePlant
from agent.simulate.modbus_server import ModbusServer
from agent.simulate.plant import make_plant

LIVE_S = 1_760_000_000.0
QUIET_S = LIVE_S - 900.0  # no check anywhere near
CHECK_S = LIVE_S + 11.0  # econ_east is checked with air, duct_north blown back


class PlantThread:
    """Serves the plant; its time starts where `begin` sets it, and runs on."""

    CHECK_S = CHECK_S

    def __init__(self):
        self.plant = make_plant(1, live_start_utc_s=LIVE_S, days=2.0)
        self.begin(QUIET_S)
        self.live = LivePlant(self.plant, lambda: self._start_s + time.monotonic() - self._from_s)
        lines = self.plant.settings.lines
        framings = {line: "rtu" if at.kind == "rtu_over_tcp" else "tcp" for line, at in lines.items()}
        self.server = ModbusServer(self.live, framings)
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever)
        self._thread.start()
        self.ports = self._call(self.server.start())

    def begin(self, start_s):
        self._start_s, self._from_s = start_s, time.monotonic()

    def silence(self, probe):
        self.live.inject(Silent(probe=probe, onset_s=LIVE_S - 86_400.0))

    def _call(self, coroutine):
        return asyncio.run_coroutine_threadsafe(coroutine, self.loop).result(5)

    def close(self):
        self._call(self.server.stop())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(5)
        self.loop.close()


@pytest.fixture(scope="session")
def shared_plant():
    plant = PlantThread()
    yield plant
    plant.close()


@pytest.fixture
def plant(shared_plant):
    shared_plant.live.models = dict(shared_plant.plant.models)
    shared_plant.live._cached.clear()
    shared_plant.begin(QUIET_S)
    return shared_plant


@pytest.fixture
def config(plant, tmp_path):
    """Writes the plant's configuration with its ports, short waits and some `(old, new)` replaced; gives its path."""

    def write(*changes, listen_s=0.0):
        text = files("agent.simulate").joinpath("plant.toml").read_text(encoding="utf-8")
        for line, at in plant.plant.settings.lines.items():
            text = text.replace(f"port = {at.port}\n", f"port = {plant.ports[line]}\ntimeout_s = 0.3\n")
        text = text.replace("listen_s = 1.0", f"listen_s = {listen_s}")
        text = text.replace("heater_cycle_s = 4.0", "heater_cycle_s = 0.5")
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / "plant.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write
