"""Keeps measured signals: rows as they come, a commit a while, closed days as files, and as long as there is room.

`take` and `tell` are for the event loop and only append to a list. Everything else is `turn`: a flush that is due, else
one slice of closing a day or of looking after what is kept. Whoever calls it (a thread, or a test with a clock of its
own) waits between two turns for as long as it says, so that the interpreter is the loop's for nine tenths of the time.
"""

import sqlite3
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any, Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.counters import Counters
from agent.store.closing import DayCloser
from agent.store.day_files import sweep
from agent.store.episodes import EpisodeFiles
from agent.store.errors import StoreError, Trouble, trouble_of
from agent.store.opening import Connect, connect
from agent.store.retention import Day, days_kept, free_bytes, next_to_go, remove
from agent.store.rows import Block, blocks_of, date_of
from agent.store.samples import NAME, BlockAt, SamplesDatabase, salvage

__all__ = ["COMMIT_S", "FLOOR_BYTES", "Keeping", "Recorder"]

COMMIT_S: Final = 45.0
"""Between two commits: with the write itself, no sample is a minute old before it is on the disk."""

FLOOR_BYTES: Final = 64 * 1024 * 1024
"""Room that history leaves to the alerts: below it nothing raw is written."""

_WANTED_BYTES: Final = 2 * FLOOR_BYTES  # below it the oldest days go
_RESUME_BYTES: Final = 3 * FLOOR_BYTES // 2
_MEMORY_BYTES: Final = 8 * 1024 * 1024  # of blocks while the disk takes nothing: half a day of 50 probes at 5 s
_GRACE_S: Final = 300.0  # after midnight, until a day is closed
_KEEP_S: Final = 3600.0  # a written day stays in the database for whoever copies the folder meanwhile
_LOOK_S: Final = 60.0  # between two looks for work
_RETRY_S: Final = 600.0  # after a day could not be written
_AGE_EVERY_S: Final = 3600.0  # one date an hour goes by age: a clock that is wrong for a while costs little
_DAY_S: Final = 86_400.0
_IDLE_S: Final = 1.0
_SHARE: Final = 9.0  # rest for each second of work
_REST_S: Final = 0.05
_ANEW: Final = {Trouble.DAMAGED, Trouble.READ_ONLY, Trouble.IO, Trouble.CANNOT_OPEN}

Row = Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """How much is kept, and how. The defaults are for a live agent; tests have their own."""

    raw_days: int = 90
    raw_bytes: int = 4_000_000_000
    commit_s: float = COMMIT_S
    look_s: float = _LOOK_S
    memory_bytes: int = _MEMORY_BYTES
    open_file: Connect = connect
    room: Callable[[Path], int] = free_bytes


