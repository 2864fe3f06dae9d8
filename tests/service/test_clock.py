"""The machine's clock is set while the agent runs: nobody is called silent for it, and nothing is raised by it."""

import asyncio
import contextlib

import pytest

from agent.clock import SystemClock
from agent.simulate.modbus_server import ModbusServer
from tests.publish.scripted_broker import ScriptedBroker
from tests.service.rig import Bench, Log, alerts, last, serving, until


class SetClock(SystemClock):
    """The machine's clock, set by hand."""

    set_by_s = 0.0

    def utc(self) -> float:
        return super().utc() + self.set_by_s


@contextlib.asynccontextmanager
async def plant_of(bench):
    async with ModbusServer(bench, dict.fromkeys(bench.lines, "tcp")) as plant, ScriptedBroker() as broker:
        yield bench.write(plant.ports, broker.port), broker


@pytest.mark.parametrize("set_by_s", [3600.0, -3600.0, 86_400.0])
def test_a_clock_that_is_set_makes_nobody_silent_and_no_alert(tmp_path, set_by_s):
    async def walk():
        bench, log, clock = Bench({"one": ["east", "west"], "two": ["north"]}, tmp_path), Log(), SetClock()
        async with plant_of(bench) as (config, broker), serving(config, log, clock=clock) as service:
            await until(lambda: all(last(broker, f"probe/{probe}/condition") for probe in bench.probes))
            before_s = service.clock.utc()
            clock.set_by_s = set_by_s
            await until(lambda: log.lines("clock_stepped"))
            turns = service.pipeline_turns
            await until(lambda: service.pipeline_turns > turns + 5)
            for probe in bench.probes:
                assert not alerts(broker, probe, "no_communication")
                assert service.pipeline.watchers[probe].now(service.clock.utc()).sample_at_s > before_s
            # Silence still is one: counted from the step on.
            bench.probes["north"].answers = False
            await until(lambda: alerts(broker, "north", "no_communication", "unacknowledged"))

    asyncio.run(walk())
