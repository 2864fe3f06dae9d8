"""A day leaves the samples database for files of its own: in slices, so that whoever polls beside it waits for none.

Each probe's day is written whole before the database is told; a crash in between writes it again, or finds that
the file has it all.
"""

import os
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Final

from structlog.typing import FilteringBoundLogger

from agent.counters import Counters
from agent.store.append_file import free_name
from agent.store.day_files import Part, day_path, merged, read_day, write_day
from agent.store.hourly import append_hours, hours_of
from agent.store.rows import Segment, date_of, segments_of
from agent.store.samples import BlockAt, SamplesDatabase

__all__ = ["DayCloser"]

_ROWS_AT_ONCE: Final = 150_000  # lines held in memory: some 20 MB
_BLOCKS_A_SLICE: Final = 4  # some 5 ms


class DayCloser:
    """Writes the files of one day under `data_dir/history`, and its hours under `data_dir/hourly`."""

    def __init__(
        self, data_dir: Path, database: SamplesDatabase, *, counters: Counters, log: FilteringBoundLogger
    ) -> None:
        self._history, self._hourly = data_dir / "history", data_dir / "hourly"
        self._database, self._counters, self._log = database, counters, log

    def run(self, day: int, blocks: Sequence[BlockAt]) -> Iterator[None]:
        """Write what `blocks`, all of one day, hold, a slice at each step. Nothing leaves the database here.

        Raises
        ------
        OSError, sqlite3.Error
            It cannot be done now. What was done stays, and doing it again is harmless.
        """
        probes: dict[str, None] = {}
        damaged: set[int] = set()
        for segments in self._slices(blocks, damaged):
            probes.update(dict.fromkeys(segment.probe for segment in segments))
            yield
        if damaged:
            self._counters.count("history_block_damaged", by=len(damaged))
            self._log.error("history_block_damaged", date=date_of(day), blocks=len(damaged), message="they are lost")
        groups = max(1, -(-sum(block.rows for block in blocks) // _ROWS_AT_ONCE))
        every = sorted(probes)
        for group in range(min(groups, len(every))):
            parts: dict[str, list[Part]] = {probe: [] for probe in every[group::groups]}
            for segments in self._slices(blocks, damaged, parts):
                for one in segments:
                    _add(parts[one.probe], one)
                yield
            for probe in list(parts):
                yield from self._probe(day, probe, parts.pop(probe))

    def _slices(
        self, blocks: Sequence[BlockAt], damaged: set[int], wanted: Collection[str] | None = None
    ) -> Iterator[list[Segment]]:
        for first in range(0, len(blocks), _BLOCKS_A_SLICE):
            found: list[Segment] = []
            for block in blocks[first : first + _BLOCKS_A_SLICE]:
                for data in self._database.data([block.id]):
                    try:
                        found += segments_of(data, wanted)
                    except ValueError:
                        damaged.add(block.id)
            yield found

    def _probe(self, day: int, probe: str, parts: list[Part]) -> Iterator[None]:
        path = day_path(self._history, probe, day)
        there = self._there(path)
        part = merged(parts if there is None else [there, *parts])
        yield
        if there != part:
            if there is not None and there.lines:
                self._counters.count("history_late", probe, by=max(0, len(part.lines) - len(there.lines)))
            yield from write_day(path, part)
        lines: list[str] = []
        for line in hours_of(part):
            lines.append(line)
            yield
        append_hours(self._hourly, probe, part.columns, lines)
        yield

    def _there(self, path: Path) -> Part | None:
        """What the file holds already, by a crash before the database was told, or by samples that came late."""
        try:
            return read_day(path)
        except FileNotFoundError:
            return None
        except ValueError as error:
            aside = free_name(path, "damaged")
            os.replace(path, aside)
            self._counters.count("history_file_damaged")
            self._log.error("history_file_damaged", found=str(error), kept_as=str(aside))
            return None


def _add(parts: list[Part], one: Segment) -> None:
    if parts and parts[-1].columns == one.columns:
        parts[-1].lines.extend(one.lines)
    else:
        parts.append(Part(one.columns, one.lines))