class Recorder:
    """See above. `columns` names for each probe what stands after the time in its rows."""

    def __init__(
        self,
        data_dir: Path,
        columns: Mapping[str, tuple[str, ...]],
        *,
        clock: Clock,
        counters: Counters,
        log: FilteringBoundLogger,
        keeping: Keeping | None = None,
    ) -> None:
        self._dir, self._columns = data_dir, dict(columns)
        self._clock, self._counters, self._log = clock, counters, log
        self._keeping = Keeping() if keeping is None else keeping
        # Ends of queues: the loop appends, a turn takes from the left, and neither waits for the other.
        self._rows: deque[tuple[str, Row]] = deque()
        self._told: deque[tuple[str, Mapping[str, Any]]] = deque()
        self._since_s = inf  # of the oldest row that waits, monotonic
        self._last_s = dict.fromkeys(columns, -inf)
        self._blocks: deque[Block] = deque()
        self._episodes = EpisodeFiles(data_dir / "episodes", counters=counters, log=log)
        self._database: SamplesDatabase | None = None
        self._checked = False
        self._work: Iterator[None] | None = None
        self._look_s = -inf
        self._closing_from_s = -inf
        self._age_s = -inf
        self.trouble: Trouble | None = None  # why samples are not written
        self.file_trouble: str | None = None  # why a day's files are not written
        self.paused = False  # too little room

    # For the event loop

    def take(self, probe: str, row: Row) -> None:
        """A sample: its time (UTC seconds), then a value for each column of the probe, NaN missing."""
        self._rows.append((probe, row))
        if self._since_s == inf:
            self._since_s = self._clock.monotonic()

    def tell(self, probe: str, row: Mapping[str, Any]) -> None:
        """Something that happened, JSON-able, with `kind` and `from`."""
        self._told.append((probe, row))

    @property
    def disk(self) -> Literal["ok", "low", "full"]:
        """For `status`: 'full' while the disk refuses samples or files, 'low' while want of room holds them back."""
        if self.trouble is not None or self.file_trouble is not None:
            return "full"
        return "low" if self.paused else "ok"

    # For the thread

    def turn(self) -> float:
        """Do what is due, a slice of it. Returns how long to rest. [s]"""
        began_s = time.perf_counter()
        now_s = self._clock.monotonic()
        if now_s - self._since_s >= self._keeping.commit_s:
            self.flush()
        elif self._work is not None:
            self._step()
        elif now_s >= self._look_s:
            self._look_s = now_s + self._keeping.look_s
            self._work = self._upkeep()
        if self._work is None:
            return _IDLE_S
        return max(_REST_S, _SHARE * (time.perf_counter() - began_s))

    def flush(self) -> bool:
        """Bring what was taken to the disk. False: it is kept in memory until the disk takes it."""
        self._since_s = inf  # first: what comes meanwhile waits for the next turn, or comes along now
        database = self._open()
        taken: dict[str, list[Row]] = {}
        for probe, row in _drained(self._rows):
            taken.setdefault(probe, []).append(row)
        rows = {probe: self._later(probe, found) for probe, found in taken.items()}
        self._blocks.extend(blocks_of({probe: found for probe, found in rows.items() if found}, self._columns))
        self._bound_memory()
        self._episodes.write(_drained(self._told))
        self._mind_the_room()
        if database is None or self.paused:
            return not self._blocks
        if self._blocks:
            try:
                database.append(self._blocks)
            except sqlite3.Error as error:
                self._note(error)
                return False
            self._blocks.clear()
        if self.trouble is not None:
            self._log.info("history_writes_again", after=self.trouble.value)
            self.trouble = None
        return True

    def close(self) -> None:
        """Write what was taken and close the file."""
        self.flush()
        self._episodes.sync()
        self._work = None
        if self._database is not None:
            self._database.close()
            self._database = None

    def _later(self, probe: str, rows: list[Row]) -> list[Row]:
        """Rows later than all before them: what else comes, the pipeline does not take either."""
        last_s, out = self._last_s[probe], []
        for row in rows:
            if row[0] > last_s:
                last_s = row[0]
                out.append(row)
        if len(out) < len(rows):
            self._counters.count("history_out_of_order", probe, len(rows) - len(out))
        self._last_s[probe] = last_s
        return out

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
        if room < _WANTED_BYTES and self._work is None:
            self._look_s = -inf  # the oldest days go now
        if not self.paused and room < FLOOR_BYTES:
            self.paused = True
            self._counters.count("history_paused")
            message = "less room than the alerts need in reserve: samples wait in memory, the oldest days go"
            self._log.error("history_paused", free_megabytes=room // 1_000_000, message=message)
        elif self.paused and room >= _RESUME_BYTES:
            self.paused = False
            self._log.info("history_resumed", free_megabytes=room // 1_000_000)

    # The database

    def _open(self) -> SamplesDatabase | None:
        if self._database is not None:
            return self._database
        path, now_s = self._dir / NAME, self._clock.utc()
        try:
            try:
                self._database = SamplesDatabase(path, now_s=now_s, open_file=self._keeping.open_file)
            except StoreError as error:
                if error.kind is not Trouble.DAMAGED:
                    raise
                self._database = self._mend(path, str(error))
            blocks = self._database.blocks()
        except (sqlite3.Error, StoreError, OSError) as error:
            self._note(error)
            return None
        known_s = [block.last_ms / 1000.0 for block in blocks]
        floor_s = max((at_s for at_s in known_s if at_s <= now_s + _DAY_S), default=-inf)
        self._last_s = {probe: max(last_s, floor_s) for probe, last_s in self._last_s.items()}
        return self._database

    def _mend(self, path: Path, found: str) -> SamplesDatabase:
        if self._database is not None:
            self._database.close()
            self._database = None
        self._work = None
        kept, blocks = salvage(path, now_s=self._clock.utc(), open_file=self._keeping.open_file)
        self._counters.count("history_damaged")
        message = "the samples database was damaged: kept under another name, what could be read of it goes on in a new"
        self._log.error("history_damaged", found=found, kept_as=str(kept), blocks_saved=blocks, message=message)
        return SamplesDatabase(path, now_s=self._clock.utc(), open_file=self._keeping.open_file)

    def _note(self, error: Exception) -> None:
        trouble = _trouble_of(error)
        self._counters.count("history_write_failed", trouble.value)
        if trouble is not self.trouble:
            message = "samples are kept in memory for as long as that goes; polling and alerts go on"
            self._log.error("history_cannot_write", kind=trouble.value, found=str(error), message=message)
        self.trouble = trouble
        if trouble is Trouble.DAMAGED:
            try:
                self._database = self._mend(self._dir / NAME, str(error))
            except (sqlite3.Error, StoreError, OSError):  # at the next flush again
                self._database = None
        elif trouble in _ANEW and self._database is not None:
            self._work = None
            self._database.close()
            self._database = None

    # Days

    def _step(self) -> None:
        assert self._work is not None
        try:
            next(self._work)
        except StopIteration:
            self._work = None
        except (OSError, sqlite3.Error) as error:
            self._work = None
            self._closing_from_s = self._clock.monotonic() + _RETRY_S
            self._counters.count("history_close_failed", _trouble_of(error).value)
            if isinstance(error, sqlite3.Error) and trouble_of(error) is Trouble.DAMAGED:
                self._note(error)
            elif self.file_trouble != str(error):
                self.file_trouble = str(error)
                message = "the day stays in the samples database; tried again every ten minutes"
                self._log.error("history_cannot_close", found=str(error), message=message)

    def _upkeep(self) -> Iterator[None]:
        database = self._open()
        yield
        if database is not None and not self._checked:
            self._checked = True
            sweep(self._dir / "history")
            found = database.sound()
            if found != "ok":
                self._note(_damage(found))
                return
            yield
        yield from self._make_room(database)
        if database is None:
            return
        utc_s, written = self._clock.utc(), database.written()
        for day, (_, at_s) in written.items():
            if not 0.0 <= utc_s - at_s < _KEEP_S or self.paused:
                database.forget(day)
                yield
        if self.paused or self._clock.monotonic() < self._closing_from_s:
            return
        days: dict[int, list[BlockAt]] = {}
        for block in database.blocks():
            if block.id > written.get(block.day, (0, 0.0))[0]:
                days.setdefault(block.day, []).append(block)
        today = int((utc_s - _GRACE_S) // _DAY_S)
        for day, blocks in days.items():
            # A day that is still to come was recorded under a clock that was ahead: it is over as well.
            if not today <= day <= today + 1:
                yield from DayCloser(self._dir, database, counters=self._counters, log=self._log).run(day, blocks)
                self._episodes.sync()
                database.mark_written(day, blocks[-1].id, self._clock.utc())
                self._log.info("history_day_closed", date=date_of(day), samples=sum(b.rows for b in blocks))
                yield
        self.file_trouble = None

    def _make_room(self, database: SamplesDatabase | None) -> Iterator[None]:
        """The oldest days go: by size and for room as many as it takes, by age one date an hour."""
        now_s, utc_s = self._clock.monotonic(), self._clock.utc()
        days = days_kept(self._dir / "history")
        yield
        while days:
            room = self._keeping.room(self._dir)
            why = next_to_go(
                days,
                oldest=date_of(int(utc_s // _DAY_S) - self._keeping.raw_days),
                most_bytes=self._keeping.raw_bytes,
                held_bytes=0 if database is None else database.size(),
                free=room,
                wanted_free=_WANTED_BYTES,
            )
            if why is None or (why == "age" and now_s < self._age_s):
                return
            if why == "age":
                self._age_s = now_s + _AGE_EVERY_S
            self._remove(days.pop(0), why)
            yield

    def _remove(self, day: Day, why: str) -> None:
        remove(day)
        self._counters.count("history_removed", why)
        self._log.info("history_removed", date=day.date, why=why, files=len(day.files), bytes=day.bytes)


def _drained(queue: deque[Any]) -> Iterator[Any]:
    while queue:
        yield queue.popleft()


def _trouble_of(error: Exception) -> Trouble:
    if isinstance(error, StoreError):
        return error.kind
    if isinstance(error, sqlite3.Error):
        return trouble_of(error)
    number = getattr(error, "errno", None)
    return {28: Trouble.FULL, 122: Trouble.FULL, 30: Trouble.READ_ONLY, 13: Trouble.READ_ONLY}.get(
        number or 0, Trouble.IO
    )


def _damage(found: str) -> StoreError:
    return StoreError(Trouble.DAMAGED, found)
