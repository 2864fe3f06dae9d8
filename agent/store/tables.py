"""The SQL of the store: write a batch of changes in one transaction, read what waits."""

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from agent.store.messages import OutgoingMessage, encoded
from agent.store.unwritten import StoredMessage, Unwritten

__all__ = ["SetAside", "Trimmed", "read_waiting", "write"]

TOMBSTONE_S = 7 * 86_400.0
"""How long an emptied topic is remembered. A broker that lost power may come back with a snapshot half an hour old
(30 min is a usual autosave period, common practice), a restored one with a copy of days ago."""

_FIRST_FOLLOWED = (
    "SELECT min(o.id) FROM outbox o WHERE o.kind = 'event' AND o.aside_reason IS NULL AND EXISTS"
    " (SELECT 1 FROM outbox n WHERE n.order_key = o.order_key AND n.id > o.id AND n.kind = 'event'"
    " AND n.aside_reason IS NULL)"
)
_FIRST_OF_ALL = "SELECT min(id) FROM outbox WHERE kind = 'event' AND aside_reason IS NULL"


@dataclass(frozen=True, slots=True)
class SetAside:
    """A message that the broker refused."""

    id: int
    topic: str
    reason: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Trimmed:
    """What a bounded outbox gave up."""

    events: int = 0
    set_aside: int = 0


