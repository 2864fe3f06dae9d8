"""The samples that no day file holds yet, read from a running agent's database or from a copy of its folder.

Read only: nothing is locked, mended or moved. A copy that was taken in the middle of things gives what is whole in it.
"""

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Collection, Iterator
from itertools import groupby
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from agent.store.day_files import Part, day_path, merged, read_day
from agent.store.rows import STAMP, segments_of
from agent.store.samples import NAME, blocks_one_by_one

Floats = NDArray[np.float64]

__all__ = ["open_probes", "read_open_days"]

_ROWS_AT_ONCE = 150_000
_MEMORY = "/dev/shm"  # noqa: S108 - a folder of our own is made in it


def open_probes(path: Path) -> dict[str, int]:
    """Probes that have samples in open days, and about how many rows. `path` as in `read_open_days`."""
    found: dict[str, int] = {}
    with _Open(path) as days:
        for probe, _, lines in days.lines(None):
            found[probe] = found.get(probe, 0) + len(lines)
    return found


def read_open_days(
    path: Path, probes: Collection[str] | None = None
) -> Iterator[tuple[str, Floats, dict[str, Floats]]]:
    """Each probe in turn: its id, times in UTC seconds of shape (n,), strictly rising, and its columns, NaN missing.

    `path` is an agent's data_dir, or the samples database in it. Where there is none, or nothing in it that can be
    read, nothing comes. Days whose file stands beside it are left out, but for samples that came after it was written.
    """
    with _Open(path) as days:
        if probes is not None and len(probes) == 1:
            every, groups = list(probes), 1
        else:
            rows: dict[str, int] = {}
            for probe, _, lines in days.lines(probes):
                rows[probe] = rows.get(probe, 0) + len(lines)
            every = sorted(rows)
            groups = max(1, -(-sum(rows.values()) // _ROWS_AT_ONCE))
        for group in range(min(groups, len(every))):
            parts: dict[str, list[Part]] = {probe: [] for probe in every[group::groups]}
            for probe, columns, lines in days.lines(parts):
                parts[probe].append(Part(columns, lines))
            for probe in list(parts):
                part = days.not_in_files(probe, merged(parts.pop(probe)))
                if part.lines:
                    yield probe, *_arrays(part)


def _arrays(part: Part) -> tuple[Floats, dict[str, Floats]]:
    stamps = np.array([line[: STAMP - 1] for line in part.lines], "datetime64[ms]")
    cells = [[float(cell) if cell else nan for cell in line[STAMP + 1 :].split(",")] for line in part.lines]
    table = np.array(cells, np.float64).reshape(len(part.lines), -1)
    return stamps.astype(np.int64) / 1000.0, {name: table[:, i].copy() for i, name in enumerate(part.columns)}


class _Open:
    """The database, opened in place, or where that cannot be done a copy of it in memory."""

    def __init__(self, path: Path) -> None:
        self._path = path / NAME if path.is_dir() else path
        self._history = self._path.parent / "history"
        self._stack = contextlib.ExitStack()
        self._db: sqlite3.Connection | None = None
        self._written: dict[int, int] = {}

    def __enter__(self) -> "_Open":
        if self._path.exists():
            self._db = self._connected(self._path, "ro") or self._aside()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _connected(self, path: Path, mode: str) -> sqlite3.Connection | None:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=2.0, isolation_level=None)
        self._stack.callback(db.close)
        try:
            db.execute("SELECT max(id) FROM blocks").fetchone()
        except sqlite3.Error:
            return None
        return db

    def _aside(self) -> sqlite3.Connection | None:
        folder = self._stack.enter_context(tempfile.TemporaryDirectory(dir=_MEMORY if os.path.isdir(_MEMORY) else None))
        copy = Path(folder, NAME)
        try:
            for end in ("", "-wal"):
                if Path(f"{self._path}{end}").exists():
                    shutil.copyfile(f"{self._path}{end}", f"{copy}{end}")
        except OSError:
            return None
        # The log may belong to another state of the file: without it there is less, but whole.
        found = self._connected(copy, "rw")
        if found is None:
            Path(f"{copy}-wal").unlink(missing_ok=True)
            found = self._connected(copy, "rw")
        return found

    def lines(self, wanted: Collection[str] | None) -> Iterator[tuple[str, tuple[str, ...], list[str]]]:
        """Probe, columns and lines of every open block, as they came."""
        if self._db is None:
            return
        for number, day, data in self._blocks(self._db):
            try:
                segments = list(segments_of(data, wanted))
            except ValueError:
                continue
            for one in segments:
                if number > self._written.get(day, 0) or not day_path(self._history, one.probe, day).exists():
                    yield one.probe, one.columns, one.lines

    def not_in_files(self, probe: str, part: Part) -> Part:
        """Without the samples that a day's file has: a crash, or now, may be between the file and word of it."""
        lines: list[str] = []
        for date, of in groupby(part.lines, key=lambda line: line[:10]):
            try:
                there = {
                    line[:STAMP] for line in read_day(self._history / f"probe={probe}" / f"date={date}.csv.gz").lines
                }
            except (OSError, ValueError):  # none, or one that nobody can read
                there = set()
            lines += [line for line in of if line[:STAMP] not in there]
        return Part(part.columns, lines)

    def _blocks(self, db: sqlite3.Connection) -> Iterator[tuple[int, int, bytes]]:
        with contextlib.suppress(sqlite3.Error):
            self._written = dict(db.execute("SELECT day, upto FROM written").fetchall())
        try:
            numbers = [row[0] for row in db.execute("SELECT id FROM blocks ORDER BY id")]
            for number in numbers:
                row = db.execute("SELECT day, data FROM blocks WHERE id = ?", (number,)).fetchone()
                if row is not None:  # else it has left meanwhile
                    yield number, *row
        except sqlite3.Error:
            for number, block in blocks_one_by_one(db):
                yield number, block.day, block.data
