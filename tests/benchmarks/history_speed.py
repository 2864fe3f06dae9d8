"""What one row of recorded history costs: long stretches against the same rows one at a time, and how it grows.

    python tests/benchmarks/history_speed.py [--days 20] [--stretch 200000] [--heater output|on_time] [--json]

A made probe at 1 Hz with seven signals: % O2, millivolts, cell and head temperature, the heater, the supply and the
flag of an air check, with registers' steps and noise. `Pipeline` takes it in stretches; made beforehand, so only
feeding and judging is timed, by CPU time of the process. Reported are

- nanoseconds a row in steady service, over N and 4 N days;
- the same with an unflagged blow-back every four hours and an air check every third day, and so what an episode costs;
- the same rows in the steps of a live agent, and memory at most;
- where pyarrow is installed, what it takes in the same run to read these rows from Parquet by row group, on one thread.

Exit code 1 if a row of steady service costs more than the bar (times reading, or nanoseconds without pyarrow), a
stretch is not ten times quicker than its rows, or a row's cost grows with the days. What episodes add has no bar here:
it depends on how many a plant has.
"""

import argparse
import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from agent.config.model import Settings
from agent.counters import Counters
from agent.pipeline import Pipeline
from detectors.stretch import Stretch

BAR_NS = 170.0  # a row, on an idle machine of 2026
BAR_READING = 2.3  # times reading: with it beside or before, a year is replayed in three times what reading alone takes
BAR_RATIO = 10.0
BAR_GROWTH = 1.25  # from N to 4 N days; a machine that others use wavers by a tenth or two
EPISODES_A_DAY = 6.0 + 1.0 / 3.0
DAY_S = 86_400
START_S = 1_780_012_800.0  # a midnight
MAP = {
    "conventions": {
        "o2_basis": "wet",
        "o2_damping_s": 0.0,
        "o2_clamp": None,
        "o2_during_checks": "live",
        "cell_emf_during_checks": "live",
        "heater_output": "duty",
    },
    "signals": {
        "o2": {"address": 0, "type": "uint16", "scale": 0.01},
        "cell_emf": {"address": 1, "type": "int16", "scale": 0.01},
        "cell_temp": {"address": 2, "type": "int16", "scale": 0.1},
        "head_temp": {"address": 3, "type": "int16", "scale": 0.1},
        "supply_voltage": {"address": 4, "type": "uint16", "scale": 0.1},
    },
    "status_words": {"status": {"address": 8, "values": {"1": ["air_check_active"], "0": []}}},
}
HEATERS = {
    "output": {"heater_output": {"address": 5, "type": "uint16", "scale": 0.1}},
    "on_time": {"heater_on_time": {"address": 6, "type": "uint32", "wraps_at": 2.0**32}},
}


def site(heater: str) -> Settings:
    """A site with this one probe."""
    return Settings.model_validate(
        {
            "site": "bench",
            "agent": "bench",
            "data_dir": "/tmp",
            "mqtt": {"host": "127.0.0.1", "port": 1, "tls": False},
            "lines": {"l": {"kind": "tcp", "host": "127.0.0.1", "port": 1}},
            "maps": {"m": MAP | {"signals": MAP["signals"] | HEATERS[heater]}},
            "probes": {"p": {"line": "l", "map": "m", "period_s": 1.0}},
        }
    )


