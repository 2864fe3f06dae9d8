"""The demo as a process of its own: asked to end at any instant, it does, and leaves nothing behind."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

pytest.importorskip("iotcore")

# As `flueward demo` does it, with a history short enough for a test.
RUN = """
import sys
from agent.commands import demo as command
from agent.demo import show
from argparse import Namespace
from functools import partial
BEGIN
command.run_demo = partial(show.run_demo, days=float(sys.argv[1]))
seconds = float(sys.argv[2]) or None
sys.exit(command.demo(Namespace(json=sys.argv[3] == "json", seconds=seconds, seed=1)))
"""
# A Ctrl-C of the whole group while the broker is being started.
EARLY = "import os, signal, threading; threading.Timer(0.08, os.killpg, (0, signal.SIGINT)).start()"
ENDS_WITHIN_S = 2.0


class Demo:
    """One run; `folder` is its own place for temporary files."""

    def __init__(
        self, folder: Path, *, days: float = 1.0, seconds: float = 0.0, as_json: bool = False, begin: str = ""
    ) -> None:
        self.folder = folder
        self.process = subprocess.Popen(
            [sys.executable, "-c", RUN.replace("BEGIN", begin), str(days), str(seconds), "json" if as_json else "text"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "TMPDIR": str(folder)},
            start_new_session=True,
        )

    def wait_for(self, words: str) -> None:
        while words not in (line := self.process.stdout.readline().decode()):
            assert line, self.process.stderr.read().decode()

    def end(self, number: int = signal.SIGINT) -> float:
        """Ask for the end as a terminal does, the whole group at once; how long it took."""
        began = time.monotonic()
        os.killpg(self.process.pid, number)
        self.process.wait(10)
        return time.monotonic() - began

    def rest(self) -> tuple[str, str]:
        out, err = self.process.communicate(timeout=60)
        return out.decode(), err.decode()

    def left(self) -> list[str]:
        """What is still there of it: files, and processes of its session."""
        found = [path.name for path in self.folder.iterdir()]
        for entry in Path("/proc").iterdir():
            try:
                fields = (entry / "stat").read_text().rsplit(")", 1)[1].split() if entry.name.isdigit() else []
            except OSError:
                continue
            if len(fields) > 3 and fields[3] == str(self.process.pid) and fields[0] != "Z":
                found.append(f"process {entry.name}")
        return found

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        self.process.stdout.close()
        self.process.stderr.close()


@pytest.fixture
def start(tmp_path):
    with ExitStack() as stack:

        def begin(**how) -> Demo:
            demo = Demo(tmp_path, **how)
            stack.callback(demo.close)
            return demo

        yield begin


def assert_clean(demo: Demo) -> str:
    out, err = demo.rest()
    assert "Traceback" not in out + err, out + err
    assert demo.process.returncode == 0, err
    assert demo.left() == []
    return out


def test_after_its_seconds_it_ends_by_itself_with_a_table_a_summary_and_nothing_left(start):
    demo = start(seconds=2.0)
    out, err = demo.rest()
    assert (demo.process.returncode, err, demo.left()) == (0, "", [])
    assert "Economiser east" in out
    assert "Stack, upper platform" in out
    assert out.index("Trust       Now") < out.index("How to go on:")
    assert "No alert for 10 probes" in out
    assert out.rstrip().endswith("Nothing is left behind.")
    assert out.isascii()
    assert all(c.isprintable() or c == "\n" for c in out)
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("after_s", [0.0, 0.3])
def test_an_interrupt_while_history_is_made_ends_it(start, after_s):
    demo = start(days=60.0)
    demo.wait_for("1  History")
    time.sleep(after_s)
    assert demo.end() < ENDS_WITHIN_S
    assert_clean(demo)


def test_an_interrupt_while_the_broker_starts_ends_it_and_the_broker(start):
    demo = start(days=60.0, begin=EARLY)
    assert "Done" not in assert_clean(demo)


@pytest.mark.parametrize(("after_s", "number"), [(0.0, signal.SIGHUP), (0.7, signal.SIGTERM)])
def test_any_signal_in_live_ends_it(start, after_s, number):
    demo = start()
    demo.wait_for("2  Live")
    time.sleep(after_s)
    assert demo.end(number) < ENDS_WITHIN_S
    assert_clean(demo)


def test_two_impatient_interrupts_are_as_good_as_one(start):
    demo = start()
    demo.wait_for("2  Live")
    os.killpg(demo.process.pid, signal.SIGINT)
    time.sleep(0.05)
    assert demo.end() < ENDS_WITHIN_S
    assert_clean(demo)


def test_a_reader_that_goes_away_ends_it_without_complaint(start):
    demo = start(days=100.0)
    demo.wait_for("1  History")
    demo.process.stdout.close()
    assert demo.process.wait(3.0 * ENDS_WITHIN_S) == 0  # long before its history is done
    assert demo.process.stderr.read() == b""
    assert demo.left() == []


def test_json_puts_payloads_and_nothing_else_on_standard_output(start):
    out, err = (demo := start(seconds=1.5, as_json=True)).rest()
    assert (demo.process.returncode, demo.left()) == (0, [])
    bodies = [json.loads(line) for line in out.splitlines()]
    kinds = {body["payload"]["schema"] for body in bodies}
    assert {"flueward.condition/1", "flueward.status/1"} <= kinds
    assert all(set(body) == {"topic", "payload"} for body in bodies)
    assert "Nothing is left behind." in err


def test_when_it_is_killed_its_broker_goes_as_well(start):
    demo = start()
    demo.wait_for("2  Live")
    os.kill(demo.process.pid, signal.SIGKILL)
    demo.process.wait(10)
    until = time.monotonic() + 5.0
    while any("process" in one for one in demo.left()) and time.monotonic() < until:
        time.sleep(0.02)
    assert not [one for one in demo.left() if "process" in one]
