"""Parquet of any usual making: types, zones, row groups, statistics, damage."""

import subprocess
import sys
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

T0 = 1_769_832_000.0  # 2026-01-31T04:00:00Z

MS = np.arange(3, dtype=np.int64) * 5000 + int(T0 * 1000)
O2 = [4.1, 4.2, 4.3]
READ = [(0.0, 4.1), (5.0, 4.2), (10.0, 4.3)]
NAME = "probe=b2_east/a.parquet"


def write(site, table, name=NAME, **options):
    file = site.folder / name
    pq.write_table(table if isinstance(table, pa.Table) else pa.table(table), file, **options)
    return file


@pytest.mark.parametrize(
    "times",
    [
        pa.array(MS, pa.timestamp("ms", "UTC")),
        pa.array(MS * 1000, pa.timestamp("us", "UTC")),
        pa.array(MS * 1_000_000, pa.timestamp("ns", "UTC")),
        pa.array(MS // 1000, pa.timestamp("s", "UTC")),
        pa.array(MS, pa.timestamp("ms", "Europe/Oslo")),  # an instant all the same: Arrow keeps UTC
        pa.array(MS),
        pa.array(MS // 1000),
        pa.array((MS // 1000).astype(np.uint32)),
        pa.array(MS * 1000),
        pa.array(MS * 1_000_000),
        pa.array(MS / 1000.0),
        pa.array(["2026-01-31T04:00:00Z", "2026-01-31T05:00:05+01:00", "2026-01-31 04:00:10+00:00"]),
        pa.array(["1769832000", "1769832005", "1769832010"]),
        pa.array(["2026-01-31T04:00:00Z", "2026-01-31T05:00:05+01:00", "2026-01-31 04:00:10Z"]).dictionary_encode(),
    ],
    ids=lambda times: str(times.type),
)
def test_times_of_any_unit_and_zone_are_the_same_instants(site, times):
    write(site, {"time": times, "o2": O2})
    assert site.rows() == (READ, [])
    assert site.open().span("b2_east") == (T0, T0 + 10)
    assert site.open().rows("b2_east") == 3


@pytest.mark.parametrize(
    "values",
    [
        pa.array(O2),
        pa.array(O2).cast(pa.float32()),
        pa.array([Decimal("4.1"), Decimal("4.2"), Decimal("4.3")]),
        pa.array(["4.1", "4.2", "4.3"]),
        pa.array(["4.1", "4.2", "4.3"]).cast(pa.large_string()),
        pa.array(["4.1", "4.2", "4.3"]).dictionary_encode(),
    ],
    ids=lambda values: str(values.type)[:12],
)
def test_numbers_of_any_type_are_floats(site, values):
    write(site, {"time": pa.array(MS, pa.timestamp("ms", "UTC")), "o2": values})
    _, columns, problems = site.read()
    assert columns["o2"].astype(np.float32).tolist() == np.array(O2, np.float32).tolist()
    assert not problems


@pytest.mark.parametrize(
    ("values", "wanted", "told"),
    [
        (pa.array([True, False, None]), [1, 0, None], {}),
        (pa.array([1, 0, None], pa.int8()), [1, 0, None], {}),
        (pa.array([1.0, 0.0, np.nan]), [1, 0, None], {}),
        (pa.array(["on", "off", "Bad"]), [1, 0, None], {}),
        (pa.array([1, 0, 7]), [1, 0, None], {"heater_on neither 0 nor 1, taken as missing": 1}),
        (pa.array([1, 0.5, 0]), [1, None, 0], {"heater_on neither 0 nor 1, taken as missing": 1}),
        (pa.array([[1], [0], []]), None, {"column 'heater_on' holds list<element: int64>, no numbers: not used": 1}),
    ],
)
def test_flags_are_0_and_1_and_nothing_else(site, values, wanted, told):
    write(site, {"time": pa.array(MS, pa.timestamp("ms", "UTC")), "o2": O2, "heater_on": values})
    _, columns, problems = site.read()
    found = columns["heater_on"].tolist()
    assert [None if value != value else value for value in found] == (wanted or [None] * 3)
    assert problems.rows_by_kind == told


@pytest.mark.parametrize("statistics", [True, False])
def test_impossible_values_are_missing_whether_or_not_the_file_has_statistics(site, statistics):
    values = [4.1, np.inf, 101.0, -0.5, np.nan, None, 100.0]
    times = pa.array(int(T0) * 1000 + np.arange(7) * 1000, pa.timestamp("ms", "UTC"))
    write(site, {"time": times, "o2": values}, write_statistics=statistics)
    rows, problems = site.rows()
    assert [value for _, value in rows] == [4.1, None, None, None, None, None, 100.0]
    assert problems == [f"{NAME}: o2 outside 0 to 100 % vol: no such value, taken as missing (3 rows, first in row 2)"]
    assert site.open().span("b2_east") == (T0, T0 + 6)


def test_times_that_are_null_or_impossible_drop_their_rows(site):
    times = pa.array([int(MS[0]), None, 5000, int(MS[1])]).cast(pa.timestamp("ms", "UTC"))
    write(site, {"time": times, "o2": [4.1, 9.0, 9.0, 4.2]})
    rows, problems = site.rows()
    assert rows == READ[:2]
    assert problems == [
        f"{NAME}: a time before 1990 or after 2100: row dropped (1 row, first in row 3)",
        f"{NAME}: no time that can be read: row dropped (1 row, first in row 2)",
    ]


def test_times_without_a_zone_need_one_except_in_our_own_layout(site):
    table = {"time": pa.array(MS * 1000, pa.timestamp("us")), "o2": O2}
    write(site, table)
    rows, problems = site.rows()
    assert rows == []
    assert "its times name no zone" in problems[0]
    site.configured(history='time_zone = "Asia/Kolkata"')
    assert site.read()[0].tolist() == [T0 - 19800, T0 - 19795, T0 - 19790]
    site.configured()
    (site.folder / NAME).unlink()
    write(site, table, "probe=b2_east/date=2026-01-31.parquet")
    assert site.rows() == (READ, [])


def test_columns_with_dots_in_their_names_are_found_and_only_those_that_are_needed_are_read(site):
    site.configured(east='history_columns = { o2 = "B2.EAST.O2", cell_temp = { column = "T", scale = 0.5 } }')
    table = pa.table(
        {
            "x": pa.array([{"a": 1}] * 3),
            "time": pa.array(MS, pa.timestamp("ms", "UTC")),
            "B2": [1.0, 2.0, 3.0],
            "B2.EAST.O2": O2,
            "T": pa.array([1400, 1402, None]),
        }
    )
    write(site, table)
    _, columns, problems = site.read()
    assert columns["o2"].tolist() == O2
    assert columns["cell_temp"].tolist()[:2] == [700, 701]
    assert np.isnan(columns["cell_temp"][2])
    assert not problems


@pytest.mark.parametrize("group", [1, 7, 1000, 100_000])
@pytest.mark.parametrize("backwards", [False, True])
def test_row_groups_of_any_size_and_in_any_order_of_time_are_put_in_order(site, group, backwards):
    n = 500 if group == 1 else 30_000
    time = T0 + np.arange(n)
    o2 = np.random.default_rng(1).random(n)
    step = -1 if backwards else 1
    table = {"time": pa.array((time * 1000).astype(np.int64)[::step], pa.timestamp("ms", "UTC")), "o2": o2[::step]}
    write(site, table, row_group_size=group)
    times, columns, problems = site.read()
    assert times.tolist() == time.tolist()
    assert columns["o2"].tobytes() == o2.tobytes()
    assert not problems


def test_a_huge_row_group_is_read_in_parts(site, monkeypatch):
    monkeypatch.setattr("agent.replay.files.parquet._HUGE", 1000)
    monkeypatch.setattr("agent.replay.files.parquet._BATCH", 300)
    time = T0 + np.arange(5000)
    table = {"time": pa.array((time * 1000).astype(np.int64), pa.timestamp("ms", "UTC")), "o2": time % 90}
    write(site, table)
    times, columns, problems = site.read()
    assert times.tolist() == time.tolist()
    assert columns["o2"].tolist() == (time % 90).tolist()
    assert not problems


def test_a_foreign_cut_or_damaged_file_is_named_and_the_others_are_read(site):
    table = {"time": pa.array(MS, pa.timestamp("ms", "UTC")), "o2": O2}
    whole = write(site, table).read_bytes()
    for name, data in {
        "empty": b"",
        "junk": b"nothing of the kind" * 100,
        "cut": whole[: len(whole) // 2],
        "foot": whole[: -(len(whole) // 2)] + b"\xff" * (len(whole) // 2 - 8) + whole[-8:],
    }.items():
        site.write(data, f"probe=b2_east/{name}.parquet")
    write(site, {"a": [1]}, "probe=b2_east/other.parquet")
    write(
        site,
        {"time": pa.array([], pa.timestamp("ms", "UTC")), "o2": pa.array([], pa.float64())},
        "probe=b2_east/none.parquet",
    )
    write(site, {"time": [{"a": 1}], "o2": [4.0]}, "probe=b2_east/struct.parquet")
    rows, problems = site.rows()
    assert rows == READ
    by_file = {line.partition(":")[0].removeprefix("probe=b2_east/"): line for line in problems}
    assert sorted(by_file) == [f"{n}.parquet" for n in ("cut", "empty", "foot", "junk", "none", "other", "struct")]
    assert "not used: it is empty" in by_file["empty.parquet"]
    assert "it is no Parquet file, or a damaged one" in by_file["junk.parquet"]
    assert "no time column: it has 'a'" in by_file["other.parquet"]
    assert "it has no rows" in by_file["none.parquet"]
    assert "the time column holds struct" in by_file["struct.parquet"]


def test_damage_within_the_data_loses_its_row_group_only(site):
    n = 40_000
    time = T0 + np.arange(n)
    o2 = np.random.default_rng(1).random(n)
    table = {"time": pa.array((time * 1000).astype(np.int64), pa.timestamp("ms", "UTC")), "o2": o2}
    file = write(site, table, row_group_size=n // 4, compression="zstd")
    metadata = pq.ParquetFile(file).metadata
    data = bytearray(file.read_bytes())
    column = metadata.row_group(1).column(1)
    start = column.dictionary_page_offset or column.data_page_offset
    data[start : start + 400] = b"\xff" * 400
    file.write_bytes(bytes(data))
    import agent.replay.files.parquet as reader

    whole, reader._TOGETHER = reader._TOGETHER, n // 4
    try:
        times, columns, problems = site.read()
    finally:
        reader._TOGETHER = whole
    good = np.r_[0 : n // 4, n // 2 : n]
    assert times.tolist() == time[good].tolist()
    assert columns["o2"].tobytes() == o2[good].tobytes()
    (entry,) = problems
    assert entry.what.startswith("damaged: ")
    assert (entry.rows, entry.first_row) == (n // 4, n // 4 + 1)


def test_without_pyarrow_the_message_says_how_to_install_it(site):
    write(site, {"time": pa.array(MS, pa.timestamp("ms", "UTC")), "o2": O2})
    site.write("time,o2\n1769832000,4.1\n", "probe=b2_east/b.csv")
    code = (
        "import sys; sys.modules['pyarrow'] = None\n"
        "from pathlib import Path\n"
        "from agent.config.load import load_settings\n"
        "from agent.replay.files.folder import open_history\n"
        "from agent.replay.files.problems import Problems\n"
        "history = open_history(load_settings(Path(sys.argv[1]), environ={}), Path(sys.argv[2]))\n"
        "problems = Problems()\n"
        "print(sum(map(len, history.stretches('b2_east', problems))), problems.lines())"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, site.path / "site.toml", site.folder], capture_output=True, text=True, check=True
    ).stdout
    assert told.startswith("1 ")
    assert "reading Parquet needs pyarrow: pip install 'flueward[tuning]'" in told