def day_of(day: int, heater: str, *, checks: bool = True) -> Stretch:
    """One day of the probe, the same whenever it is asked for; `checks` and blow-backs may be left out."""
    rng = np.random.default_rng((7, day))
    second = np.arange(DAY_S, dtype=np.float64)
    hours = np.arange(0.0, 25.0)
    wander = np.interp(second / 3600.0, hours, 0.3 * rng.standard_normal(25))
    o2_frac = (3.0 + wander + 0.05 * rng.standard_normal(DAY_S)) / 100.0
    checked = np.zeros(DAY_S, np.bool_)
    for start in range(3600, DAY_S - 3600, 4 * 3600) if checks else ():
        o2_frac[start : start + 20] = 0.2095
        after = second[start + 20 : start + 600] - second[start + 20]
        o2_frac[start + 20 : start + 600] += (0.2095 - 0.03) * np.exp(-after / 12.0)
    if checks and day % 3 == 0:
        start = 10 * 3600
        o2_frac[start : start + 180] = 0.2095
        after = second[start + 180 : start + 900] - second[start + 180]
        o2_frac[start + 180 : start + 900] += (0.2095 - 0.03) * np.exp(-after / 12.0)
        checked[start : start + 180] = True
    temp_c = 700.0 + 0.3 * rng.standard_normal(DAY_S)
    emf_mv = 0.0215432 * (temp_c + 273.15) * (np.log(0.2095) - np.log(o2_frac)) + 0.02 * rng.standard_normal(DAY_S)
    head_c = 45.0 + 5.0 * np.sin(2.0 * np.pi * second / DAY_S) + 0.1 * rng.standard_normal(DAY_S)
    duty = 0.42 - 0.001 * (head_c - 45.0) + 0.01 * rng.standard_normal(DAY_S)
    volts = 230.0 + np.interp(second / 3600.0, hours, 2.0 * rng.standard_normal(25)) + 0.3 * rng.standard_normal(DAY_S)
    signals = {
        "o2": np.round(100.0 * o2_frac, 2),
        "cell_emf": np.round(emf_mv, 2),
        "cell_temp": np.round(temp_c, 1),
        "head_temp": np.round(head_c, 1),
        "supply_voltage": np.round(volts, 1),
        "air_check_active": checked.astype(np.float64),
    }
    if heater == "output":
        signals["heater_output"] = np.round(100.0 * duty, 1)
    else:
        signals["heater_on_time"] = np.floor(0.42 * (day * DAY_S + second))
    return Stretch(START_S + day * DAY_S + second, signals)


def rows_of(stretch: Stretch, first: int, end: int) -> Stretch:
    """Some rows of a stretch, as views."""
    return Stretch(stretch.time_s[first:end], {name: column[first:end] for name, column in stretch.signals.items()})


def joined(days: list[Stretch]) -> Stretch:
    """Days as one stretch."""
    return Stretch(
        np.concatenate([day.time_s for day in days]),
        {name: np.concatenate([day.signals[name] for day in days]) for name in days[0].signals},
    )


class Run:
    """A pipeline at work, and the CPU seconds that it took."""

    def __init__(self, heater: str) -> None:
        self.pipeline = Pipeline(site(heater), Counters())
        self.cpu_s = 0.0
        self.rows = 0

    def take(self, stretch: Stretch) -> None:
        """Feed and judge one stretch."""
        began = time.process_time()
        self.pipeline.feed({"p": stretch})
        self.pipeline.judge(float(stretch.time_s[-1]))
        self.cpu_s += time.process_time() - began
        self.rows += len(stretch)

    @property
    def ns_a_row(self) -> float:
        """What a row has cost so far. [ns]"""
        return 1e9 * self.cpu_s / self.rows


