"""What must survive: state rows, the outbox and the retained topics, in one SQLite file, one transaction a change.

Every change goes into memory first and from there to the disk in one transaction. When the disk refuses, the change
stays in memory, is used from there and is written with the next one that succeeds: nothing accepted is lost while the
process lives, and `commit` says that it is not durable.
"""

import json
import os
import sqlite3
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.counters import Counters
from agent.store import tables
from agent.store.errors import StoreError, Trouble, trouble_of
from agent.store.lock import FolderLock
from agent.store.messages import OutgoingMessage, encoded
from agent.store.opening import Connect, check_permission, connect, empty_copy, open_on_disk, read_copy, rename_damaged
from agent.store.schema import MIGRATIONS, Migration
from agent.store.unwritten import StoredMessage, Unwritten

__all__ = ["Store", "open_store"]

LOW_BYTES: Final = 64 * 1024 * 1024
"""Free room below which the disk is 'low': a day's history file and the log fit many times over (our choice)."""

MEMORY_EVENTS_MAX: Final = 10_000  # events kept in memory while the disk takes nothing
ASIDE_MAX: Final = 1_000  # refused messages kept for people to look at

_OPEN_ANEW: Final = {Trouble.DAMAGED, Trouble.READ_ONLY, Trouble.IO, Trouble.CANNOT_OPEN}
"""Opening the file once more tells damage from a passing fault, and a handle from a read-only time stays read-only."""

Rows = Mapping[tuple[str, str], dict[str, Any] | None]