def write(connection: sqlite3.Connection, changes: Unwritten, *, limit: int, aside_limit: int, now_s: float) -> Trimmed:
    """Write all changes, or none.

    Durable on return when `changes.must_sync`: synchronous=FULL syncs the log on commit. A batch of confirmations is
    not synced (NORMAL): the next full commit syncs it along, and a lost one only sends a message twice.

    Raises
    ------
    sqlite3.Error
        Nothing was written.
    """
    connection.execute("PRAGMA synchronous = FULL" if changes.must_sync else "PRAGMA synchronous = NORMAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        _write_rows(connection, changes, now_s)
        _write_messages(connection, changes)
        trimmed = _trim(connection, changes, limit, aside_limit)
        connection.execute("COMMIT")
    except BaseException:  # whatever ends it, the transaction must not stay open
        connection.rollback()
        raise
    return trimmed


def _write_rows(connection: sqlite3.Connection, changes: Unwritten, now_s: float) -> None:
    for (kind, key), value in changes.rows.items():
        if value is None:
            connection.execute("DELETE FROM state WHERE kind = ? AND key = ?", (kind, key))
        else:
            connection.execute("INSERT OR REPLACE INTO state (kind, key, value) VALUES (?, ?, ?)", (kind, key, value))
    for topic, (payload, created_s) in changes.retained.items():
        connection.execute(
            "INSERT OR REPLACE INTO retained (topic, payload, created_s) VALUES (?, ?, ?)", (topic, payload, created_s)
        )
    if changes.retained:
        connection.execute("DELETE FROM retained WHERE payload IS NULL AND created_s < ?", (now_s - TOMBSTONE_S,))


def _write_messages(connection: sqlite3.Connection, changes: Unwritten) -> None:
    for topic, number in changes.states.items():
        connection.execute("DELETE FROM outbox WHERE kind = 'state' AND topic = ? AND id < ?", (topic, number))
    for number, m in changes.messages.items():
        connection.execute(
            "INSERT INTO outbox (id, kind, topic, payload, retain, order_key, created_s) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (number, m.kind, m.topic, encoded(m.payload), int(m.retain), m.order_key, m.created_s),
        )
    connection.executemany("DELETE FROM outbox WHERE id = ?", [(number,) for number in sorted(changes.gone)])
    connection.executemany(
        "UPDATE outbox SET aside_reason = ?, aside_s = ? WHERE id = ?",
        [(reason, at_s, number) for number, (reason, at_s) in changes.aside.items()],
    )
    connection.executemany(
        "UPDATE outbox SET aside_reason = NULL, aside_s = NULL WHERE id = ?",
        [(number,) for number in sorted(changes.back)],
    )


def _trim(connection: sqlite3.Connection, changes: Unwritten, limit: int, aside_limit: int) -> Trimmed:
    # Counting a long outbox takes a while, so only what has grown is counted.
    more_wait, more_aside = bool(changes.messages or changes.back), bool(changes.aside)
    over = _count(connection, "kind = 'event' AND aside_reason IS NULL") - limit if more_wait else 0
    for _ in range(over):
        (victim,) = connection.execute(_FIRST_FOLLOWED).fetchone()
        if victim is None:
            (victim,) = connection.execute(_FIRST_OF_ALL).fetchone()
        connection.execute("DELETE FROM outbox WHERE id = ?", (victim,))
    aside_over = _count(connection, "aside_reason IS NOT NULL") - aside_limit if more_aside else 0
    if aside_over > 0:
        connection.execute(
            "DELETE FROM outbox WHERE id IN (SELECT id FROM outbox WHERE aside_reason IS NOT NULL ORDER BY id LIMIT ?)",
            (aside_over,),
        )
    return Trimmed(max(0, over), max(0, aside_over))


def _count(connection: sqlite3.Connection, where: str) -> int:
    number: int = connection.execute(f"SELECT count(*) FROM outbox WHERE {where}").fetchone()[0]  # noqa: S608 - ours
    return number


def dead_states(connection: sqlite3.Connection, changes: Unwritten) -> set[int]:
    """Ids of states on the disk that a newer one replaces once `changes` are written."""
    sql = "SELECT id FROM outbox WHERE kind = 'state' AND topic = ? AND id < ?"
    return {number for newest in changes.states.items() for (number,) in connection.execute(sql, newest)}


def counts(connection: sqlite3.Connection, changes: Unwritten) -> tuple[int, int]:
    """How many messages wait and how many are set aside, once `changes` are written."""
    number = [_count(connection, "aside_reason IS NULL"), _count(connection, "aside_reason IS NOT NULL")]
    leave = changes.gone | dead_states(connection, changes)
    touched = json.dumps(sorted(leave | changes.aside.keys() | changes.back))
    sql = "SELECT id, aside_reason IS NOT NULL FROM outbox WHERE id IN (SELECT value FROM json_each(?))"
    for found, is_aside in connection.execute(sql, (touched,)).fetchall():
        number[is_aside] -= 1
        if found not in leave:
            number[found in changes.aside or (is_aside and found not in changes.back)] += 1
    for found in changes.messages:
        number[found in changes.aside] += 1
    return number[0], number[1]


def read_waiting(connection: sqlite3.Connection, after: int, limit: int, back: Iterable[int]) -> list[StoredMessage]:
    """Messages on the disk that wait, oldest first, with an id above `after`; `back` wait again, whatever it says."""
    rows = connection.execute(
        "SELECT id, topic, payload, retain, kind, order_key, created_s FROM outbox"
        " WHERE (aside_reason IS NULL OR id IN (SELECT value FROM json_each(?))) AND id > ? ORDER BY id LIMIT ?",
        (json.dumps(sorted(back)), after, limit),
    )
    return [
        StoredMessage(
            number, OutgoingMessage(topic, decoded(payload), bool(retain), kind, key, created_s), durable=True
        )
        for number, topic, payload, retain, kind, key, created_s in rows
    ]


def read_aside(connection: sqlite3.Connection, limit: int) -> list[SetAside]:
    """Refused messages on the disk, newest first."""
    rows = connection.execute(
        "SELECT id, topic, aside_reason, aside_s FROM outbox WHERE aside_reason IS NOT NULL ORDER BY id DESC LIMIT ?",
        (limit,),
    )
    return [SetAside(*row) for row in rows]


def topic_of(connection: sqlite3.Connection, number: int) -> str:
    """The topic of a message on the disk, empty where it is not there."""
    row = connection.execute("SELECT topic FROM outbox WHERE id = ?", (number,)).fetchone()
    return "" if row is None else str(row[0])


def decoded(payload: str | None) -> dict[str, Any] | None:
    """JSON text back to a payload."""
    found: dict[str, Any] | None = None if payload is None else json.loads(payload)
    return found


def read_rows(connection: sqlite3.Connection, kind: str) -> dict[str, dict[str, Any]]:
    """State rows of a kind, by key."""
    found = connection.execute("SELECT key, value FROM state WHERE kind = ? ORDER BY key", (kind,))
    return {key: json.loads(value) for key, value in found}
