"""`flueward export`: every recorded day as Parquet, once, and what it says of it."""

import gzip
import json
import sys

import numpy as np
import pyarrow.parquet as pq
import pytest

from agent.cli import main
from agent.rfc3339 import to_text
from tests.privileges import WRITES_ANYWHERE

SITE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"
lines.boiler2 = { kind = "tcp", host = "192.0.2.20" }
maps.heron.signals = { o2 = { address = 200 }, cell_temp = { address = 201 }, fault = { address = 210, bit = 0 } }
probes.b2_east = { line = "boiler2", map = "heron" }
probes.b2_west = { line = "boiler2", map = "heron", unit = 2 }
"""
DAYS = {"2026-01-30": 1_769_731_200.0, "2026-01-31": 1_769_817_600.0}


@pytest.fixture
def box(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    for probe in ("b2_east", "b2_west"):
        folder = tmp_path / "data/history" / f"probe={probe}"
        folder.mkdir(parents=True)
        for day, start_s in DAYS.items():
            record(folder / f"date={day}.csv.gz", start_s)
    return tmp_path


def record(path, start_s, rows=100):
    lines = ["time,o2,cell_temp,fault"]
    lines += [f"{to_text(start_s + i * 5)},{4 + i % 7 / 100!r},{'' if i == 3 else 700 + i % 3},0" for i in range(rows)]
    path.write_bytes(gzip.compress("".join(f"{line}\n" for line in lines).encode()))


def run(box, *more):
    return main(["export", str(box / "site.toml"), "--to", str(box / "out"), *more])


def test_every_day_is_written_once_and_again_only_when_it_changed(box, capsys):
    assert run(box) == 0
    out = capsys.readouterr().out
    assert [line.split() for line in out.splitlines()[:3]] == [
        ["probe", "from", "to", "written", "as", "before", "rows", "MB"],
        ["b2_east", "2026-01-30", "2026-01-31", "2", "0", "200", "0.00"],
        ["b2_west", "2026-01-30", "2026-01-31", "2", "0", "200", "0.00"],
    ]
    files = sorted(path.relative_to(box / "out").as_posix() for path in (box / "out").rglob("*") if path.is_file())
    assert files == [f"probe={probe}/date={day}.parquet" for probe in ("b2_east", "b2_west") for day in DAYS]
    before = {path: path.stat().st_mtime_ns for path in (box / "out").rglob("*.parquet")}
    record(box / "data/history/probe=b2_west/date=2026-01-31.csv.gz", DAYS["2026-01-31"], rows=120)
    assert run(box, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["probes"]["b2_east"]["written"] == []
    assert told["probes"]["b2_east"]["unchanged"] == 2
    assert told["probes"]["b2_west"]["written"] == ["2026-01-31"]
    assert told["probes"]["b2_west"]["rows"] == 120
    changed = [path for path, at in before.items() if path.stat().st_mtime_ns != at]
    assert [path.parent.name for path in changed] == ["probe=b2_west"]


def test_the_file_is_exact_and_small(box):
    assert run(box) == 0
    file = pq.ParquetFile(box / "out/probe=b2_east/date=2026-01-30.parquet")
    schema = file.schema_arrow
    assert [f"{field.name} {field.type}" for field in schema] == [
        "time timestamp[ms, tz=UTC]",
        "o2 double",
        "cell_temp float",  # whole degrees: float32 holds them exactly
        "fault float",
    ]
    assert file.metadata.num_row_groups == 1
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    table = file.read()
    assert table.column("o2").to_pylist() == [4 + i % 7 / 100 for i in range(100)]
    assert table.column("cell_temp").null_count == 1
    assert table.column("time").cast("int64").to_pylist() == [
        int(DAYS["2026-01-30"] + 5 * i) * 1000 for i in range(100)
    ]


def test_days_and_probes_can_be_chosen(box, capsys):
    assert run(box, "--from", "2026-01-31", "--probe", "b2_west") == 0
    assert [path.parent.name + "/" + path.name for path in (box / "out").rglob("*.parquet")] == [
        "probe=b2_west/date=2026-01-31.parquet"
    ]
    assert run(box, "--to-date", "2026-01-30", "--probe", "b2_east") == 0
    assert (box / "out/probe=b2_east/date=2026-01-30.parquet").exists()
    assert not (box / "out/probe=b2_east/date=2026-01-31.parquet").exists()
    assert run(box, "--from", "2027-01-01") == 1


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--probe", "b2_eats"], "--probe: got 'b2_eats', no such probe, did you mean 'b2_east'?"),
        (["--from", "2026-02-01", "--to-date", "2026-01-01"], "--from 2026-02-01 is later than --to-date 2026-01-01"),
    ],
)
def test_what_cannot_be_meant_is_refused(box, capsys, more, told):
    assert run(box, *more) == 2
    assert capsys.readouterr().err.splitlines() == [told]


def test_a_day_that_is_no_day_is_refused(box, capsys):
    with pytest.raises(SystemExit) as caught:
        run(box, "--from", "yesterday")
    assert caught.value.code == 2
    assert "must be a day like 2026-01-31, got 'yesterday'" in capsys.readouterr().err


def test_the_services_own_folder_and_a_file_are_no_place_to_write_to(box, capsys):
    for to, told in (
        ("data/history", "is within data_dir"),
        ("data", "is within data_dir"),
        ("site.toml", "is a file"),
    ):
        assert main(["export", str(box / "site.toml"), "--to", str(box / to)]) == 2
        assert told in capsys.readouterr().err


def test_a_damaged_day_is_named_and_the_others_are_written(box, capsys):
    (box / "data/history/probe=b2_east/date=2026-01-30.csv.gz").write_bytes(b"nothing")
    assert run(box) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "probe=b2_east/date=2026-01-30.csv.gz: not used: " in out
    assert len(list((box / "out").rglob("*.parquet"))) == 3


def test_where_nothing_is_recorded_that_is_said(box, capsys):
    (box / "data/history").rename(box / "elsewhere")
    assert run(box) == 1
    assert capsys.readouterr().err.endswith("history: no such folder\n")


@pytest.mark.skipif(WRITES_ANYWHERE, reason="this process may write anywhere; CI runs it again without that")
def test_a_folder_that_may_not_be_written_is_named(box, capsys):
    (box / "out").mkdir(mode=0o500)
    assert run(box) == 1
    assert "not written: Permission denied" in capsys.readouterr().err


def test_what_was_there_stays_when_the_disk_refuses(box, capsys):
    assert run(box) == 0
    path = box / "out/probe=b2_east/date=2026-01-30.parquet"
    before = path.read_bytes()
    record(box / "data/history/probe=b2_east/date=2026-01-30.csv.gz", DAYS["2026-01-30"], rows=50)
    (path.parent / f".{path.name}.part").mkdir()  # stands in the way of the new file
    assert run(box) == 1
    assert "not written" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_without_pyarrow_it_says_how_to_install_it(box, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert run(box) == 2
    assert "writing Parquet needs pyarrow: pip install 'flueward[tuning]'" in capsys.readouterr().err


def test_what_is_exported_reads_back_bit_for_bit(box):
    from agent.config.load import load_settings
    from agent.replay.files.folder import open_history
    from agent.replay.files.problems import Problems

    assert run(box) == 0
    settings = load_settings(box / "site.toml", environ={})
    found = []
    for folder in (box / "data/history", box / "out"):
        stretches = list(open_history(settings, folder).stretches("b2_east", Problems()))
        found.append(
            [np.concatenate([s.time_s for s in stretches]).tobytes()]
            + [np.concatenate([s.signals[name] for s in stretches]).tobytes() for name in stretches[0].signals]
        )
    assert found[0] == found[1]