def open_store(
    path: Path,
    *,
    log: FilteringBoundLogger,
    counters: Counters,
    clock: Clock,
    limit: int = 100_000,
    memory_limit: int = MEMORY_EVENTS_MAX,
    aside_limit: int = ASIDE_MAX,
    open_file: Connect = connect,
    migrations: Sequence[Migration] = MIGRATIONS,
) -> "Store":
    """Open the store at `path` (the database file; its folder is made), the only process to do so.

    A damaged file is renamed and a new one begun. On a full, locked or read-only disk the store starts on a copy in
    memory and goes to the disk when that is possible again. `limit` bounds the events that wait for the broker.

    Raises
    ------
    DataDirInUse
        Another agent runs on this folder.
    StoreError
        The folder cannot be made or belongs to somebody else, or a newer version wrote the file.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            Trouble.PERMISSION,
            f"data folder {path.parent} cannot be made: {error.strerror}. Make it, for the user that runs the agent",
        ) from error
    lock = FolderLock(path.with_suffix(".lock"))
    try:
        check_permission(path)
        limits = _Limits(limit, memory_limit, aside_limit)
        return Store(path, lock, limits, log=log, counters=counters, clock=clock, files=(open_file, migrations))
    except BaseException:  # the lock must not outlive any failure
        lock.release()
        raise


@dataclass(frozen=True, slots=True)
class _Limits:
    events: int
    memory_events: int
    aside: int


class Store:
    """See `open_store`. Any thread may call; each call is one step, and `commit` blocks for one sync of the disk."""

    def __init__(
        self,
        path: Path,
        lock: FolderLock,
        limits: _Limits,
        *,
        log: FilteringBoundLogger,
        counters: Counters,
        clock: Clock,
        files: tuple[Connect, Sequence[Migration]],
    ) -> None:
        self.path = path
        self.renamed: Path | None = None  # where a damaged file went
        self.trouble: Trouble | None = None  # why the disk takes nothing, None while it does
        self._lock, self._limits = lock, limits
        self._log, self._counters, self._clock = log, counters, clock
        self._open_file, self._migrations = files
        self._mutex = threading.RLock()
        self._unwritten = Unwritten()
        self._on_disk = False
        self._counted = (0, 0)
        self._opened: sqlite3.Connection | None = None  # the file, or in its stead a copy in memory
        try:
            self._opened = self._open()
            self._on_disk = True
        except sqlite3.Error as error:
            self._note(error)
            try:
                self._opened, read = read_copy(path, migrations=self._migrations, now_s=clock.utc())
            except sqlite3.Error as deeper:
                raise StoreError(trouble_of(deeper), f"{path} cannot be brought to this version: {deeper}") from deeper
            if not read and path.exists():
                log.error("store_unreadable", path=str(path), message="started without what it holds")
        newest: int | None = self._connection.execute("SELECT max(id) FROM outbox").fetchone()[0]
        self._next_id = 1 if newest is None else newest + 1

    @property
    def _connection(self) -> sqlite3.Connection:
        assert self._opened is not None
        return self._opened

    def _open(self) -> sqlite3.Connection:
        opts: dict[str, Any] = {"open_file": self._open_file, "migrations": self._migrations}
        try:
            return open_on_disk(self.path, now_s=self._clock.utc(), **opts)
        except StoreError as error:
            if error.kind is not Trouble.DAMAGED:
                raise
            damage = str(error)
        if self._opened is not None:  # found while running: nothing may hold the file while it is renamed
            self._opened.close()
            self._opened = empty_copy(migrations=self._migrations, now_s=self._clock.utc())
        try:
            self.renamed = rename_damaged(self.path, self._clock.utc())
        except OSError as error:
            raise sqlite3.OperationalError(f"{damage}; it cannot be renamed: {error.strerror}") from error
        self._counters.count("store_damaged")
        self._log.error(
            "store_damaged",
            found=damage,
            kept_as=str(self.renamed),
            message="the database was damaged: it is kept under another name and a new one is begun. "
            "Alerts and what the detectors had learnt start anew",
        )
        return open_on_disk(self.path, now_s=self._clock.utc(), **opts)

    # Changes

    def commit(self, *, messages: Sequence[OutgoingMessage] = (), rows: Rows | None = None) -> bool:
        """Write rows (None deletes) and append messages, in one transaction. True: durable, synced to the disk.

        False: the disk refused. Nothing is lost by it: `load` and `pending` give what was accepted, from memory, the
        publisher sends it marked not durable, and the disk gets it with the next write that succeeds.
        """
        payloads = {at: encoded(value) for at, value in ({} if rows is None else rows).items()}
        for message in messages:
            encoded(message.payload)  # what is not JSON is the caller's fault, now and not at every later write
        retained = {m.topic: (encoded(m.payload), m.created_s) for m in messages if m.kind == "state"}
        with self._mutex:
            self._unwritten.rows.update(payloads)
            self._unwritten.retained.update(retained)
            for message in messages:
                self._unwritten.add_message(self._next_id, message)
                self._next_id += 1
            waiting, aside = self._counted  # until it is counted anew: what was just accepted waits
            self._counted = waiting + len(messages), aside
            return self._write()

    def confirm(self, ids: Iterable[int]) -> None:
        """The broker has these: forget them."""
        with self._mutex:
            for number in ids:
                self._unwritten.confirm(number)
            self._write()

    def set_aside(self, number: int, reason: str) -> None:
        """The broker refused this one: keep it with the reason, out of the way."""
        with self._mutex:
            self._unwritten.set_aside(number, reason, self._clock.utc())
            self._counters.count("message_set_aside")
            self._write()

    def bring_back(self) -> int:
        """Let every message that was set aside wait again (a person mended the broker's rules). Returns how many."""
        with self._mutex:
            brought = len(self._refused(self._limits.aside))
            on_disk = {found.id for found in tables.read_aside(self._connection, self._limits.aside)}
            self._unwritten.aside.clear()
            self._unwritten.back |= on_disk - self._unwritten.gone
            self._write()
            return brought

    def flush(self) -> bool:
        """Try again to write what is only in memory. True: nothing is. Call it now and then while `unwritten`."""
        with self._mutex:
            return self._write()

    def _write(self) -> bool:
        if self._on_disk and not self._unwritten:
            return True
        try:
            if not self._on_disk:
                connection = self._open()
                self._connection.close()
                self._opened, self._on_disk = connection, True
            trimmed = tables.write(
                self._connection,
                self._unwritten,
                limit=self._limits.events,
                aside_limit=self._limits.aside,
                now_s=self._clock.utc(),
            )
        except (sqlite3.Error, StoreError) as error:
            self._note(error)
            self._count_dropped(self._unwritten.trim(self._limits.memory_events))
            return False
        self._unwritten = Unwritten()
        self._count_dropped(trimmed.events)
        if trimmed.set_aside:
            self._counters.count("set_aside_dropped", by=trimmed.set_aside)
        if self.trouble is not None:
            self._log.info("store_writes_again", path=str(self.path), after=self.trouble.value)
            self.trouble = None
        return True

    def _note(self, error: sqlite3.Error | StoreError) -> None:
        trouble = error.kind if isinstance(error, StoreError) else trouble_of(error)
        self._counters.count("store_write_failed", trouble.value)
        if trouble is not self.trouble:
            self._log.error(
                "store_cannot_write",
                path=str(self.path),
                kind=trouble.value,
                found=str(error),
                message="kept in memory and sent all the same, marked not durable; written when the disk takes it",
            )
        self.trouble = trouble
        if trouble in _OPEN_ANEW:
            self._on_disk = False

    def _count_dropped(self, events: int) -> None:
        if not events:
            return
        total = self._counters.count("outbox_dropped", by=events)
        if total == events or len(str(total)) > len(str(total - events)):  # the first, then each power of ten
            self._log.error(
                "outbox_full",
                dropped=total,
                limit=self._limits.events,
                message="the broker has been away too long: the oldest transitions that later ones supersede are given "
                "up. The state of every alert is kept",
            )

    # Reading

    @property
    def unwritten(self) -> bool:
        """Something is in memory only."""
        return bool(self._unwritten) or not self._on_disk

    @property
    def disk(self) -> Literal["ok", "low", "full"]:
        """For `status`: 'full' when the disk takes nothing, for whatever reason (`trouble` names it)."""
        if self.trouble is not None:
            return "full"
        try:
            room = os.statvfs(self.path.parent)
        except OSError:
            return "full"
        return "low" if room.f_bavail * room.f_frsize < LOW_BYTES else "ok"

    def load(self, kind: str) -> dict[str, dict[str, Any]]:
        """All rows of a kind, by key."""
        with self._mutex:
            rows = tables.read_rows(self._connection, kind)
            for (of, key), value in self._unwritten.rows.items():
                if of == kind and value is None:
                    rows.pop(key, None)
                elif of == kind and value is not None:
                    rows[key] = json.loads(value)
            return rows

    def pending(self, limit: int, after: int = 0) -> list[StoredMessage]:
        """Messages that wait for the broker, oldest first, with an id above `after`."""
        with self._mutex:
            hidden = self._unwritten
            spare = len(hidden.gone) + len(hidden.aside) + len(hidden.messages)
            found: list[StoredMessage] = []
            try:
                found = hidden.still_waiting(tables.read_waiting(self._connection, after, limit + spare, hidden.back))
            except sqlite3.Error as error:  # a disk that cannot be read must not silence what is in memory
                self._note(error)
            return sorted([*found, *hidden.waiting(after)], key=lambda m: m.id)[:limit]

    def retained(self) -> dict[str, OutgoingMessage]:
        """What each retained topic of ours should hold, emptied ones too (payload None), newest word."""
        with self._mutex:
            try:
                found = {t: (p, s) for t, p, s in self._connection.execute("SELECT * FROM retained ORDER BY topic")}
            except sqlite3.Error as error:  # as in `pending`
                self._note(error)
                found = {}
            found.update(self._unwritten.retained)
            return {
                topic: OutgoingMessage(topic, tables.decoded(payload), True, "state", topic, created_s)
                for topic, (payload, created_s) in found.items()
            }

    def refused(self, limit: int = 100) -> list[tables.SetAside]:
        """Messages set aside, newest first."""
        with self._mutex:
            return self._refused(limit)

    def _refused(self, limit: int) -> list[tables.SetAside]:
        mine = self._unwritten
        left = mine.back | mine.gone | tables.dead_states(self._connection, mine)
        found = {a.id: a for a in tables.read_aside(self._connection, limit + len(left))}
        for number, (reason, at_s) in mine.aside.items():
            message = mine.messages.get(number)
            topic = tables.topic_of(self._connection, number) if message is None else message.topic
            found[number] = tables.SetAside(number, topic, reason, at_s)
        return sorted((a for a in found.values() if a.id not in left), key=lambda a: -a.id)[:limit]

    def counts(self) -> tuple[int, int]:
        """How many messages wait for the broker, and how many it refused. Never waits: the last known while writing."""
        if self._mutex.acquire(blocking=False):
            try:
                self._counted = tables.counts(self._connection, self._unwritten)
            except sqlite3.Error as error:  # as in `pending`
                self._note(error)
                self._counted = len(self._unwritten.messages), len(self._unwritten.aside)
            finally:
                self._mutex.release()
        return self._counted

    def close(self) -> None:
        """Write what can be written, close the file and release the folder."""
        with self._mutex:
            self._write()
            self._connection.close()
            self._lock.release()
