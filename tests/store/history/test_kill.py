"""kill -9 of a real recording process at random instants: nothing old enough is lost, nothing is there twice."""

import random
import subprocess
import sys
import time
from pathlib import Path

from tests import asked
from tests.store.history.rig import on_disk

KILLS = asked.KILLS or 4  # FLUEWARD_KILLS=50 for a long look
FAST = 150_000.0  # a day in 0.6 s
COMMIT_S = 0.1
SLACK_S = 0.5  # for the commit itself, on a busy machine
ROOT = Path(__file__).parents[3]


def test_a_process_killed_at_any_instant_loses_nothing_older_than_a_commit_and_doubles_nothing(tmp_path):
    draw = random.Random(11)
    said = tmp_path / "said"
    safe: dict[str, set[float]] = {}
    fed: dict[str, set[float]] = {}
    days = 0
    for _ in range(KILLS):
        with said.open("w") as out:
            command = [sys.executable, "-m", "tests.store.history.killed", str(tmp_path), str(FAST), str(COMMIT_S)]
            process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.DEVNULL)
            deadline_s = time.monotonic() + 15.0
            while said.stat().st_size == 0:  # it imports for longer than it lives
                assert process.poll() is None
                assert time.monotonic() < deadline_s
                time.sleep(0.005)
            time.sleep(draw.uniform(0.0, 1.5))
            process.kill()
            killed_s = time.monotonic()
            process.wait(5)
        for line in said.read_text().splitlines():
            probe, *rest = line.split()
            if len(rest) == 2 and "." in rest[1]:
                fed.setdefault(probe, set()).add(float(rest[0]))
                if float(rest[1]) < killed_s - COMMIT_S - SLACK_S:
                    safe.setdefault(probe, set()).add(float(rest[0]))
        there = on_disk(tmp_path / "data")  # which fails on a time that is there twice
        for probe, times in safe.items():
            assert times <= there[probe].keys(), f"{len(times - there[probe].keys())} lost"
        for probe, rows in there.items():
            assert len(rows.keys() - fed[probe]) <= KILLS  # a line that was cut as the process ended
        days = len(list((tmp_path / "data" / "history").glob("*/*.gz")))
    print(f"{KILLS} kills, {sum(map(len, safe.values()))} samples old enough, {days} day files", end=" ")
    assert sum(map(len, safe.values())) > 100
    assert days > 2
