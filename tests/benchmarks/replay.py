"""A probe-year at 1 Hz with seven signals replayed from Parquet, against pyarrow's own read of it in the same run.

    python tests/benchmarks/replay.py [--days 365] [--folder DIR] [--json]

The made probe of `history_speed.py`, written as one file of row groups of 131072 rows and as a file a day. Each is read
by pyarrow alone, row group by row group, and replayed by the engine; wall times. Then: a quarter of the days (linear in
samples), four probes of a quarter each with one job and with two (linear in probes, all cores). Exit code 1 if a replay
takes more than three times the read, holds more than 500 MB, or grows quicker than its samples.
"""

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.history_speed import START_S, day_of, site

BAR_TIMES, BAR_MB, BAR_GROWTH = 3.0, 500.0, 1.15
DAY_S = 86_400
GROUP_ROWS = 131_072


def table_of(day: int) -> pa.Table:
    stretch = day_of(day, "output")
    times = pa.array((stretch.time_s * 1000).astype("int64"), pa.timestamp("ms", "UTC"))
    return pa.table({"time": times, **{name: pa.array(column) for name, column in stretch.signals.items()}})


def write(folder: Path, days: int, *, daily: bool, probes=("p",)) -> None:
    """The same days for every probe."""
    for probe in probes:
        (folder / f"probe={probe}").mkdir(parents=True)
    first = folder / f"probe={probes[0]}"
    if daily:
        for day in range(days):
            date = time.strftime("%Y-%m-%d", time.gmtime(START_S + day * DAY_S))
            pq.write_table(table_of(day), first / f"date={date}.parquet")
    else:
        with pq.ParquetWriter(first / "year.parquet", table_of(0).schema) as out:
            for day in range(0, days, 3):
                tables = [table_of(one) for one in range(day, min(day + 3, days))]
                out.write_table(pa.concat_tables(tables), row_group_size=GROUP_ROWS)
    for probe in probes[1:]:
        for path in first.iterdir():
            shutil.copy(path, folder / f"probe={probe}" / path.name)


def read(folder: Path) -> tuple[float, float]:
    """pyarrow alone: every row group of every file, as a table. Wall and CPU. [s]"""
    began, cpu = time.perf_counter(), time.process_time()
    for path in sorted(folder.glob("probe=*/*.parquet")):
        file = pq.ParquetFile(path)
        for group in range(file.num_row_groups):
            file.read_row_group(group)
    return time.perf_counter() - began, time.process_time() - cpu


def replayed(folder: Path, jobs: int, probes: int) -> tuple[float, float, float, int]:
    """A replay in a process of its own: wall and CPU seconds of it, its peak memory [MB], rows."""
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parents[2])!r}); from tests.benchmarks.replay import one"
    )
    code += f"; one({str(folder)!r}, {jobs}, {probes})"
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    seconds, cpu, mb, rows = json.loads(out.stdout)
    return seconds, cpu, mb, rows


def one(folder: str, jobs: int, probes: int) -> None:
    """What the process does."""
    from agent.replay.engine import replay
    from agent.replay.files.folder import open_history

    at = site("output")
    settings = at.model_copy(update={"probes": {f"p{i}" if i else "p": at.probes["p"] for i in range(probes)}})
    began, cpu = time.perf_counter(), time.process_time()
    done = replay(settings, open_history(settings, Path(folder)), jobs=jobs)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    assert not done.failed, done.failed
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(json.dumps([seconds, cpu, peak / 1024.0, done.rows]))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--folder", type=Path, help="where the files go, and stay")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    root = options.folder or Path(tempfile.mkdtemp(prefix="replay-"))
    quarter = max(4, options.days // 4)
    names = tuple(f"p{i}" if i else "p" for i in range(4))
    for name, days, daily, probes in (
        ("one", options.days, False, ("p",)),
        ("daily", options.days, True, ("p",)),
        ("quarter", quarter, False, names),
    ):
        if not (root / name).exists():
            write(root / name, days, daily=daily, probes=probes)
    found: dict[str, float] = {"days": options.days, "cores": os.cpu_count() or 1}
    peak = 0.0
    for name in ("one", "daily"):
        read(root / name)  # into the system's cache
        alone, alone_cpu = min(read(root / name) for _ in range(2))
        seconds, cpu, mb, rows = min(replayed(root / name, 1, 1) for _ in range(2))
        found |= {f"{name}_read_s": alone, f"{name}_s": seconds, f"{name}_times": seconds / alone, f"{name}_mb": mb}
        found |= {f"{name}_ns_a_row": 1e9 * seconds / rows, f"{name}_cpu_times": cpu / alone_cpu}
        peak = max(peak, mb)
    one_s, _, _, few = replayed(root / "quarter", 1, 1)
    four_s, _, _, many = replayed(root / "quarter", 1, 4)
    both_s, _, _, _ = replayed(root / "quarter", 2, 4)
    found["growth_with_samples"] = (found["one_s"] / one_s) / (rows / few)
    found["growth_with_probes"] = (four_s / one_s) / (many / few)
    found["two_jobs_quicker"] = four_s / both_s
    kept = (
        max(found["one_times"], found["daily_times"]) <= BAR_TIMES
        and peak <= BAR_MB
        and max(found["growth_with_samples"], found["growth_with_probes"]) <= BAR_GROWTH
    )
    if options.folder is None:
        shutil.rmtree(root)
    if options.json:
        print(json.dumps(found))
    else:
        for key, value in found.items():
            print(f"{key:24} {value:.3g}")
        print(f"bars: {BAR_TIMES:g} times the read, {BAR_MB:g} MB, linear: {'kept' if kept else 'NOT kept'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
