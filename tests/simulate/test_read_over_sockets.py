import asyncio
from pathlib import Path

import numpy as np

from agent.acquire.once import read_once
from agent.clock import SystemClock
from agent.simulate.faults import Silent
from agent.simulate.history import read_signals
from agent.simulate.live import LivePlant
from agent.simulate.modbus_server import ModbusServer
from agent.simulate.plant import make_plant
from agent.simulate.settings import demo_settings

LIVE_S = 1_760_000_000.0
NOW_S = LIVE_S + 11.0  # while econ_east is checked with air and duct_north is blown back


def framings(settings):
    return {line: "rtu" if at.kind == "rtu_over_tcp" else "tcp" for line, at in settings.lines.items()}


def without_waiting(settings):
    """The same plant, its serial line not listened to first and a silent unit given up on soon."""
    quick = {
        line: at.model_copy(update={"timeout_s": 0.1} | ({"listen_s": 0.0} if at.kind != "tcp" else {}))
        for line, at in settings.lines.items()
    }
    return settings.model_copy(update={"lines": quick})


def looks(plant, live, names):
    async def run():
        async with ModbusServer(live, framings(plant.settings)) as server:
            settings = without_waiting(demo_settings(ports=server.ports, data_dir=Path("unused")))
            return {name: await read_once(settings, name, clock=SystemClock()) for name in names}

    return asyncio.run(run())


def test_the_agents_own_reader_gets_from_the_wire_what_history_would_say_of_this_instant():
    plant = make_plant(1, live_start_utc_s=LIVE_S, days=2.0)
    found = looks(plant, LivePlant(plant, lambda: NOW_S), [*plant.settings.probes, "boiler"])
    unit = found.pop("boiler")
    for probe, look in found.items():
        expected = {name: value[0] for name, value in read_signals(plant, probe, np.array([NOW_S])).items()}
        assert dict(look.sample.values) | dict(unit.sample.values) == expected, probe
        assert not look.sample.reasons
    assert found["econ_east"].sample.values["air_check_active"] == 1.0
    assert found["duct_north"].sample.values["blowback_active"] == 1.0


def test_a_silent_transmitter_gives_the_agents_reader_reasons_and_its_neighbour_on_the_line_values():
    plant = make_plant(1, live_start_utc_s=LIVE_S, days=2.0)
    live = LivePlant(plant, lambda: NOW_S)
    live.inject(Silent(probe="stack_low", onset_s=LIVE_S))
    found = looks(plant, live, ["stack_low", "stack_high"])
    assert not found["stack_low"].sample.values
    assert "o2" in found["stack_low"].sample.reasons
    assert not found["stack_high"].sample.reasons
