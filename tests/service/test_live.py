"""The agent on real Modbus sockets and a broker on a socket: what is wrong there comes out as the right message."""

import asyncio
import json

import jsonschema
import pytest

from agent.alerts.message_schemas import load_schema
from agent.simulate.modbus_server import ModbusServer
from tests.publish.scripted_broker import ScriptedBroker
from tests.service.rig import SITE, Bench, Log, alerts, last, serving, until


def valid(name, payload):
    jsonschema.validate(payload, load_schema(name), format_checker=jsonschema.FormatChecker())


async def checked_with_air(bench, probe, offset_mv, lasting_s=1.6):
    """An air check as a transmitter does it. Real time: the agent measures it."""
    bench.probes[probe].air(offset_mv)
    await asyncio.sleep(lasting_s)
    bench.probes[probe].air(None)


def test_an_air_check_that_shows_an_offset_is_one_alert_with_its_check_and_keeps_its_id_over_a_restart(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker:
            config = bench.write(plant.ports, broker.port)
            async with serving(config, log):
                await until(lambda: last(broker, "probe/east/condition"))
                await asyncio.sleep(0.5)
                await checked_with_air(bench, "east", 8.0)
                await asyncio.sleep(1.0)
                assert not alerts(broker, "east", "cell_offset_drift")  # one check of a probe checked so often: wait
                await checked_with_air(bench, "east", 8.0)
                raised = (await until(lambda: alerts(broker, "east", "cell_offset_drift"), what=lambda: log.all))[0]
            valid("alert", raised)
            assert raised["state"] == "unacknowledged"
            assert raised["evidence"]["value"] == pytest.approx(8.0, abs=0.1)
            assert raised["durable"] is True
            check = last(broker, "probe/east/check/cell_offset_drift")
            valid("check", check)
            of_alert = [m for m in broker.seen if m.payload and raised["id"] in m.payload.decode()]
            topics = [m.topic.removeprefix(f"flueward/{SITE}/probe/east/") for m in broker.seen]
            told = [t for t in topics if t in ("event", "alert/cell_offset_drift", "check/cell_offset_drift")]
            assert told[:3] == ["event", "alert/cell_offset_drift", "check/cell_offset_drift"]
            assert all(m.retain for m in of_alert if not m.topic.endswith("/event"))
            assert not alerts(broker, "west", "cell_offset_drift")
            for message in broker.seen:
                payload = json.loads(message.payload)
                valid(payload["schema"].removeprefix("flueward.").removesuffix("/1"), payload)
            assert last(broker, "agent/edge/status")["state"] == "offline"

            broker.seen.clear()
            async with serving(config, log):
                condition = await until(lambda: last(broker, "probe/east/condition"))
                assert condition["alerts"] == [raised["id"]]
                await asyncio.sleep(0.5)
                await checked_with_air(bench, "east", 11.0)  # beyond twice the limit: the same alert, urgent
                urgent = await until(lambda: [a for a in alerts(broker, "east", "cell_offset_drift") if a["seq"] == 2])
                assert {a["id"] for a in alerts(broker, "east", "cell_offset_drift")} == {raised["id"]}
                assert urgent[0]["raised_at"] == raised["raised_at"]

    asyncio.run(walk())
