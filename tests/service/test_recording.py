"""The live agent keeps what it measured: what the pipeline was fed, and what it made of episodes."""

import asyncio
import contextlib
import json
import shutil
import sqlite3
import threading
import time

import numpy as np

from agent.clock import SystemClock
from agent.counters import Counters
from agent.simulate.modbus_server import ModbusServer
from agent.store.open_days import read_open_days
from agent.store.recorder import Recorder
from agent.store.sample_writer import Keeping
from agent.store.samples import NAME
from tests.publish.scripted_broker import ScriptedBroker
from tests.service.rig import HURRY, Bench, Log, alerts, last, serving, until


@contextlib.asynccontextmanager
async def plant_of(bench):
    async with ModbusServer(bench, dict.fromkeys(bench.lines, "tcp")) as plant, ScriptedBroker() as broker:
        yield bench.write(plant.ports, broker.port), broker


def fed_to(service):
    """Every stretch that the pipeline is fed, kept."""
    kept = {probe: [] for probe in service.settings.probes}
    feed = service.pipeline.feed

    def spy(stretches):
        for probe, stretch in stretches.items():
            kept[probe].append(stretch)
        feed(stretches)

    service.pipeline.feed = spy
    return kept


def test_what_is_kept_is_what_the_pipeline_was_fed_to_the_last_bit(tmp_path):
    bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()

    async def walk():
        async with plant_of(bench) as (config, _):
            async with serving(config, log) as service:
                fed = fed_to(service)
                await until(lambda: sum(len(s) for s in fed["east"]) > 5)
                bench.probes["east"].answers = False
                bench.probes["west"].o2 = 3.456789
                await until(lambda: sum(len(s) for s in fed["west"]) > 15)
            return fed

    fed = asyncio.run(walk())
    there = {probe: (time_s, columns) for probe, time_s, columns in read_open_days(tmp_path / "data")}
    assert there.keys() == fed.keys()
    for probe, stretches in fed.items():
        time_s, columns = there[probe]
        given = np.concatenate([stretch.time_s for stretch in stretches])
        assert np.array_equal(time_s, given)
        assert list(columns) == list(stretches[0].signals)
        for name, column in columns.items():
            assert np.array_equal(column, np.concatenate([s.signals[name] for s in stretches]), equal_nan=True)
    assert np.isnan(there["east"][1]["o2"]).any()
    assert 3.456789 in there["west"][1]["o2"]


def test_a_check_its_recovery_and_an_outage_are_kept_as_episodes(tmp_path):
    bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()

    async def walk():
        async with plant_of(bench) as (config, broker), serving(config, log) as service:
            told = service.recording.recorder._told
            await until(lambda: (now := last(broker, "probe/east/condition")) and now["mode"] == "in_service")
            bench.probes["east"].air(4.0)
            await asyncio.sleep(1.6)
            bench.probes["east"].air(None)
            await until(lambda: any(row["kind"] == "air_check" for _, row in told))
            bench.probes["west"].answers = False
            await until(lambda: alerts(broker, "west", "no_communication", "unacknowledged"))
            bench.probes["west"].answers = True
            await until(lambda: any(row["kind"] == "outage" for _, row in told))

    asyncio.run(walk())
    kept = {
        probe: [json.loads(line) for line in (tmp_path / f"data/episodes/probe={probe}.jsonl").read_text().splitlines()]
        for probe in ("east", "west")
    }
    check = next(row for row in kept["east"] if row["kind"] == "air_check")
    assert check["from"] < check["to"]
    assert check["presumed"] is False
    assert check["settled"] is True or check["why_not"]
    outage = next(row for row in kept["west"] if row["kind"] == "outage")
    assert outage["from"] < outage["to"]


def test_with_record_false_nothing_is_kept(tmp_path):
    bench, log = Bench({"one": ["east"]}, tmp_path, more=f"{HURRY}\n[history]\nrecord = false\n"), Log()

    async def walk():
        async with plant_of(bench) as (config, broker), serving(config, log) as service:
            await until(lambda: last(broker, "probe/east/condition"))
            assert service.recording.recorder is None

    asyncio.run(walk())
    assert {path.name.split("-")[0] for path in (tmp_path / "data").iterdir()} == {"flueward.db", "flueward.lock"}


