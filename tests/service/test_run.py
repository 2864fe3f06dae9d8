"""`flueward run` as systemd would run it: a process of its own, its log, its exit code, its end."""

import asyncio
import json
import signal
import sqlite3
from contextlib import closing
from pathlib import Path

from agent.clock import SystemClock
from agent.counters import Counters
from agent.simulate.modbus_server import ModbusServer
from agent.store.database import open_store
from tests.publish.scripted_broker import ScriptedBroker
from tests.service.rig import Bench, Log, ended, last, process, until

LISTEN = "0A"  # state of a socket in /proc/net/tcp, include/net/tcp_states.h of Linux


def saved_states(folder):
    store = open_store(folder / "data" / "flueward.db", log=Log().log, counters=Counters(), clock=SystemClock())
    try:
        return store.load("probe")
    finally:
        store.close()


def listening(pid):
    """Local addresses of TCP sockets in state LISTEN among the open files of a process."""
    inodes = set()
    for handle in Path(f"/proc/{pid}/fd").iterdir():
        target = str(handle.readlink()) if handle.is_symlink() else ""
        if target.startswith("socket:["):
            inodes.add(target[8:-1])
    rows = [
        line.split()
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]
    ]
    return inodes, [row[1] for row in rows if row[3] == LISTEN and row[9] in inodes]


def test_sigterm_ends_it_within_five_seconds_with_everything_saved_and_offline_said(tmp_path):
    async def walk():
        bench = Bench({"one": ["east", "west"]}, tmp_path)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker:
            with process(bench.write(plant.ports, broker.port), tmp_path / "log") as agent:
                await until(lambda: last(broker, "probe/west/condition"), 15.0, (tmp_path / "log").read_text)
                inodes, found = listening(agent.pid)
                assert len(inodes) >= 2, "the connections to the line and to the broker should be among them"
                assert found == []
                code, took_s = await asyncio.to_thread(ended, agent)
            assert code == 0
            assert took_s < 5.0
            status = [m for m in broker.seen if m.topic.endswith("/agent/edge/status")]
            assert json.loads(status[0].payload)["state"] == "online"
            assert json.loads(status[-1].payload)["state"] == "offline"
            assert status[-1].retain
            assert await until(lambda: broker.ends == ["disconnect"])
        assert saved_states(tmp_path).keys() == {"east", "west"}
        events = [json.loads(line)["event"] for line in (tmp_path / "log").read_text().splitlines()]
        assert (events[0], events[-1]) == ("started", "stopped")

    asyncio.run(walk())


def test_it_ends_as_soon_with_the_broker_away_and_a_poll_that_waits_for_an_answer(tmp_path):
    async def walk():
        bench = Bench({"one": ["east"], "two": ["far"]}, tmp_path)
        silent: list[asyncio.StreamWriter] = []
        hole = await asyncio.start_server(lambda _, writer: silent.append(writer), "127.0.0.1", 0)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, hole:
            port = hole.sockets[0].getsockname()[1]
            config = bench.write({**plant.ports, "two": port}, 1)  # nobody listens on port 1
            config.write_text(config.read_text().replace("timeout_s = 0.1", "timeout_s = 30.0"))
            with process(config, tmp_path / "log") as agent:
                await until(lambda: silent and "mqtt_not_connected" in (tmp_path / "log").read_text(), 15.0)
                await asyncio.sleep(0.5)
                code, took_s = await asyncio.to_thread(ended, agent)
            for writer in silent:
                writer.close()
        assert code == 0
        assert took_s < 5.0
        assert saved_states(tmp_path).keys() == {"east", "far"}

    asyncio.run(walk())


def test_a_configuration_that_is_wrong_is_a_message_and_exit_code_2(tmp_path):
    bench = Bench({"one": ["east"]}, tmp_path)
    config = bench.write({"one": 502}, 1883)
    config.write_text(config.read_text().replace("unit = 1", "unit = 300"))
    with process(config, tmp_path / "log") as agent:
        assert agent.wait(15) == 2
    said = (tmp_path / "log").read_text()
    assert "unit" in said
    assert "300" in said
    assert str(config) in said or config.name in said
    assert "Traceback" not in said
    assert not (tmp_path / "data").exists()


def test_a_second_agent_on_one_data_dir_is_refused_with_the_pid_of_the_first(tmp_path):
    async def walk():
        bench = Bench({"one": ["east"]}, tmp_path)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker:
            config = bench.write(plant.ports, broker.port)
            with process(config, tmp_path / "log") as first:
                await until(lambda: "started" in (tmp_path / "log").read_text(), 15.0)
                with process(config, tmp_path / "log2") as second:
                    assert await asyncio.to_thread(second.wait, 15) == 2
                said = (tmp_path / "log2").read_text()
                assert f"process {first.pid}" in said
                assert "Traceback" not in said
                assert first.poll() is None
                first.send_signal(signal.SIGINT)  # as Ctrl-C
                assert await asyncio.to_thread(first.wait, 6) == 0

    asyncio.run(walk())


def test_a_data_folder_that_cannot_be_made_is_a_message_and_exit_code_2(tmp_path):
    bench = Bench({"one": ["east"]}, tmp_path)
    config = bench.write({"one": 502}, 1883)
    (tmp_path / "data").write_text("a file where a folder should be")
    with process(config, tmp_path / "log") as agent:
        assert agent.wait(15) == 2
    said = (tmp_path / "log").read_text()
    assert str(tmp_path / "data") in said
    assert "Traceback" not in said


def test_it_polls_by_itself_after_the_start(tmp_path):
    # How soon is a figure of the benchmark startup.py: seconds of a busy machine say nothing of the program.
    async def walk():
        bench = Bench({"one": ["east"]}, tmp_path)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker:
            config = bench.write(plant.ports, broker.port)
            with process(config, tmp_path / "log"):
                await until(lambda: plant.requests["one"] > 0, 30.0)

    asyncio.run(walk())


def test_it_ends_in_time_though_another_process_holds_the_database(tmp_path):
    async def walk():
        bench = Bench({"one": ["east"]}, tmp_path)
        async with ModbusServer(bench, {"one": "tcp"}) as plant, ScriptedBroker() as broker:
            with process(bench.write(plant.ports, broker.port), tmp_path / "log") as agent:
                await until(lambda: last(broker, "probe/east/condition"), 15.0, (tmp_path / "log").read_text)
                with closing(sqlite3.connect(tmp_path / "data" / "flueward.db", isolation_level=None)) as other:
                    other.execute("BEGIN IMMEDIATE")
                    code, took_s = await asyncio.to_thread(ended, agent)
            assert took_s < 5.0
            assert last(broker, "agent/edge/status")["state"] == "offline"
            said = (tmp_path / "log").read_text()
            assert "store_cannot_write" in said or "not_saved" in said
            assert "Traceback" not in said
            assert code in (0, 1)  # 1: it had to be cut short

    asyncio.run(walk())
