"""Keeps measured signals: rows as they come, a commit a while, closed days as files, and as long as there is room.

`take` and `tell` are for the event loop and only append to a list. Everything else is `turn`: a flush that is due, else
one slice of closing a day or of looking after what is kept. Whoever calls it (a thread, or a test with a clock of its
own) waits between two turns for as long as it says, so that the interpreter is the loop's for nine tenths of the time.
"""

import sqlite3
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from math import inf
from pathlib import Path
from typing import Any, Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.counters import Counters
from agent.store.closing import DayCloser
from agent.store.day_files import sweep
from agent.store.episodes import EpisodeFiles
from agent.store.errors import Trouble
from agent.store.retention import Day, days_kept, next_to_go, remove
from agent.store.rows import blocks_of, date_of
from agent.store.sample_writer import WANTED_BYTES, Keeping, SampleWriter, damage, kind_of
from agent.store.samples import BlockAt, SamplesDatabase

__all__ = ["Recorder"]

_GRACE_S: Final = 300.0  # after midnight, until a day is closed
_KEEP_S: Final = 3600.0  # a written day stays in the database for whoever copies the folder meanwhile
_RETRY_S: Final = 600.0  # after a day could not be written
_AGE_EVERY_S: Final = 3600.0  # one date an hour goes by age: a clock that is wrong for a while costs little
_DAY_S: Final = 86_400.0
_IDLE_S: Final = 1.0
_SHARE: Final = 9.0  # rest for each second of work
_REST_S: Final = 0.05

Row = Sequence[float]


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
        self._writer = SampleWriter(data_dir, self._keeping, clock=clock, counters=counters, log=log)
        self._episodes = EpisodeFiles(data_dir / "episodes", counters=counters, log=log)
        self._checked = False
        self._work: Iterator[None] | None = None
        self._works_on: SamplesDatabase | None = None
        self._look_s = -inf
        self._closing_from_s = -inf
        self._age_s = -inf
        self.file_trouble: str | None = None  # why a day's files are not written

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
        if self._writer.trouble is not None or self.file_trouble is not None:
            return "full"
        return "low" if self._writer.paused else "ok"

    @property
    def database(self) -> SamplesDatabase | None:
        """The open samples database."""
        return self._writer.database

    # For the thread

    def turn(self) -> float:
        """Do what is due, a slice of it. Returns how long to rest. [s]"""
        began_s = time.perf_counter()
        now_s = self._clock.monotonic()
        if now_s - self._since_s >= self._keeping.commit_s:
            self.flush()
            if self._keeping.room(self._dir) < WANTED_BYTES:
                self._look_s = -inf  # the oldest days go now
        elif self._work is not None:
            self._step()
        elif now_s >= self._look_s:
            self._look_s = now_s + self._keeping.look_s
            self._works_on = self._writer.open()
            self._work = self._upkeep(self._works_on)
        if self._work is None:
            return _IDLE_S
        return max(_REST_S, _SHARE * (time.perf_counter() - began_s))

    def flush(self) -> bool:
        """Bring what was taken to the disk. False: it is kept in memory until the disk takes it."""
        self._since_s = inf  # first: what comes meanwhile waits for the next turn, or comes along now
        self._writer.open()
        taken: dict[str, list[Row]] = {}
        for probe, row in _drained(self._rows):
            taken.setdefault(probe, []).append(row)
        rows = {probe: later for probe, found in taken.items() if (later := self._later(probe, found))}
        self._episodes.write(_drained(self._told))
        return self._writer.write(blocks_of(rows, self._columns))

    def close(self) -> None:
        """Write what was taken and close the file."""
        self.flush()
        self._episodes.sync()
        self._work = None
        self._writer.close()

    def _later(self, probe: str, rows: list[Row]) -> list[Row]:
        """Rows later than all before them: what else comes, the pipeline does not take either."""
        last_s, out = max(self._last_s[probe], self._writer.floor_s), []
        for row in rows:
            if row[0] > last_s:
                last_s = row[0]
                out.append(row)
        if len(out) < len(rows):
            self._counters.count("history_out_of_order", probe, len(rows) - len(out))
        self._last_s[probe] = last_s
        return out

    # Days

    def _step(self) -> None:
        assert self._work is not None
        if self._works_on is not self._writer.database:  # it was closed or begun anew meanwhile
            self._work = None
            return
        try:
            next(self._work)
        except StopIteration:
            self._work = None
        except (OSError, sqlite3.Error) as error:
            self._work = None
            self._closing_from_s = self._clock.monotonic() + _RETRY_S
            self._counters.count("history_close_failed", kind_of(error).value)
            if kind_of(error) is Trouble.DAMAGED:
                self._writer.note(error)
            elif self.file_trouble != str(error):
                self.file_trouble = str(error)
                message = "the day stays in the samples database; tried again every ten minutes"
                self._log.error("history_cannot_close", found=str(error), message=message)

    def _upkeep(self, database: SamplesDatabase | None) -> Iterator[None]:
        if database is not None and not self._checked:
            self._checked = True
            sweep(self._dir / "history")
            found = database.sound()
            if found != "ok":
                self._writer.note(damage(found))
                return
            yield
        yield from self._make_room(database)
        if database is None:
            return
        utc_s, written = self._clock.utc(), database.written()
        for day, (_, at_s) in written.items():
            if not 0.0 <= utc_s - at_s < _KEEP_S or self._writer.paused:
                database.forget(day)
                yield
        if self._writer.paused or self._clock.monotonic() < self._closing_from_s:
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
                wanted_free=WANTED_BYTES,
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
