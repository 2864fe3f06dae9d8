"""Power may fail at any instant: the whole agent killed again and again, with a real broker up and down.

What was committed arrives, in order, under one id; what the detectors had learnt is there in the next life.
"""

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import defaultdict
from contextlib import closing, contextmanager
from itertools import groupby
from pathlib import Path

import numpy as np

from agent.clock import SystemClock
from agent.config.load import load_settings
from agent.counters import Counters
from agent.pipeline import Pipeline
from agent.store.database import open_store
from detectors.stretch import Stretch
from tests import asked
from tests.publish.mosquitto import Listener, Mosquitto
from tests.service.rig import SITE, Log, process
from tests.service.toggling import LINES, Toggling

KILLS = asked.KILLS or 10  # FLUEWARD_KILLS=50 for a long look
LIFE_S = 3.0  # at most; a fault comes and goes in as long
LEARNT_DAYS = 30
ROOT = Path(__file__).parents[2]
DAY_S = 86_400.0


class Nursery:
    """Begins and ends lives of the agent; see `tests.service.nursery`."""

    def __init__(self, config: Path, log: Path) -> None:
        command = [sys.executable, "-m", "tests.service.nursery", str(config), str(log)]
        self._life: int | None = None
        self._process = subprocess.Popen(command, cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def _line(self) -> int:
        assert self._process.stdout is not None
        return int(self._process.stdout.readline())

    def begin(self) -> int:
        """A new life; its process id."""
        assert self._process.stdin is not None
        self._process.stdin.write("live\n")
        self._process.stdin.flush()
        self._life = self._line()
        return self._life

    def kill(self, pid: int) -> int:
        """End it at once; how it ended."""
        os.kill(pid, signal.SIGKILL)
        self._life = None
        return self._line()

    def __enter__(self) -> "Nursery":
        return self

    def __exit__(self, *_: object) -> None:
        if self._life is not None:
            os.kill(self._life, signal.SIGKILL)
        self._process.communicate(timeout=5)


@contextmanager
def toggling(folder: Path):
    """The plant in its process; its ports."""
    command = [sys.executable, "-m", "tests.service.toggling", str(folder)]
    with subprocess.Popen(command, cwd=ROOT) as plant:
        try:
            deadline = time.monotonic() + 15.0
            while not (folder / "ports.json").exists():
                assert plant.poll() is None, "the plant ended"
                assert time.monotonic() < deadline, "the plant does not start"
                time.sleep(0.02)
            yield json.loads((folder / "ports.json").read_text())
        finally:
            plant.kill()


def learnt(config: Path) -> str:
    """A month in service, through the pipeline, saved as an agent would have; what the heater's detector learnt."""
    settings = load_settings(config, environ={})
    clock, rng = SystemClock(), np.random.default_rng(7)
    end_s = clock.utc() - 30.0
    pipeline = Pipeline(settings, Counters())
    time_s = np.arange(end_s - LEARNT_DAYS * DAY_S, end_s, 60.0)
    n = time_s.size
    signals = {
        "o2": np.full(n, 3.0),
        "cell_emf": np.full(n, 40.75),
        "cell_temp": np.full(n, 700.0),
        "cell_temp_setpoint": np.full(n, 700.0),
        "heater_output": 40.0 + rng.standard_normal(n),
        "stored_offset": np.zeros(n),
        "air_check_active": np.zeros(n),
    }
    pipeline.feed({"quiet": Stretch(time_s, signals)})
    pipeline.judge(end_s, ["quiet"])
    watcher = pipeline.watchers["quiet"]
    store = open_store(settings.data_dir / "flueward.db", log=Log().log, counters=Counters(), clock=clock)
    store.commit(rows={("probe", "quiet"): watcher.to_dict()})
    store.close()
    said = watcher.reports()["heater_duty_creep"].learnt
    assert said.startswith("learnt from"), said
    return said


def on_disk(folder: Path) -> tuple[dict[str, tuple[str, int]], dict]:
    """Id and last sequence number of each alert as committed, and the saved state of `quiet`."""
    with closing(sqlite3.connect(folder / "data" / "flueward.db")) as file:
        rows = {(kind, key): json.loads(value) for kind, key, value in file.execute("SELECT * FROM state")}
    saved = {key: row for (kind, key), row in rows.items() if kind == "alert" and row.get("id") is not None}
    alerts = {key: (row["id"], row["seq"]) for key, row in saved.items()}
    return alerts, rows["probe", "quiet"]


def logged(log: Path) -> set[tuple[str, int]]:
    """Id and sequence number of every transition that the agent said it had written."""
    found = set()
    for line in log.read_text().splitlines():
        if '"alert"' in line and line.endswith("}"):  # the last one of a life may be cut
            told = json.loads(line)
            if told["event"] == "alert":
                found.add((told["id"], told["seq"]))
    return found


def events(listener: Listener) -> list[dict]:
    """Every transition once, in the order of first arrival."""
    found = {}
    for topic, payload, _ in list(listener.heard):
        if topic.endswith("/event") and payload is not None:
            found.setdefault(payload["event_id"], payload)
    return list(found.values())


def test_the_agent_killed_at_any_instant_loses_no_transition_gives_no_second_id_and_goes_on(tmp_path):
    draw = random.Random(20260)
    log = tmp_path / "log"
    log.touch()
    goal: set[tuple[str, int]] = set()
    checks = 0
    with (
        toggling(tmp_path) as ports,
        Mosquitto(tmp_path, keep=True) as broker,
        Listener(broker.port, "flueward/#") as listener,
    ):
        config = Toggling(LINES, tmp_path).write(ports, broker.port)
        baseline = learnt(config)
        up = True
        with Nursery(config, log) as nursery:
            for kill in range(KILLS):
                if up and kill % 3 == 1:
                    broker.stop()  # in order: it writes down what the listener's session still has to get
                    up = False
                life = nursery.begin()
                if not up and kill % 3 == 2:
                    broker.start()  # back while the agent runs
                    up = True
                time.sleep(draw.uniform(0.0, LIFE_S))  # also while it opens the store or connects
                assert nursery.kill(life) == -signal.SIGKILL, log.read_text()  # it did not end by itself
                alerts, quiet = on_disk(tmp_path)
                goal |= set(alerts.values())
                detectors = quiet["detectors"]
                assert detectors["heater_duty_creep"]["baseline"] is not None
                assert detectors["cell_offset_drift"]["checks"] >= checks
                checks = detectors["cell_offset_drift"]["checks"]
        if not up:
            broker.start()
        goal = {(of, n) for of, last in goal for n in range(1, last + 1)} | logged(log)
        # One last life, as a person starts it, to hand over what waits; its own transitions count as well.
        with process(config, log):
            deadline = time.monotonic() + 30.0
            while time.monotonic() < deadline:
                heard = {(one["id"], one["seq"]) for one in events(listener)}
                conditions = [p for t, p, _ in list(listener.heard) if t == f"flueward/{SITE}/probe/quiet/condition"]
                if goal <= heard:
                    break
                time.sleep(0.05)
    arrived = events(listener)
    print(f"{KILLS} kills, {len(goal)} transitions committed, {len(arrived)} arrived, {checks} air checks", end=" ")
    assert len(goal) > 2 * KILLS, f"too few transitions to judge by: {len(goal)}"
    assert goal <= heard, f"lost: {sorted(goal - heard)}"
    by_alert = defaultdict(list)
    for one in arrived:
        by_alert[one["probe"], one["symptom"]].append(one)
    for of, told in by_alert.items():
        runs = [(name, list(group)) for name, group in groupby(told, key=lambda one: one["id"])]
        assert len(runs) == len({name for name, _ in runs}), f"{of}: an id came back"
        assert len(runs) == len({group[0]["raised_at"] for _, group in runs}), f"{of}: two ids for one alert"
        for name, group in runs:
            assert [one["seq"] for one in group] == list(range(1, len(group) + 1)), f"{of} {name}: a gap, or disorder"
            assert len({one["raised_at"] for one in group}) == 1
        for name, group in runs[:-1]:  # a second id while the first still stands would be the same alert twice
            assert group[-1]["state"] == "normal", f"{of} {name}: raised again before it ended"
    assert checks > 0
    learnt_now = {one["detectors"]["heater_duty_creep"]["learnt"] for one in conditions}
    assert learnt_now == {baseline}
