"""The folder of a box: closed days from files, the open one from its database, each row once."""

import gzip
import json
import shutil

import numpy as np
import pyarrow.parquet as pq
import pytest

from agent.cli import main
from agent.replay.files.folder import open_history
from agent.replay.files.problems import Problems
from agent.rfc3339 import to_text
from agent.store.rows import blocks_of
from agent.store.samples import NAME, SamplesDatabase

T0 = 1_769_817_600.0  # 2026-01-31T00:00Z
NAMES = ("o2", "cell_temp", "heater_on", "load")
COLUMNS = {"b2_east": NAMES, "b2_west": NAMES}


def rows(start_s, n=100):
    return [(start_s + i * 5.0, 4 + i % 7 / 100, 700.0 + i % 3, float(i % 2), float("nan")) for i in range(n)]


@pytest.fixture
def box(site):
    """A closed day of b2_east as a file, and an open one of both probes in the database, which is in use."""
    data = site.settings.data_dir
    folder = data / "history/probe=b2_east"
    folder.mkdir(parents=True)
    text = "".join(f"{to_text(row[0])},{row[1]!r},{row[2]:.0f},{row[3]:.0f},\n" for row in rows(T0))
    (folder / "date=2026-01-31.csv.gz").write_bytes(gzip.compress(f"time,{','.join(NAMES)}\n{text}".encode()))
    database = SamplesDatabase(data / NAME, now_s=T0)
    database.append(blocks_of({probe: rows(T0 + 86400) for probe in COLUMNS}, COLUMNS))
    site.database = database
    yield site
    database.close()


def read(site, folder, probe):
    problems = Problems()
    history = open_history(site.settings, folder)
    stretches = list(history.stretches(probe, problems))
    assert problems.lines() == []
    assert all(list(stretch.signals) == list(NAMES) for stretch in stretches)
    times = np.concatenate([stretch.time_s for stretch in stretches])
    low, high = history.span(probe)
    assert low <= times[0] <= times[-1] <= high
    return [
        (time, *(column[i] for column in stretch.signals.values()))
        for stretch in stretches
        for i, time in enumerate(stretch.time_s)
    ]


@pytest.mark.parametrize("copied", [False, True])
@pytest.mark.parametrize("named", ["", "history"])
def test_a_box_in_use_and_a_copy_of_it_give_closed_and_open_days(box, tmp_path, copied, named):
    data = box.settings.data_dir
    if copied:
        data = shutil.copytree(data, tmp_path / "copy")
    np.testing.assert_array_equal(read(box, data / named, "b2_east"), rows(T0) + rows(T0 + 86400))
    np.testing.assert_array_equal(read(box, data / named, "b2_west"), rows(T0 + 86400))


def test_a_box_of_its_first_day_has_no_folder_of_history_yet(box):
    shutil.rmtree(box.settings.data_dir / "history")
    np.testing.assert_array_equal(read(box, box.settings.data_dir / "history", "b2_west"), rows(T0 + 86400))


def test_a_day_that_closes_while_it_is_looked_at_is_not_lost(box):
    data = box.settings.data_dir
    history = open_history(box.settings, data / "history")
    assert history.rows("b2_east") > 50  # its files were looked at
    closed = data / "history/probe=b2_east/date=2026-02-01.csv.gz"
    text = "".join(f"{to_text(row[0])},{row[1]!r},{row[2]:.0f},{row[3]:.0f},\n" for row in rows(T0 + 86400))
    closed.write_bytes(gzip.compress(f"time,{','.join(NAMES)}\n{text}".encode()))
    (last,) = box.database.blocks()
    box.database.mark_written(last.day, last.id, T0 + 2 * 86400)
    found = [time for stretch in history.stretches("b2_east", Problems()) for time in stretch.time_s.tolist()]
    assert found == [row[0] for row in rows(T0) + rows(T0 + 86400)]


def test_export_has_the_open_day_and_writes_it_again_when_it_has_grown(box, capsys):
    config, out = str(box.path / "site.toml"), box.path / "out"
    assert main(["export", config, "--to", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["probes"]
    assert told["b2_east"]["written"] == ["2026-01-31", "2026-02-01"]
    assert told["b2_west"]["written"] == ["2026-02-01"]
    box.database.append(blocks_of({"b2_west": rows(T0 + 90000)}, COLUMNS))
    assert main(["export", config, "--to", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["probes"]
    assert told["b2_east"]["written"] == []
    assert told["b2_east"]["unchanged"] == 2
    assert told["b2_west"]["written"] == ["2026-02-01"]
    assert pq.read_metadata(out / "probe=b2_west/date=2026-02-01.parquet").num_rows == 200


def test_late_rows_of_a_closed_day_join_it_in_the_export(box):
    late = rows(T0 + 3, 10)
    box.database.append(blocks_of({"b2_east": late}, COLUMNS))
    out = box.path / "out"
    assert main(["export", str(box.path / "site.toml"), "--to", str(out)]) == 0
    times = pq.read_table(out / "probe=b2_east/date=2026-01-31.parquet").column("time").cast("int64").to_pylist()
    assert times == sorted([int(row[0] * 1000) for row in rows(T0) + late])
