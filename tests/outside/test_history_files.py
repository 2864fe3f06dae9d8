"""Files of history against tools that this project did not make: theirs read ours, ours read theirs, bit for bit.

pandas, polars, DuckDB and Arrow each bring their own reader and writer of Parquet and CSV.
"""

import gzip

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from agent.cli import main
from agent.config.load import load_settings
from agent.replay.files.folder import open_history
from agent.replay.files.problems import Problems
from agent.rfc3339 import to_text

DAY = "2026-01-31"
T0 = 1_769_817_600.0  # its start, UTC
SITE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"
lines.boiler2 = { kind = "tcp", host = "192.0.2.20" }
maps.heron.signals = { o2 = { address = 200 }, cell_temp = { address = 201 }, fault = { address = 210, bit = 0 } }
probes.b2_east = { line = "boiler2", map = "heron" }
history = { time_zone = "UTC" }
"""
N = 2000


def made():
    """A day as a probe has it: quantised, with gaps, flags and numbers that only their last digit tells apart."""
    random = np.random.default_rng(1)
    time_s = T0 + np.arange(N) * 5 + random.integers(0, 999, N) / 1000
    o2 = random.random(N) * 20.9
    o2[random.random(N) < 0.1] = np.nan
    return np.round(time_s, 3), {"o2": o2, "cell_temp": 700 + random.integers(-20, 20, N) / 10, "fault": 1.0 * (o2 < 2)}


TIME_S, COLUMNS = made()
TIMES_MS = np.rint(TIME_S * 1000).astype(np.int64)


@pytest.fixture
def box(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    folder = tmp_path / "data/history/probe=b2_east"
    folder.mkdir(parents=True)
    lines = [",".join(["time", *COLUMNS])]
    for i, time in enumerate(TIME_S.tolist()):
        cells = ("" if column[i] != column[i] else repr(float(column[i])) for column in COLUMNS.values())
        lines.append(",".join([to_text(time), *cells]))
    with gzip.open(folder / f"date={DAY}.csv.gz", "wt", newline="") as file:
        file.write("".join(f"{line}\n" for line in lines))
    assert main(["export", str(tmp_path / "site.toml"), "--to", str(tmp_path / "out")]) == 0
    return tmp_path


def check(times_ms, columns):
    assert np.asarray(times_ms).tolist() == TIMES_MS.tolist()
    for name, column in COLUMNS.items():
        assert np.asarray(columns[name], np.float64).tobytes() == column.tobytes(), name


def of_pandas(frame):
    times = frame["time"].astype("datetime64[ms, UTC]").astype("int64")
    return times, {name: frame[name].to_numpy(np.float64, na_value=np.nan) for name in COLUMNS}


def of_polars(frame):
    times = frame["time"].cast(pl.Datetime("ms", "UTC")).cast(pl.Int64).to_numpy()
    return times, {name: frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in COLUMNS}


def of_duckdb(relation):
    rows = relation.select(f"epoch_ms(time), {', '.join(COLUMNS)}").fetchall()
    times, *columns = zip(*rows, strict=True)
    return times, {
        name: [np.nan if value is None else float(value) for value in column]
        for name, column in zip(COLUMNS, columns, strict=True)
    }


def test_a_day_as_the_edge_keeps_it_loads_in_pandas_polars_and_duckdb(box):
    path = box / f"data/history/probe=b2_east/date={DAY}.csv.gz"
    check(*of_pandas(pd.read_csv(path, parse_dates=["time"])))
    check(*of_polars(pl.read_csv(path, try_parse_dates=True)))
    check(*of_duckdb(duckdb.read_csv(str(path))))


def test_a_day_as_export_writes_it_loads_in_pandas_polars_and_duckdb(box):
    path = box / f"out/probe=b2_east/date={DAY}.parquet"
    check(*of_pandas(pd.read_parquet(path)))
    check(*of_polars(pl.read_parquet(path)))
    check(*of_duckdb(duckdb.read_parquet(str(path))))


def test_the_folders_names_are_columns_to_tools_that_know_the_layout(box):
    frame = pl.read_parquet(box / "out", hive_partitioning=True)
    assert set(frame["probe"]) == {"b2_east"}
    rows = duckdb.sql(f"select probe, count(*) from read_parquet('{box}/out/**/*.parquet') group by probe").fetchall()
    assert rows == [("b2_east", N)]


def test_both_of_ours_load_in_ours(box):
    for folder in (box / "data/history", box / "out"):
        read_back(box, folder)


def read_back(box, folder):
    problems = Problems()
    history = open_history(load_settings(box / "site.toml", environ={}), folder)
    stretches = list(history.stretches("b2_east", problems))
    assert problems.lines() == []
    times = np.concatenate([stretch.time_s for stretch in stretches])
    check(
        np.rint(times * 1000).astype(np.int64),
        {name: np.concatenate([stretch.signals[name] for stretch in stretches]) for name in COLUMNS},
    )
    assert times.tobytes() == TIME_S.tobytes()


def pandas_frame(zone):
    times = pd.to_datetime(TIMES_MS, unit="ms", utc=True)
    return pd.DataFrame({"time": times if zone else times.tz_localize(None), **COLUMNS})


def polars_frame(zone):
    times = pl.Series("time", TIMES_MS).cast(pl.Datetime("ms"))
    frame = pl.DataFrame({"time": times, **COLUMNS})
    return frame.with_columns(pl.col("time").dt.replace_time_zone("UTC")) if zone else frame


def arrow_table(zone):
    times = pa.array(TIMES_MS, pa.timestamp("ms", "UTC" if zone else None))
    return pa.table({"time": times, **{name: pa.array(c, mask=np.isnan(c)) for name, c in COLUMNS.items()}})


WRITERS = {
    "pandas.parquet": lambda path, zone: pandas_frame(zone).to_parquet(path, index=False),
    "pandas_index.parquet": lambda path, zone: pandas_frame(zone).set_index("time").to_parquet(path),
    "polars.parquet": lambda path, zone: polars_frame(zone).write_parquet(path),
    "arrow.parquet": lambda path, zone: pq.write_table(arrow_table(zone), path),
    "duckdb.parquet": lambda path, zone: duckdb.from_arrow(arrow_table(zone)).write_parquet(str(path)),
    "pandas.csv": lambda path, zone: pandas_frame(zone).to_csv(path, index=False),
    "pandas.csv.gz": lambda path, zone: pandas_frame(zone).set_index("time").to_csv(path),
    "polars.csv": lambda path, zone: polars_frame(zone).write_csv(path),
    "arrow.csv": lambda path, zone: pa.csv.write_csv(arrow_table(zone), path),
    "duckdb.csv": lambda path, zone: duckdb.from_arrow(arrow_table(zone)).write_csv(str(path)),
}


@pytest.mark.parametrize("zone", [True, False], ids=["utc", "no zone"])
@pytest.mark.parametrize("name", WRITERS)
def test_what_they_write_by_default_loads_in_ours(box, name, zone):
    folder = box / "theirs"
    (folder / "probe=b2_east").mkdir(parents=True)
    WRITERS[name](folder / "probe=b2_east" / name.replace("_index", ""), zone)
    read_back(box, folder)
