"""What keeping history costs: bytes on the disk a day, bytes written to it, CPU, and how late a poll can be for it.

    python tests/benchmarks/recording.py [--probes 50] [--period 5] [--watch 10] [--json]

A day of the invented plant (ten probes of three kinds of transmitter, repeated under other noise) goes through the
recorder with its clock under the benchmark's hand: a commit each 45 s, 1920 of them. Then the day is closed by a thread
as in a live agent, beside an event loop that wants to wake every 5 ms: how late it wakes is how late a poll would be.
The same loop without anything beside it is the yardstick. --watch bounds how many probes' files are written with the
agent's own rests between slices; the others follow without, since the whole takes ten minutes by design. Exit code 1 if
a day of history takes more than 12 MB.
"""

import argparse
import asyncio
import json
import math
import os
import shutil
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import structlog

from agent.clock import SystemClock
from agent.config.model import Log
from agent.counters import Counters
from agent.logs import make_log
from agent.simulate.history import read_signals
from agent.simulate.plant import Plant, make_plant
from agent.store.recorder import Recorder
from agent.store.sample_writer import COMMIT_S

BAR_MB = 12.0
DAY_S = 86_400.0
TICK_S = 0.005
LIVE_S = 1_790_000_000.0


class HandClock(SystemClock):
    """UTC and monotonic time as the benchmark says."""

    now_s = 0.0

    def utc(self) -> float:
        return self.now_s

    def monotonic(self) -> float:
        return self.now_s


def a_day(
    probes: int, period_s: float
) -> tuple[dict[str, list[list[float]]], dict[str, tuple[str, ...]], dict[str, str], float]:
    """Rows by probe, its columns, its map, and when the day begins."""
    rows, columns, maps = {}, {}, {}
    copies = math.ceil(probes / 10)
    from_s = 0.0
    for copy in range(copies):
        plant: Plant = make_plant(3 + copy, live_start_utc_s=LIVE_S, days=3, story="season")
        from_s = math.ceil(plant.from_s / DAY_S) * DAY_S
        rng = np.random.default_rng(copy)
        for probe in list(plant.models)[: probes - 10 * copy]:
            count = int(DAY_S / period_s)
            # Answers come some milliseconds late, and polls of a sampled relay are dithered by a share of the period.
            time_s = np.round(from_s + period_s * np.arange(count) + rng.uniform(0, 0.05 * period_s, count), 3)
            signals = read_signals(plant, probe, time_s)
            name = f"{probe}_{copy}"
            columns[name], maps[name] = tuple(signals), plant.settings.probes[probe].map
            rows[name] = np.column_stack([time_s, *signals.values()]).tolist()
    return rows, columns, maps, from_s


def written_bytes() -> int:
    """What this process has caused to be written to the disk so far (Linux: /proc/self/io)."""
    with open("/proc/self/io") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("write_bytes"))


async def lateness(seconds: float, done: threading.Event) -> list[float]:
    """How late a loop that wants to wake each `TICK_S` woke. [s]"""
    loop, late = asyncio.get_running_loop(), []
    end_s = loop.time() + seconds
    due_s = loop.time()
    while loop.time() < end_s and not done.is_set():
        due_s = max(due_s + TICK_S, loop.time())
        await asyncio.sleep(due_s - loop.time())
        late.append(loop.time() - due_s)
    return late


def said(late: list[float]) -> dict[str, float]:
    return {
        "worst_ms": round(1e3 * max(late), 1),
        "p999_ms": round(1e3 * float(np.quantile(late, 0.999)), 1),
        "median_ms": round(1e3 * float(np.median(late)), 2),
    }


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--probes", type=int, default=50)
    parser.add_argument("--period", type=float, default=5.0)
    parser.add_argument("--watch", type=int, default=10)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows, columns, maps, from_s = a_day(options.probes, options.period)
    clock = HandClock()
    clock.now_s = from_s
    folder = Path(tempfile.mkdtemp(prefix="flueward-bench-", dir=os.environ.get("TMPDIR", "/var/tmp")))
    recorder = Recorder(
        folder, columns, clock=clock, counters=Counters(), log=make_log(Log(level="error", format="json"))
    )
    try:
        before, cpu_s = written_bytes(), time.process_time()
        each = round(COMMIT_S / options.period)
        for first in range(0, int(DAY_S / options.period), each):
            for probe, found in rows.items():
                for row in found[first : first + each]:
                    recorder.take(probe, row)
            clock.now_s = from_s + options.period * (first + each)
            assert recorder.flush(), "the disk refused"
        flush_s, flush_bytes = time.process_time() - cpu_s, written_bytes() - before
        open_bytes = sum(path.stat().st_size for path in folder.glob("samples.db*"))
        del rows
        clock.now_s = from_s + DAY_S + 301.0

        idle = asyncio.run(lateness(10.0, threading.Event()))
        done, rests_s, slices = threading.Event(), 0.0, []

        def close() -> None:
            nonlocal rests_s
            while not list(folder.glob("history/*/*.gz")) or recorder._work is not None:
                watched = len(list(folder.glob("history/*/*.gz"))) < options.watch
                began_s = time.perf_counter()
                rest_s = recorder.turn()
                slices.append(time.perf_counter() - began_s)
                rests_s += rest_s
                if watched:
                    time.sleep(rest_s)
                else:
                    done.set()
            done.set()

        before, cpu_s = written_bytes(), time.process_time()
        thread = threading.Thread(target=close, daemon=True)
        thread.start()
        busy = asyncio.run(lateness(3600.0, done))
        thread.join()
        close_s, close_bytes = time.process_time() - cpu_s, written_bytes() - before
        day_bytes = {path.parent.name[6:]: path.stat().st_size for path in folder.glob("history/*/*.gz")}
        hourly = sum(path.stat().st_size for path in folder.glob("hourly/*/*"))
        before = written_bytes()
        clock.now_s += 3700.0
        for _ in range(200):
            recorder.turn()
        forget_bytes = written_bytes() - before
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    kinds: dict[str, list[int]] = {}
    for probe, size in day_bytes.items():
        kinds.setdefault(maps[probe], []).append(size)
    result = {
        "probes": options.probes,
        "megabytes_a_day": round(sum(day_bytes.values()) / 1e6, 2),
        "megabytes_a_day_if_all_were": {
            kind: round(float(np.mean(s)) * options.probes / 1e6, 1) for kind, s in kinds.items()
        },
        "hourly_megabytes_a_day": round(hourly / 1e6, 2),
        "open_day_megabytes": round(open_bytes / 1e6, 1),
        "written_megabytes_a_day": {
            "commits": round(flush_bytes / 1e6, 1),
            "closing": round(close_bytes / 1e6, 1),
            "leaving": round(forget_bytes / 1e6, 1),
        },
        "cpu_share": {"commits": round(flush_s / DAY_S, 6), "closing": round(close_s / DAY_S, 6)},
        "closing": {
            "cpu_s": round(close_s, 1),
            "spread_over_s": round(rests_s + sum(slices)),
            "longest_slice_ms": round(1e3 * max(slices), 1),
        },
        "loop_late_idle": said(idle),
        "loop_late_while_closing": said(busy),
    }
    if options.json:
        print(json.dumps(result))
    else:
        for name, value in result.items():
            print(f"{name:28} {value}")
    return int(result["megabytes_a_day"] > BAR_MB)


if __name__ == "__main__":
    structlog.configure()
    sys.exit(main())
