"""What can go wrong with the data folder, from a closed set, each with a sentence for people."""

import sqlite3
from enum import StrEnum

__all__ = ["DataDirInUse", "StoreError", "Trouble", "trouble_of"]


class Trouble(StrEnum):
    """Why the store cannot be written, or not be opened."""

    FULL = "full"  # no room on the disk
    READ_ONLY = "read_only"
    LOCKED = "locked"  # another process holds the database
    IO = "io"  # the disk answers with an error
    DAMAGED = "damaged"
    CANNOT_OPEN = "cannot_open"
    PERMISSION = "permission"
    IN_USE = "in_use"  # another agent runs on this folder
    NEWER = "newer"  # written by a newer version of this program
    OTHER = "other"


class StoreError(Exception):
    """The store cannot be opened. `kind` says why, the message what to do about it."""

    def __init__(self, kind: Trouble, message: str) -> None:
        super().__init__(message)
        self.kind = kind


class DataDirInUse(StoreError):  # noqa: N818 - named for what it is, a kind of StoreError
    """Another agent holds this data folder; `pid` is its process, where it could be read."""

    def __init__(self, message: str, pid: int | None) -> None:
        super().__init__(Trouble.IN_USE, message)
        self.pid = pid


# Primary result codes, https://www.sqlite.org/rescode.html
_BY_CODE = {
    sqlite3.SQLITE_PERM: Trouble.READ_ONLY,
    sqlite3.SQLITE_BUSY: Trouble.LOCKED,
    sqlite3.SQLITE_LOCKED: Trouble.LOCKED,
    sqlite3.SQLITE_READONLY: Trouble.READ_ONLY,
    sqlite3.SQLITE_IOERR: Trouble.IO,
    sqlite3.SQLITE_CORRUPT: Trouble.DAMAGED,
    sqlite3.SQLITE_FULL: Trouble.FULL,
    sqlite3.SQLITE_CANTOPEN: Trouble.CANNOT_OPEN,
    sqlite3.SQLITE_NOTADB: Trouble.DAMAGED,
}


def trouble_of(error: sqlite3.Error) -> Trouble:
    """The kind of an error of SQLite. The low byte is the primary code, the rest says more than we need."""
    code: int = getattr(error, "sqlite_errorcode", 0)
    return _BY_CODE.get(code & 0xFF, Trouble.OTHER)
