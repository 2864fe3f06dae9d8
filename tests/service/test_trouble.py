"""What goes wrong in a plant: silence, cut lines, nonsense, a broker that says no, a disk that is full or hangs."""

import asyncio
import contextlib
import os
import sqlite3
import threading
import time
from itertools import pairwise

import pytest

from agent.clock import SystemClock
from agent.counters import Counters
from agent.simulate.modbus_server import ModbusServer
from agent.store.database import open_store
from agent.store.opening import connect
from tests.publish.scripted_broker import ScriptedBroker
from tests.service.rig import Bench, Log, alerts, last, serving, until

REFUSED = 0x86  # bad user name or password, MQTT 5.0 section 3.2.2.2


@contextlib.asynccontextmanager
async def plant_of(bench):
    async with (
        ModbusServer(bench, dict.fromkeys(bench.lines, "tcp")) as plant,
        ScriptedBroker() as broker,
    ):
        yield bench.write(plant.ports, broker.port), broker


def heard_all(broker, bench):
    return lambda: all(
        (told := last(broker, f"probe/{probe}/condition")) and told["sample_at"] for probe in bench.probes
    )


def test_a_transmitter_that_falls_silent_is_one_alert_that_ends_when_it_answers_again(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()
        async with plant_of(bench) as (config, broker), serving(config, log):
            await until(heard_all(broker, bench))
            bench.probes["east"].answers = False
            raised = (await until(lambda: alerts(broker, "east", "no_communication", "unacknowledged")))[0]
            await until(lambda: last(broker, "probe/east/condition")["mode"] in ("unknown", "no_data"))
            bench.probes["east"].answers = True
            ended = (await until(lambda: alerts(broker, "east", "no_communication", "normal")))[0]
            assert ended["id"] == raised["id"]
            assert ended["seq"] == raised["seq"] + 1
            assert not alerts(broker, "west", "no_communication")
            await until(lambda: last(broker, "probe/east/condition")["alerts"] == [])
        assert [line["state"] for line in log.lines("alert")] == ["unacknowledged", "normal"]
        assert [(line["unit"], line["new"]) for line in log.lines("link_changed")] == [(1, "timeout"), (1, "ok")]

    asyncio.run(walk())


def test_a_line_that_falls_silent_as_a_whole_is_one_alert_however_many_probes_it_has(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east", "west", "mid"], "two": ["far"]}, tmp_path), Log()
        async with plant_of(bench) as (config, broker), serving(config, log):
            await until(heard_all(broker, bench))
            for probe in bench.lines["one"]:
                bench.probes[probe].answers = False
            await until(
                lambda: [
                    one
                    for probe in bench.lines["one"]
                    for one in alerts(broker, probe, "no_communication", "unacknowledged")
                    if len(one["consequences"]) == 2
                ]
            )
            await asyncio.sleep(1.5)  # longer than anything that a second alert would wait for
            spoke = [probe for probe in bench.probes if alerts(broker, probe, "no_communication", "unacknowledged")]
            standing = [p for p in spoke if alerts(broker, p, "no_communication")[-1]["state"] == "unacknowledged"]
            assert len(standing) == 1, spoke
            assert not alerts(broker, "far", "no_communication")

    asyncio.run(walk())


def test_nonsense_on_the_wire_is_a_missing_sample_with_a_reason_and_one_line_in_the_log(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east"], "two": ["far"]}, tmp_path), Log()
        clients: list[asyncio.StreamWriter] = []

        async def babble(reader, writer):
            clients.append(writer)
            with contextlib.suppress(OSError):
                while await reader.read(300):
                    writer.write(os.urandom(40))

        server = await asyncio.start_server(babble, "127.0.0.1", 0)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker, server:
            port = server.sockets[0].getsockname()[1]
            config = bench.write({**plant.ports, "two": port}, broker.port)
            async with serving(config, log) as service:
                told = (await until(lambda: alerts(broker, "far", "no_communication", "unacknowledged")))[0]
                assert told["evidence"]["since"] is not None
                await until(lambda: last(broker, "probe/east/condition")["mode"] == "in_service")
                reasons = set(service.intake.reasons["far"].values())
                assert reasons <= {"garbled", "mismatch", "length", "closed", "timeout", "back_off"}
                assert reasons
                counted = {event for event, place, _ in service.counters if place == "two/1"}
                assert counted & {"read_garbled", "read_mismatch", "read_length"}, list(service.counters)
            for client in clients:
                client.close()
        changes = [line["new"] for line in log.lines("link_changed") if line["line"] == "two"]
        assert changes
        assert all(new != before for before, new in pairwise(changes))  # changes, no repetition
        assert not log.lines("line_failed")

    asyncio.run(walk())


def test_a_broker_that_refuses_the_password_is_told_once_while_polling_goes_on_and_nothing_is_lost(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east"]}, tmp_path), Log()
        secret = tmp_path / "password"
        secret.write_text("not this one\n")
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker(connack=lambda *_: REFUSED) as broker:
            config = bench.write(
                plant.ports,
                broker.port,
                username="edge",
                password_file=str(secret),
                plain_password="the network is trusted",
            )
            async with serving(config, log) as service:
                told = (await until(lambda: log.lines("mqtt_not_connected")))[0]
                assert "password" in told["message"] or "user" in told["message"]
                assert "not this one" not in str(log.all) + str(told)
                bench.probes["east"].answers = False
                await until(lambda: log.lines("alert"))
                assert service.store.counts()[0] > 0  # it waits for the day when somebody mends the password
                assert len(log.lines("mqtt_not_connected")) == 1
        assert log.all[-1] == "stopped"

    asyncio.run(walk())


class Disk:
    """Opens the database; `full` leaves it no room to grow, `hangs` holds every commit."""

    def __init__(self):
        self.opened: list[sqlite3.Connection] = []
        self.hangs, self.released = threading.Event(), threading.Event()

    def open(self, path):
        disk = self

        class Held(sqlite3.Connection):
            def execute(self, sql, *rest):
                if disk.hangs.is_set() and sql.startswith("COMMIT"):
                    disk.released.wait(20)
                return super().execute(sql, *rest)

        found = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False, factory=Held)
        self.opened.append(found)
        return found

    def full(self, yes):
        self.opened[-1].execute(f"PRAGMA max_page_count = {1 if yes else 1_000_000}")  # 1: as many as it has


def test_with_the_disk_full_alerts_go_out_all_the_same_and_are_written_when_there_is_room_again(tmp_path):
    async def walk():
        # Two probes: what the second one writes does not fit into pages that the first one has left free.
        bench, log, disk = Bench({"one": ["east"], "two": ["far"]}, tmp_path), Log(), Disk()
        async with plant_of(bench) as (config, broker), serving(config, log, open_file=disk.open) as service:
            await until(heard_all(broker, bench))
            disk.full(True)
            for probe in bench.probes.values():
                probe.answers = False
            raised = await until(lambda: [a for p in bench.probes for a in alerts(broker, p, "no_communication")])
            assert [one["durable"] for one in raised] == [False] * len(raised)
            await until(lambda: last(broker, "agent/edge/status")["disk"] == "full")
            assert [line["kind"] for line in log.lines("store_cannot_write")] == ["full"]
            disk.full(False)
            await until(lambda: last(broker, "agent/edge/status")["disk"] != "full", 12.0)
            assert log.lines("store_writes_again")
            for probe in bench.probes.values():
                probe.answers = True
            ended = await until(lambda: alerts(broker, "east", "no_communication", "normal"))
            assert ended[0]["durable"] is True
            assert not service.store.unwritten
        with contextlib.closing(connect(tmp_path / "data" / "flueward.db")) as file:
            assert file.execute("SELECT count(*) FROM state WHERE kind = 'alert'").fetchone()[0] >= 2

    asyncio.run(walk())


def test_a_disk_that_hangs_holds_up_neither_polling_nor_an_orderly_stop(tmp_path):
    async def walk():
        bench, log, disk = Bench({"one": ["east"]}, tmp_path), Log(), Disk()
        async with plant_of(bench) as (config, broker):
            try:
                async with serving(config, log, open_file=disk.open) as service:
                    await until(heard_all(broker, bench))
                    disk.hangs.set()
                    bench.probes["east"].answers = False
                    await until(lambda: service.saving.writing)
                    bench.probes["east"].answers = True
                    before = service.intake.waiting("east")
                    await until(lambda: service.intake.waiting("east") > before + 3)
                    began_s = time.monotonic()
                assert time.monotonic() - began_s < 5.0
            finally:
                disk.released.set()
        assert log.lines("not_saved")
        assert log.lines("stopped")

    asyncio.run(walk())


def test_a_database_that_turns_out_damaged_while_running_is_kept_aside_and_its_successor_holds_everything(tmp_path):
    async def walk():
        bench, log, disk = Bench({"one": ["east"]}, tmp_path), Log(), Disk()
        path = tmp_path / "data" / "flueward.db"
        async with plant_of(bench) as (config, broker):
            async with serving(config, log, open_file=disk.open) as service:
                await until(heard_all(broker, bench))
                bench.probes["east"].answers = False
                raised = (await until(lambda: alerts(broker, "east", "no_communication")))[0]
                disk.opened[-1].execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                disk.opened[-1].execute("PRAGMA cache_size = 0")
                with path.open("r+b") as file:
                    file.seek(0)
                    file.write(b"\xff" * path.stat().st_size)
                bench.probes["east"].answers = True
                await until(lambda: alerts(broker, "east", "no_communication", "normal"))
                bench.probes["east"].answers = False
                await until(lambda: service.store.renamed and not service.store.unwritten, what=lambda: log.all)
            assert log.lines("store_damaged")[0]["kept_as"].startswith(str(path))
            again = Log()
            async with serving(config, again):
                await until(heard_all(broker, bench))
                ids = {one["id"] for one in alerts(broker, "east", "no_communication", "unacknowledged")}
                assert raised["id"] in ids
            assert not again.lines("state_refused")
            assert not again.lines("alert_not_restored")

    asyncio.run(walk())


def test_a_fault_in_one_probes_detector_is_told_once_and_every_other_probe_is_judged_on(tmp_path):
    async def walk():
        bench, log = Bench({"one": ["east"], "two": ["far"]}, tmp_path), Log()
        async with plant_of(bench) as (config, broker), serving(config, log) as service:
            await until(heard_all(broker, bench))

            def fails(*_):
                raise ZeroDivisionError("a fault of ours")

            watcher = service.pipeline.watchers["east"]
            sound, watcher.open.update = watcher.open.update, fails
            await until(lambda: service.counters.at("probe_failed", "east") >= 3)
            assert len(log.lines("probe_failed")) == 1
            told = log.lines("probe_failed")[0]
            assert told["probe"] == "east"
            assert "ZeroDivisionError" in told["error"]
            assert "test_trouble.py" in told["where"]
            condition = last(broker, "probe/east/condition")
            assert {one["state"] for one in condition["detectors"].values()} == {"not_observable"}
            assert "fault of this program" in condition["detectors"]["heater_open"]["needs"]
            assert condition["reading_trust"] == "unknown"
            bench.probes["far"].answers = False
            await until(lambda: alerts(broker, "far", "no_communication", "unacknowledged"))
            assert not alerts(broker, "east", "no_communication")  # it answers: a fault of ours is no silence
            watcher.open.update = sound
            await until(lambda: log.lines("probe_judged_again"))
            condition = await until(lambda: (c := last(broker, "probe/east/condition"))["mode"] == "in_service" and c)
            assert condition["detectors"]["heater_open"]["state"] == "watching"

    asyncio.run(walk())


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda row: {**row, "version": 99}, "another version"),
        (lambda row: {**row, "detectors": []}, "damaged"),
        (lambda row: {**row, "last_s": row["last_s"] + 40 * 86_400.0}, "ahead"),
    ],
)
def test_a_saved_state_that_cannot_be_gone_on_with_is_told_and_kept_for_a_person(tmp_path, spoil, why):
    async def walk():
        bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()
        async with plant_of(bench) as (config, broker):
            async with serving(config, log):
                await until(heard_all(broker, bench))
            store = open_store(tmp_path / "data" / "flueward.db", log=log.log, counters=Counters(), clock=SystemClock())
            spoiled = spoil(store.load("probe")["east"])
            store.commit(rows={("probe", "east"): spoiled})
            store.close()
            again = Log()
            broker.seen.clear()
            async with serving(config, again) as service:
                await until(heard_all(broker, bench))
                assert [line["probe"] for line in again.lines("state_refused")] == ["east"]
                assert why in again.lines("state_refused")[0]["found"]
            async with serving(config, Log()) as service:
                assert service.store.load("refused_probe") == {"east": spoiled}

    asyncio.run(walk())