def history(first_day: int, days: int, rows: int, heater: str, *, checks: bool = True):
    """Days in stretches of so many rows, some days at a time."""
    at_once = max(1, -(-rows // DAY_S))
    for day in range(first_day, first_day + days, at_once):
        chosen = range(day, min(day + at_once, first_day + days))
        block = joined([day_of(one, heater, checks=checks) for one in chosen])
        for first in range(0, len(block), rows):
            yield rows_of(block, first, first + rows)


def stretched(days: int, rows: int, heater: str, *, checks: bool = True) -> Run:
    """Take so many days in stretches of so many rows."""
    run = Run(heater)
    for stretch in history(0, days, rows, heater, checks=checks):
        run.take(stretch)
    return run


def reading(days: int, heater: str) -> "Parquet | None":
    """The same rows in a Parquet file, where pyarrow is installed."""
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        return None
    return Parquet(days, heater)


class Parquet:
    """A file of some days, a row group a day."""

    def __init__(self, days: int, heater: str) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self._folder = tempfile.TemporaryDirectory(prefix="flueward-bench-")
        self._file = Path(self._folder.name) / "history.parquet"
        self._rows = days * DAY_S
        tables = (
            pa.table({"time": (1e6 * day.time_s).astype("datetime64[us]"), **day.signals})
            for day in (day_of(one, heater) for one in range(days))
        )
        first = next(tables)
        with pq.ParquetWriter(self._file, first.schema) as writer:
            writer.write_table(first)
            for table in tables:
                writer.write_table(table)

    def ns_a_row(self) -> float:
        """CPU time of reading it by row group, the quicker of two times. [ns]"""
        import pyarrow.parquet as pq

        best_s = float("inf")
        for _ in range(2):
            began = time.process_time()
            with pq.ParquetFile(self._file) as file:
                for group in range(file.num_row_groups):
                    file.read_row_group(group, use_threads=False)
            best_s = min(best_s, time.process_time() - began)
        return 1e9 * best_s / self._rows

    def close(self) -> None:
        """Remove the file."""
        self._folder.cleanup()


def in_steps(step: int, heater: str, total: int = 12_000) -> float:
    """What a row costs, fed `step` at a time, after two days that made the probe known. [ns]"""
    run = stretched(2, 100_000, heater)
    run.cpu_s, run.rows = 0.0, 0
    day = day_of(2, heater)
    first = 5 * 3600 - 600  # a blow-back is among them
    for at in range(first, first + total, step):
        run.take(rows_of(day, at, at + step))
    return run.ns_a_row


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=20)
    parser.add_argument("--stretch", type=int, default=200_000)
    parser.add_argument("--heater", choices=sorted(HEATERS), default="output")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    stretched(1, options.stretch, options.heater)  # imports, tables
    parquet = reading(min(options.days, 20), options.heater)
    read = [] if parquet is None else [parquet.ns_a_row()]
    short = stretched(options.days, options.stretch, options.heater, checks=False)
    busy = stretched(2 * options.days, options.stretch, options.heater)
    read += [] if parquet is None else [parquet.ns_a_row()]
    long = stretched(4 * options.days, options.stretch, options.heater, checks=False)
    if parquet is not None:
        read.append(parquet.ns_a_row())
        parquet.close()
    steps = {step: in_steps(step, options.heater) for step in (1, 5, 24)}
    episode_ms = 1e-6 * (busy.ns_a_row - long.ns_a_row) * DAY_S / EPISODES_A_DAY
    found = {
        "rows": long.rows,
        "ns_a_row": round(short.ns_a_row, 1),
        "ns_a_row_over_4_times_the_days": round(long.ns_a_row, 1),
        "s_a_year": round(long.ns_a_row * 1e-9 * 365 * DAY_S, 2),
        "ms_an_episode": round(episode_ms, 2),
        "s_a_year_with_episodes": round(busy.ns_a_row * 1e-9 * 365 * DAY_S, 2),
        "growth": round(long.ns_a_row / short.ns_a_row, 3),
        "us_a_row_in_steps": {str(step): round(cost / 1000.0, 2) for step, cost in steps.items()},
        "times_quicker_than_single_rows": round(steps[1] / long.ns_a_row, 1),
        "peak_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0),
    }
    if read:
        found |= {
            "ns_a_row_reading": [round(each, 1) for each in read],
            "times_reading": round(long.ns_a_row / max(read), 2),
        }
    kept = (
        (found["times_reading"] <= BAR_READING if read else long.ns_a_row <= BAR_NS)
        and steps[1] >= BAR_RATIO * long.ns_a_row
        and long.ns_a_row <= BAR_GROWTH * short.ns_a_row
    )
    if options.json:
        print(json.dumps(found))
    else:
        for key, value in found.items():
            print(f"{key:32} {value}")
        bar = f"{BAR_READING:g} times reading" if read else f"{BAR_NS:g} ns a row"
        print(f"bars: {bar}, {BAR_RATIO:g} times quicker than single rows, linear: {'kept' if kept else 'NOT kept'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
