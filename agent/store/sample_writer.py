"""Blocks of samples on their way to the database: in memory while the disk takes nothing, or should not.

What goes wrong with the disk is met here, counted, and said once at each change. A damaged database is renamed, and
what can still be read of it goes on in a new one.
"""

import errno
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Final

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.counters import Counters
from agent.store.errors import StoreError, Trouble, trouble_of
from agent.store.opening import Connect, connect
from agent.store.retention import free_bytes
from agent.store.rows import Block
from agent.store.samples import NAME, SamplesDatabase, salvage

__all__ = ["COMMIT_S", "FLOOR_BYTES", "WANTED_BYTES", "Keeping", "SampleWriter", "damage", "kind_of"]

COMMIT_S: Final = 45.0
"""Between two commits: with the write itself, no sample is a minute old before it is on the disk."""

FLOOR_BYTES: Final = 64 * 1024 * 1024
"""Room that history leaves to the alerts: below it nothing raw is written."""

WANTED_BYTES: Final = 2 * FLOOR_BYTES
"""Room below which the oldest days go."""

_RESUME_BYTES: Final = 3 * FLOOR_BYTES // 2
_MEMORY_BYTES: Final = 8 * 1024 * 1024  # of blocks while the disk takes nothing: half a day of 50 probes at 5 s
_LOOK_S: Final = 60.0
_DAY_S: Final = 86_400.0
_ANEW: Final = {Trouble.READ_ONLY, Trouble.IO, Trouble.CANNOT_OPEN}
_BY_NUMBER: Final = {
    errno.ENOSPC: Trouble.FULL,
    errno.EDQUOT: Trouble.FULL,
    errno.EROFS: Trouble.READ_ONLY,
    errno.EACCES: Trouble.READ_ONLY,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """How much is kept, and how. The defaults are for a live agent; tests have their own."""

    raw_days: int = 90
    raw_bytes: int = 4_000_000_000
    commit_s: float = COMMIT_S
    look_s: float = _LOOK_S  # between two looks for days to close and to remove
    memory_bytes: int = _MEMORY_BYTES
    open_file: Connect = connect
    room: Callable[[Path], int] = free_bytes


class SampleWriter:
    """One thread at a time.

    Attributes
    ----------
    database : SamplesDatabase or None
        The open file, None before `open` and while it cannot be opened.
    floor_s : float
        The last sample that an earlier life has written, UTC seconds; one from days ahead does not count.
    trouble : Trouble or None
        Why samples are not written.
    paused : bool
        Too little room: they wait.
    """

    def __init__(
        self, folder: Path, keeping: Keeping, *, clock: Clock, counters: Counters, log: FilteringBoundLogger
    ) -> None:
        self._dir, self._keeping = folder, keeping
        self._clock, self._counters, self._log = clock, counters, log
        self._blocks: deque[Block] = deque()
        self.database: SamplesDatabase | None = None
        self.floor_s = -inf
        self.trouble: Trouble | None = None
        self.paused = False

    def write(self, blocks: Iterable[Block]) -> bool:
        """Take blocks, and bring all that wait to the disk. False: some wait in memory until the disk takes them."""
        self._blocks.extend(blocks)
        self._bound_memory()
        self._mind_the_room()
        database = self.open()
        if database is None or self.paused:
            return not self._blocks
        if self._blocks:
            try:
                database.append(self._blocks)
            except sqlite3.Error as error:
                self.note(error)
                return False
            self._blocks.clear()
        if self.trouble is not None:
            self._log.info("history_writes_again", after=self.trouble.value)
            self.trouble = None
        return True

    def open(self) -> SamplesDatabase | None:
        """The database, opened where it is not yet; None where it cannot be now."""
        if self.database is not None:
            return self.database
        path, now_s = self._dir / NAME, self._clock.utc()
        try:
            try:
                self.database = SamplesDatabase(path, now_s=now_s, open_file=self._keeping.open_file)
            except StoreError as error:
                if error.kind is not Trouble.DAMAGED:
                    raise
                self.database = self._mend(path, str(error))
            blocks = self.database.blocks()
        except (sqlite3.Error, StoreError, OSError) as error:
            self.note(error)
            return None
        known_s = [block.last_ms / 1000.0 for block in blocks]
        self.floor_s = max((at_s for at_s in known_s if at_s <= now_s + _DAY_S), default=-inf)
        return self.database

    def note(self, error: Exception) -> None:
        """Something went wrong with the database."""
        trouble = kind_of(error)
        self._counters.count("history_write_failed", trouble.value)
        if trouble is not self.trouble:
            message = "samples are kept in memory for as long as that goes; polling and alerts go on"
            self._log.error("history_cannot_write", kind=trouble.value, found=str(error), message=message)
        self.trouble = trouble
        if trouble is Trouble.DAMAGED:
            try:
                self.database = self._mend(self._dir / NAME, str(error))
            except (sqlite3.Error, StoreError, OSError):  # at the next write again
                self.database = None
        elif trouble in _ANEW:
            self.close()

    def close(self) -> None:
        """Close the file; the next write opens it again."""
        if self.database is not None:
            self.database.close()
            self.database = None

    def _mend(self, path: Path, found: str) -> SamplesDatabase:
        self.close()
        kept, blocks = salvage(path, now_s=self._clock.utc(), open_file=self._keeping.open_file)
        self._counters.count("history_damaged")
        message = "the samples database was damaged: kept under another name, what could be read of it goes on in a new"
        self._log.error("history_damaged", found=found, kept_as=str(kept), blocks_saved=blocks, message=message)
        return SamplesDatabase(path, now_s=self._clock.utc(), open_file=self._keeping.open_file)

    def _bound_memory(self) -> None:
        size = sum(len(block.data) for block in self._blocks)
        while size > self._keeping.memory_bytes:
            block = self._blocks.popleft()
            size -= len(block.data)
            total = self._counters.count("history_rows_lost", by=block.rows)
            if total == block.rows or len(str(total)) > len(str(total - block.rows)):  # then each power of ten
                self._log.error("history_rows_lost", rows=total, message="the disk has taken nothing for too long")

    def _mind_the_room(self) -> None:
        room = self._keeping.room(self._dir)
        if not self.paused and room < FLOOR_BYTES:
            self.paused = True
            self._counters.count("history_paused")
            message = "less room than the alerts need in reserve: samples wait in memory, the oldest days go"
            self._log.error("history_paused", free_megabytes=room // 1_000_000, message=message)
        elif self.paused and room >= _RESUME_BYTES:
            self.paused = False
            self._log.info("history_resumed", free_megabytes=room // 1_000_000)


def kind_of(error: Exception) -> Trouble:
    """What a failure of the disk is, from the closed set."""
    if isinstance(error, StoreError):
        return error.kind
    if isinstance(error, sqlite3.Error):
        return trouble_of(error)
    return _BY_NUMBER.get(getattr(error, "errno", None) or 0, Trouble.IO)


def damage(found: str) -> StoreError:
    """A file that a check of it found damaged."""
    return StoreError(Trouble.DAMAGED, found)
