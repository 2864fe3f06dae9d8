"""Open the database file whatever state it is in: new, old, damaged, on a full or a read-only disk."""

import contextlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from agent.store.errors import StoreError, Trouble, trouble_of
from agent.store.schema import Migration, migrate

__all__ = ["Connect", "check_permission", "connect", "empty_copy", "open_on_disk", "read_copy", "rename_damaged"]

Connect = Callable[[Path], sqlite3.Connection]

BUSY_S: Final = 2.0
"""How long a write waits for another process that holds the database: longer than any read of ours, short enough for
the alert to be sent (not durable) rather than to wait."""

_LOG_BYTES_MAX: Final = 4 * 1024 * 1024  # what the write-ahead log may keep on disk after a checkpoint


def connect(path: Path) -> sqlite3.Connection:
    """A connection whose transactions are begun by us alone. Calls may come from any thread, one at a time."""
    return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)


def check_permission(path: Path) -> None:
    """Refuse a folder or a file of somebody else, as an error that a person mends before the agent runs.

    Raises
    ------
    StoreError
        Of kind PERMISSION.
    """
    for place in (path.parent, path, Path(f"{path}-wal"), Path(f"{path}-shm")):
        read_only = os.statvfs(path.parent).f_flag & os.ST_RDONLY  # that may pass; wrong ownership does not
        if place.exists() and not read_only and not os.access(place, os.W_OK):
            raise StoreError(
                Trouble.PERMISSION,
                f"{place} cannot be written by user {os.getuid()}: give it to the user that runs the agent "
                f"(chown -R USER {path.parent})",
            )


def open_on_disk(
    path: Path, *, open_file: Connect, migrations: Sequence[Migration], now_s: float
) -> sqlite3.Connection:
    """Open, check and migrate.

    Raises
    ------
    StoreError
        Of kind DAMAGED when the file is no sound database, NEWER when it is of a later version.
    sqlite3.Error
        It cannot be opened or written now.
    """
    connection = open_file(path)
    try:
        connection.execute("PRAGMA journal_mode = WAL").fetchone()
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {_LOG_BYTES_MAX:d}")
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise StoreError(Trouble.DAMAGED, f"{path}: {found}")
        migrate(connection, migrations, name=str(path), now_s=now_s)
        connection.execute("BEGIN IMMEDIATE")  # a read-only disk is known now and not at the first alert
        connection.execute(f"PRAGMA user_version = {len(migrations):d}")
        connection.execute("ROLLBACK")
        _sync_folder(path.parent)
    except BaseException as error:  # the file handle must not outlive any failure
        connection.close()
        if isinstance(error, sqlite3.Error) and trouble_of(error) is Trouble.DAMAGED:
            raise StoreError(Trouble.DAMAGED, f"{path}: {error}") from error
        raise
    return connection


def _sync_folder(folder: Path) -> None:
    """A new file survives a power cut only once its name is on the disk too."""
    with contextlib.suppress(OSError):  # some file systems cannot; they need not
        number = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def rename_damaged(path: Path, now_s: float) -> Path:
    """Move a damaged database and its log out of the way, whole, for a later look. Returns the new name."""
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(now_s))
    target = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    # The log first: a crash between the two must not leave an old log beside a new database.
    for suffix in ("-wal", "-shm", ""):
        with contextlib.suppress(FileNotFoundError):
            os.replace(f"{path}{suffix}", f"{target}{suffix}")
    return target


def empty_copy(*, migrations: Sequence[Migration], now_s: float) -> sqlite3.Connection:
    """A database in memory with nothing in it."""
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    migrate(copy, migrations, name="memory", now_s=now_s)
    return copy


def read_copy(path: Path, *, migrations: Sequence[Migration], now_s: float) -> tuple[sqlite3.Connection, bool]:
    """A copy in memory of a database that cannot be written now, and whether anything could be read.

    Read in place first: exclusive locking needs no shared-memory file, so it works on a full disk, and mode=ro on a
    read-only one whose files are all there (https://www.sqlite.org/wal.html, sections 2.1 and 5). Else from a copy of
    the files where there is room.
    """
    copy = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    read = path.exists() and (_read_from(path, "rw", copy) or _read_from(path, "ro", copy) or _read_aside(path, copy))
    migrate(copy, migrations, name=str(path), now_s=now_s)
    return copy, read


def _read_from(path: Path, mode: str, copy: sqlite3.Connection) -> bool:
    try:
        uri = f"{path.resolve().as_uri()}?mode={mode}"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None)) as source:
            if mode == "rw":
                source.execute("PRAGMA locking_mode = EXCLUSIVE")
            source.backup(copy)
    except sqlite3.Error:
        return False
    return True


def _read_aside(path: Path, copy: sqlite3.Connection) -> bool:
    memory = "/dev/shm"  # noqa: S108 - a folder of our own is made in it; a full or read-only disk holds /tmp as well
    try:
        with tempfile.TemporaryDirectory(dir=memory if os.path.isdir(memory) else None) as folder:
            for suffix in ("", "-wal"):
                if Path(f"{path}{suffix}").exists():
                    shutil.copyfile(f"{path}{suffix}", f"{folder}/copy{suffix}")
            return _read_from(Path(folder, "copy"), "rw", copy)
    except OSError:
        return False
