"""The tables, and how a database of an older version becomes one of this version.

A migration and the record that it ran commit together: a crash in the middle leaves the old version whole.
"""

import sqlite3
from collections.abc import Callable, Sequence
from typing import Final

from agent.store.errors import StoreError, Trouble

__all__ = ["MIGRATIONS", "Migration", "migrate", "version_of"]

Migration = Sequence[str | Callable[[sqlite3.Connection], None]]
"""Steps in order: SQL, or a function that takes the connection inside the transaction."""

_FIRST: Final[Migration] = (
    # Opaque rows: the state of alerts, detectors, episodes, records. This module knows nothing of what is in them.
    "CREATE TABLE state (kind TEXT NOT NULL, key TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (kind, key))"
    " WITHOUT ROWID",
    # Messages not yet confirmed by the broker. One that was refused keeps its reason and no longer waits.
    "CREATE TABLE outbox (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, topic TEXT NOT NULL, payload TEXT,"
    " retain INTEGER NOT NULL, order_key TEXT NOT NULL, created_s REAL NOT NULL, aside_reason TEXT, aside_s REAL)",
    "CREATE INDEX outbox_topic ON outbox (topic) WHERE kind = 'state'",
    "CREATE INDEX outbox_lane ON outbox (order_key, id) WHERE kind = 'event' AND aside_reason IS NULL",
    "CREATE INDEX outbox_waiting ON outbox (id) WHERE aside_reason IS NULL",
    "CREATE INDEX outbox_aside ON outbox (id) WHERE aside_reason IS NOT NULL",
    # What every retained topic should hold. NULL: emptied, and to be emptied again in a broker that remembers too much.
    "CREATE TABLE retained (topic TEXT PRIMARY KEY, payload TEXT, created_s REAL NOT NULL) WITHOUT ROWID",
)

MIGRATIONS: Final[Sequence[Migration]] = (_FIRST,)
"""The n-th (from 1) makes version n. Released ones are never edited, only followed."""


def version_of(connection: sqlite3.Connection) -> int:
    """The version of a database, 0 for a new one."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def migrate(connection: sqlite3.Connection, migrations: Sequence[Migration], *, name: str, now_s: float) -> int:
    """Bring a database to the newest version, each step with its record in one transaction. Returns the old version.

    Raises
    ------
    StoreError
        The database is of a newer version than this program knows. It is left untouched.
    sqlite3.Error
        A step failed; the database is as the step before left it.
    """
    found = version_of(connection)
    if found > len(migrations):
        raise StoreError(
            Trouble.NEWER,
            f"{name} was written by a newer flueward (schema {found}, this one knows up to {len(migrations)}): "
            "install that version again, or move the file away to start with a new one",
        )
    for version, steps in enumerate(migrations[found:], start=found + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(
                "CREATE TABLE IF NOT EXISTS migrations (version INTEGER PRIMARY KEY, applied_s REAL NOT NULL)"
            )
            for step in steps:
                if isinstance(step, str):
                    connection.execute(step)
                else:
                    step(connection)
            connection.execute("INSERT INTO migrations (version, applied_s) VALUES (?, ?)", (version, now_s))
            connection.execute(f"PRAGMA user_version = {version:d}")  # part of the transaction, as any page of the file
            connection.execute("COMMIT")
        except BaseException:  # whatever ends the step, the transaction must not stay open
            connection.rollback()
            raise
    return found
