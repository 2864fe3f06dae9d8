"""The samples database: what was measured since the last closed day, a block of lines a commit.

A second file beside the alerts' one, so that neither waits for the other. Written once in `COMMIT_S` and synced: each
commit appends a few pages to the write-ahead log. The log is emptied into the database only when a closed day has left
it, or when it has grown to `LOG_BYTES_MAX`: that spares flash from the second write of what will be deleted anyway, and
a copy of the two files made while the agent runs does not fall between the halves of a checkpoint.
"""

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from agent.store.errors import StoreError, Trouble, trouble_of
from agent.store.opening import Connect, check_permission, connect, rename_damaged
from agent.store.rows import Block, segments_of
from agent.store.schema import Migration, migrate

__all__ = ["NAME", "BlockAt", "SamplesDatabase", "salvage"]

NAME: Final = "samples.db"
LOG_BYTES_MAX: Final = 64 * 1024 * 1024
_PAGE_BYTES: Final = 1024  # a commit is some 8 kB of samples and a few pages beside: small ones, a third less to write
_MIGRATIONS: Final[Sequence[Migration]] = (
    (
        # The blob last: what blocks there are is read without touching what is in them.
        "CREATE TABLE blocks (id INTEGER PRIMARY KEY, day INTEGER NOT NULL, first_ms INTEGER NOT NULL,"
        " last_ms INTEGER NOT NULL, rows INTEGER NOT NULL, data BLOB NOT NULL)",
        # Days whose files were written, with the last block that is in them: those blocks leave a while later.
        "CREATE TABLE written (day INTEGER PRIMARY KEY, upto INTEGER NOT NULL, at_s REAL NOT NULL)",
    ),
)


@dataclass(frozen=True, slots=True)
class BlockAt:
    """A block in the database, without its data."""

    id: int
    day: int
    first_ms: int
    last_ms: int
    rows: int


class SamplesDatabase:
    """The open file. Every method may raise sqlite3.Error: nothing was changed then. One thread at a time.

    Raises
    ------
    StoreError
        Of kind DAMAGED, NEWER or PERMISSION.
    sqlite3.Error
        It cannot be opened or written now.
    """

    def __init__(self, path: Path, *, now_s: float, open_file: Connect = connect) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        check_permission(path)
        self._db = open_file(path)
        try:
            self._db.execute(f"PRAGMA page_size = {_PAGE_BYTES:d}")
            self._db.execute("PRAGMA journal_mode = WAL").fetchone()
            self._db.execute("PRAGMA synchronous = FULL")  # a sync each COMMIT_S: a power cut is a kill, no more
            self._db.execute("PRAGMA wal_autocheckpoint = 0")
            self._db.execute("PRAGMA secure_delete = OFF")  # what leaves is not written once more as zeros
            migrate(self._db, _MIGRATIONS, name=str(path), now_s=now_s)
            self.blocks()  # damage is met now
        except BaseException as error:  # the file handle must not outlive any failure
            self._db.close()
            if isinstance(error, sqlite3.Error) and trouble_of(error) is Trouble.DAMAGED:
                raise StoreError(Trouble.DAMAGED, f"{path}: {error}") from error
            raise

    def append(self, blocks: Iterable[Block]) -> None:
        """Write blocks, durably, in one transaction."""
        with self._transaction():
            self._db.executemany(
                "INSERT INTO blocks (day, first_ms, last_ms, rows, data) VALUES (?, ?, ?, ?, ?)",
                [(b.day, b.first_ms, b.last_ms, b.rows, b.data) for b in blocks],
            )
        with contextlib.suppress(OSError, sqlite3.Error):  # a full log only grows further
            if os.path.getsize(f"{self.path}-wal") > LOG_BYTES_MAX:
                self._checkpoint()

    def blocks(self) -> list[BlockAt]:
        """All blocks, as they came."""
        found = self._db.execute("SELECT id, day, first_ms, last_ms, rows FROM blocks ORDER BY id")
        return [BlockAt(*row) for row in found]

    def data(self, ids: Sequence[int]) -> Iterator[bytes]:
        """The data of blocks."""
        for number in ids:
            row = self._db.execute("SELECT data FROM blocks WHERE id = ?", (number,)).fetchone()
            if row is not None:
                yield row[0]

    def written(self) -> dict[int, tuple[int, float]]:
        """Days whose files were written: the last block in them, and when that was, UTC."""
        return {day: (upto, at_s) for day, upto, at_s in self._db.execute("SELECT day, upto, at_s FROM written")}

    def mark_written(self, day: int, upto: int, at_s: float) -> None:
        """Every block of the day up to this one is in the day's files."""
        with self._transaction():
            self._db.execute("INSERT OR REPLACE INTO written (day, upto, at_s) VALUES (?, ?, ?)", (day, upto, at_s))

    def forget(self, day: int) -> None:
        """Blocks of a written day leave."""
        with self._transaction():
            self._db.execute(
                "DELETE FROM blocks WHERE day = ?1 AND id <= (SELECT upto FROM written WHERE day = ?1)", (day,)
            )
            self._db.execute("DELETE FROM written WHERE day = ?", (day,))
        self._checkpoint()

    def size(self) -> int:
        """Bytes on the disk, the log included."""
        sizes = (Path(f"{self.path}{end}") for end in ("", "-wal"))
        return sum(path.stat().st_size for path in sizes if path.exists())

    def sound(self) -> str:
        """'ok', or what is wrong with the file."""
        found: str = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        return found

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def _checkpoint(self) -> None:
        self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:  # whatever ends it, the transaction must not stay open
            self._db.rollback()
            raise


def salvage(path: Path, *, now_s: float, open_file: Connect = connect) -> tuple[Path, int]:
    """Move a damaged database aside and begin a new one with the blocks that are still whole.

    Returns the damaged file's new name, and how many blocks came over.

    Raises OSError or sqlite3.Error where that cannot be done now.
    """
    whole = list(_whole_blocks(path))
    kept = rename_damaged(path, now_s)
    fresh = SamplesDatabase(path, now_s=now_s, open_file=open_file)
    try:
        fresh.append(whole)
    finally:
        fresh.close()
    return kept, len(whole)


def _whole_blocks(path: Path) -> Iterator[Block]:
    """Blocks that can be read one by one, by their numbers, and whose data is sound."""
    try:
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
            for _, block in blocks_one_by_one(db):
                yield block
    except sqlite3.Error:
        return


def blocks_one_by_one(db: sqlite3.Connection) -> Iterator[tuple[int, Block]]:
    """As many blocks as a damaged file still gives."""
    ends = []
    for way in ("min", "max"):
        try:
            ends.append(db.execute(f"SELECT {way}(id) FROM blocks").fetchone()[0])  # noqa: S608 - our own two words
        except sqlite3.Error:
            return
    if None in ends:
        return
    for number in range(ends[0], min(ends[1], ends[0] + 1_000_000) + 1):
        try:
            row = db.execute("SELECT day, first_ms, last_ms, rows, data FROM blocks WHERE id = ?", (number,)).fetchone()
            if row is not None:
                for _ in segments_of(row[4]):
                    pass
                yield number, Block(*row)
        except (sqlite3.Error, ValueError, TypeError):
            continue
