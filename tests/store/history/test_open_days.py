"""A folder copied from a running box, and the running box itself, are read without touching them."""

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from agent.store.open_days import open_probes, read_open_days
from agent.store.samples import NAME
from tests.store.history.rig import Box, as_rows, on_disk
from tests.store.history.samples import COLUMNS, MIDNIGHT_S

ROOT = Path(__file__).parents[3]


@pytest.fixture
def box(tmp_path):
    box = Box(tmp_path / "box", MIDNIGHT_S - 40_000.0)
    box.run(600.0)
    box.recorder.flush()
    return box


def everything(box):
    return {probe: as_rows(rows, COLUMNS[probe]) for probe, rows in box.fed.items()}


def test_a_running_box_is_read_in_place_while_it_writes(box):
    assert on_disk(box.folder) == everything(box)
    assert open_probes(box.folder) == {"east": 120, "west": 120}
    reading = read_open_days(box.folder)
    next(reading)
    box.run(60.0)
    assert box.recorder.flush()  # a reader in the middle holds up nothing
    reading.close()
    assert on_disk(box.folder / NAME) == everything(box)


def test_times_rise_and_missing_is_nan(box):
    probe, time_s, columns = next(iter(read_open_days(box.folder, ("east",))))
    assert probe == "east"
    assert np.all(np.diff(time_s) > 0)
    assert list(columns) == list(COLUMNS["east"])
    assert np.isnan(columns["cell_temp"]).sum() == sum(row[2] != row[2] for row in box.fed["east"])
    assert all(column.dtype == np.float64 and column.shape == time_s.shape for column in columns.values())


@pytest.mark.parametrize("which", ["nothing", "empty folder", "rubbish"])
def test_where_there_is_nothing_nothing_comes(tmp_path, which):
    if which == "rubbish":
        (tmp_path / NAME).write_bytes(b"no database" * 500)
    path = tmp_path / "none" if which == "nothing" else tmp_path
    assert list(read_open_days(path)) == []
    assert open_probes(path) == {}
    if which == "rubbish":
        assert (tmp_path / NAME).read_bytes() == b"no database" * 500


def test_a_copy_made_at_any_time_is_readable_also_where_nothing_may_be_written(box, tmp_path):
    for i in range(12):
        box.run(20.0)
        copy = tmp_path / f"copy{i}"
        subprocess.run(["cp", "-r", box.folder, copy], check=True)
        there = on_disk(copy)
        fed = everything(box)
        for probe, rows in fed.items():
            assert there[probe].items() <= rows.items()
            assert len(rows) - len(there[probe]) <= 10
    code = f"""
import os
from agent.store.open_days import open_probes
os.getuid() or os.setuid(65534)
print(sum(open_probes(__import__("pathlib").Path({str(copy)!r})).values()))
"""
    for folder in [copy, *copy.parents][:4]:
        os.chmod(folder, 0o755)
    for path in copy.iterdir():
        os.chmod(path, 0o444 if path.is_file() else 0o555)
    os.chmod(copy, 0o555)
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    os.chmod(copy, 0o755)
    assert found.stdout.strip() == str(sum(map(len, there.values()))), found.stderr


def test_a_copy_whose_log_is_of_another_state_gives_what_is_whole(box, tmp_path):
    """The log is copied long after the database, which has been emptied into meanwhile."""
    copy = tmp_path / "copy"
    copy.mkdir()
    shutil.copy(box.folder / NAME, copy / NAME)
    box.recorder.database._checkpoint()
    box.run(600.0)
    box.recorder.flush()
    shutil.copy(box.folder / f"{NAME}-wal", copy / f"{NAME}-wal")
    fed = everything(box)
    for probe, rows in on_disk(copy).items():
        assert rows.items() <= fed[probe].items()


def test_a_database_cut_short_gives_its_beginning(box, tmp_path):
    box.recorder.close()
    whole = (box.folder / NAME).read_bytes()
    sizes = []
    for share in (0.3, 0.6, 0.9):
        copy = tmp_path / f"cut{share}"
        copy.mkdir()
        (copy / NAME).write_bytes(whole[: int(share * len(whole))])
        there = on_disk(copy)
        for probe, rows in there.items():
            assert rows.items() <= everything(box)[probe].items()
        sizes.append(sum(map(len, there.values())))
    assert sizes == sorted(sizes)


def test_a_reader_leaves_a_copy_as_it_was(box, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(box.folder, copy)
    before = {path.name: path.read_bytes() for path in copy.iterdir() if path.is_file() and "-shm" not in path.name}
    list(read_open_days(copy))
    after = {path.name: path.read_bytes() for path in copy.iterdir() if path.is_file() and "-shm" not in path.name}
    assert after == before
    with sqlite3.connect(copy / NAME) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