def test_a_samples_database_that_cannot_be_opened_costs_no_alert_and_status_says_so(tmp_path):
    bench, log = Bench({"one": ["east", "west"]}, tmp_path), Log()
    (tmp_path / "data" / NAME).mkdir(parents=True)  # a folder in its place

    async def walk():
        async with plant_of(bench) as (config, broker), serving(config, log) as service:
            service.recording.recorder._keeping = Keeping(commit_s=0.2)
            await until(lambda: (now := last(broker, "agent/edge/status")) and now["disk"] == "full")
            bench.probes["east"].answers = False
            (raised,) = await until(lambda: alerts(broker, "east", "no_communication", "unacknowledged"))
            assert raised["durable"] is True  # the alerts' own database is as well as ever
            (tmp_path / "data" / NAME).rmdir()
            await until(lambda: last(broker, "agent/edge/status")["disk"] == "ok")

    asyncio.run(walk())
    assert len(log.lines("history_cannot_write")) == 1
    there = {probe: len(time_s) for probe, time_s, _ in read_open_days(tmp_path / "data")}
    assert there["west"] > 10  # from the first sample on


def test_a_damaged_samples_database_is_renamed_and_nothing_else_is_touched(tmp_path):
    bench, log = Bench({"one": ["east"]}, tmp_path), Log()
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / NAME).write_bytes(b"this is no database" * 300)

    async def walk():
        async with plant_of(bench) as (config, broker), serving(config, log):
            await until(lambda: last(broker, "probe/east/condition"))

    asyncio.run(walk())
    assert len(log.lines("history_damaged")) == 1
    assert not log.lines("store_damaged")
    assert len(list((tmp_path / "data").glob(f"{NAME}.damaged-*"))) == 1
    with contextlib.closing(sqlite3.connect(tmp_path / "data" / NAME)) as db:
        assert db.execute("SELECT sum(rows) FROM blocks").fetchone()[0] > 0


def test_a_folder_copied_from_a_running_agent_is_readable(tmp_path):
    bench, log = Bench({"one": ["east"]}, tmp_path), Log()

    async def walk():
        async with plant_of(bench) as (config, _), serving(config, log) as service:
            service.recording.recorder._keeping = Keeping(commit_s=0.1)
            counts = [0]
            while len(set(counts)) < 4:
                await asyncio.sleep(0.2)
                assert len(counts) < 50
                copy = tmp_path / f"copy{len(counts)}"
                shutil.copytree(tmp_path / "data", copy)
                counts.append(sum(len(time_s) for _, time_s, _ in read_open_days(copy)))
            assert counts == sorted(counts)

    asyncio.run(walk())


def test_the_loop_that_polls_waits_for_no_day_that_closes(tmp_path):
    """A loop that wakes every 5 ms beside the thread that closes a day of 8 probes; in the benchmark the figures."""
    day_s, clock = 20_718 * 86_400.0, SystemClock()

    class Later(SystemClock):
        def utc(self):
            return day_s + 86_400.0 + 400.0

    rng = np.random.default_rng(1)
    columns = {f"p{i}": tuple(f"s{k}" for k in range(12)) for i in range(8)}
    recorder = Recorder(tmp_path, columns, clock=Later(), counters=Counters(), log=Log().log)
    for probe in columns:
        for row in np.round(rng.normal(700.0, 1.0, (900, 12)), 2).tolist():
            recorder.take(probe, [0.0, *row])
    for i, (_, row) in enumerate(recorder._rows):
        row[0] = day_s + 90.0 * (i % 900)
    recorder.flush()
    done = threading.Event()

    def work():
        while not (tmp_path / "history" / "probe=p7").exists():
            time.sleep(min(0.02, recorder.turn()))
        done.set()

    async def ticking():
        late, due_s = [], clock.monotonic()
        while not done.is_set():
            due_s = max(due_s + 0.005, clock.monotonic())
            await clock.sleep_until(due_s)
            late.append(clock.monotonic() - due_s)
        return late

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    late = asyncio.run(ticking())
    thread.join()
    recorder.close()
    assert len(late) > 50
    assert np.quantile(late, 0.98) < 0.05  # the machine may have better things to do, but rarely
