"""Power may fail at any instant: killed again and again, with the broker up and down, the agent loses nothing."""

import multiprocessing
import random
import signal
import time
from multiprocessing.process import BaseProcess
from pathlib import Path

from tests import asked
from tests.publish.mosquitto import Listener, Mosquitto, first_arrivals
from tests.publish.victim import KEYS, live

KILLS = asked.KILLS or 15  # FLUEWARD_KILLS=50 for a long look


def start(folder: Path, port: int) -> BaseProcess:
    # Forked from a server that has imported everything, so that a life begins at once; not from this process, whose
    # threads would not come along.
    server = multiprocessing.get_context("forkserver")
    server.set_forkserver_preload(["tests.publish.victim"])
    process = server.Process(target=live, args=(folder, port), daemon=True)
    process.start()
    return process


def durable(out: Path) -> dict[str, int]:
    """The last sequence number of each alert that was said to be durable."""
    said = dict.fromkeys(KEYS, 0)
    for line in out.read_text().splitlines():
        key, _, number = line.partition(" ")
        if key in said and number.isdigit():
            said[key] = max(said[key], int(number))
    return said


def test_an_agent_killed_at_any_instant_loses_no_transition_and_keeps_their_order(tmp_path):
    draw = random.Random(20260)
    out = tmp_path / "said"
    out.touch()
    with Mosquitto(tmp_path, keep=True) as broker, Listener(broker.port, "victim/#") as listener:
        up = True
        for kill in range(KILLS):
            if up and kill % 3 == 1:
                broker.stop()  # in order: it writes down what the listener's session still has to get
                up = False
            victim = start(tmp_path, broker.port)
            if not up and kill % 3 == 2:
                broker.start()  # back while the agent runs
                up = True
            time.sleep(draw.uniform(0.0, 0.5))  # also while it opens the store or connects
            victim.kill()
            victim.join(5)
            assert victim.exitcode == -signal.SIGKILL, (tmp_path / "log").read_text()  # it did not end by itself
        if not up:
            broker.start()
        # One last life, to hand over what waits; its own transitions count as well.
        last = start(tmp_path, broker.port)
        try:
            deadline = time.monotonic() + 20.0
            goal = durable(out)
            while time.monotonic() < deadline:
                heard = {key: set(listener.seqs(f"victim/{key}/event")) for key in KEYS}
                if all(goal[key] in heard[key] for key in KEYS):
                    break
                time.sleep(0.05)
        finally:
            last.kill()
            last.join(5)
    assert sum(goal.values()) > 10 * KILLS, f"too few transitions to judge by: {goal}"
    for key in KEYS:
        arrived = first_arrivals(listener.seqs(f"victim/{key}/event"))
        assert set(range(1, goal[key] + 1)) <= set(arrived), f"lost on alert {key}"
        assert arrived == sorted(arrived), f"out of order on alert {key}"
