"""A CSV file, plain or packed: read in blocks, the quickest way that its lines allow."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from pathlib import Path
from tempfile import TemporaryFile
from typing import Final

import numpy as np

from agent.replay.files.arrow_columns import NO_ZONE
from agent.replay.files.columns import Wanted
from agent.replay.files.csv_arrow import arrow_rows_of
from agent.replay.files.csv_head import Format, Head, read_head
from agent.replay.files.csv_rows import Rows, flag_columns, rows_of
from agent.replay.files.problems import Problems
from agent.replay.files.raw_bytes import CutShortError, DamagedError, blocks, head_of, packing_of, tail_of
from agent.replay.files.source import UnreadableError
from agent.replay.files.tidy import in_order
from agent.replay.files.times import from_zone, possible
from agent.replay.files.values import value_of
from detectors.stretch import Floats, Stretch

__all__ = ["CsvFile", "csv_source"]

_BLOCK: Final = 8 << 20  # bytes of text that are parsed at once
_ROWS: Final = 1_000_000  # rows that are sorted together
_ZONES_S: Final = 15 * 3600  # a wall clock is at most so far from UTC


def csv_source(path: Path, name: str, wanted: Wanted, form: Format, text: bytes | None = None) -> "CsvFile":
    """A file by its first lines, `text` where they were read already.

    Raises
    ------
    UnreadableError
        It is no CSV, has nothing of this probe, or its times cannot be understood.
    """
    head = read_head(head_of(path) if text is None else text, wanted, form)
    rows = int(path.stat().st_size * packing_of(path) / head.row_bytes)
    early, late = _ends(path, head)
    spread = 0.0 if form.zone is None or head.epoch else _ZONES_S
    return CsvFile(path, name, head, form, early - spread, late + spread, rows)


def _ends(path: Path, head: Head) -> tuple[float, float]:
    """The earliest and the latest time, where the file goes one way; else all time."""
    first = np.array(head.times)
    if first.size < 2 or (first[1:] >= first[:-1]).all():
        return (float(first[0]) if first.size else -inf), inf
    lines = tail_of(path).split(b"\n")
    last = np.array(_tail_times(head, lines[-1000:]))
    if last.size and last.max() <= first.min():
        return float(last.min()), float(first.max())
    return -inf, inf


def _tail_times(head: Head, lines: list[bytes]) -> list[float]:
    rows = rows_of(b"\n".join(lines), head, flag_columns(head), "", Problems(), 1)
    return [time for time in rows[0].tolist() if time == time]


@dataclass(frozen=True, slots=True)
class CsvFile:
    """See `Source`."""

    path: Path
    name: str
    head: Head
    form: Format
    first_s: float
    last_s: float
    rows: int

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it has."""
        return tuple(mapped.signal for mapped in self.head.plan.mapped)

    def last_row_s(self) -> float:
        """The latest of the last rows, UTC s; infinity where that cannot be told."""
        if self.last_s < inf:
            return self.last_s
        times = _tail_times(self.head, tail_of(self.path).split(b"\n")[-200:])
        if not times:
            return inf
        return max(times) + (0.0 if self.form.zone is None or self.head.epoch else _ZONES_S)

    def pieces(self, problems: Problems) -> Iterator[Stretch]:
        """See `Source.pieces`."""
        found = self._pieces(problems)
        first = next(found, None)
        if first is None:
            return
        time_s = first[0]
        second = next(found, None)
        if second is not None and second[0].size and time_s.size and second[0].max() < time_s.min():
            yield from self._from_the_end(first, second, found, problems)
            return
        for piece in (first, second):
            if piece is not None:
                yield in_order(piece[0], piece[1], self.name, problems, first_row=piece[2])
        for time_s, columns, row in found:
            yield in_order(time_s, columns, self.name, problems, first_row=row)

    def _from_the_end(
        self, first: "_Piece", second: "_Piece", rest: Iterator["_Piece"], problems: Problems
    ) -> Iterator[Stretch]:
        """A big file with the newest row first: its pieces wait in a temporary file."""
        with TemporaryFile() as spool:
            starts: list[tuple[int, tuple[str, ...]]] = []
            for time_s, columns, row in _chain(first, second, rest):
                stretch = in_order(time_s, columns, self.name, problems, first_row=row)
                starts.append((spool.tell(), tuple(stretch.signals)))
                np.save(spool, stretch.time_s)
                for column in stretch.signals.values():
                    np.save(spool, column)
            for start, names in reversed(starts):
                spool.seek(start)
                time_s = np.load(spool)
                yield Stretch(time_s, {name: np.load(spool) for name in names})

    def _pieces(self, problems: Problems) -> Iterator["_Piece"]:
        waiting: list[tuple[Floats, dict[str, Floats]]] = []
        held, row, start = 0, 1, 1
        try:
            for text in self._blocks(problems):
                block = self._block(text, row, problems)
                waiting.append(block[:2])
                held += block[0].size
                row += block[2]
                if held >= _ROWS:
                    yield (*_one(waiting), start)
                    waiting, held, start = [], 0, row
        except CutShortError as error:
            problems.add(self.name, f"{error}; the rows before that are used")
        except DamagedError as error:
            # A changed byte somewhere before is a number that nobody measured: what is not given yet is not given.
            if start == 1:
                problems.add(self.name, f"not used: {error}")
            else:
                problems.add(self.name, f"{error}; not used from here on", first_row=start)
            return
        except UnreadableError as error:
            problems.add(self.name, f"not used: {error}")
        if held:
            yield (*_one(waiting), start)

    def _blocks(self, problems: Problems) -> Iterator[bytes]:
        skip = self.head.skip
        for block in blocks(self.path, _BLOCK):
            text = block
            while skip and text:
                end = text.find(b"\n") + 1
                text, skip = (text[end:], skip - 1) if end else (b"", 0)
            if text and not text.endswith(b"\n"):
                end = text.rfind(b"\n") + 1
                if text[end:].strip():
                    problems.add(self.name, "the last line has no end, as if cut short: not used", rows=1)
                text = text[:end]
            if text:
                yield text

    def _block(self, text: bytes, row: int, problems: Problems) -> tuple[Floats, dict[str, Floats], int]:
        """Times, signals and the number of rows of a block. Rows without a possible time are left out."""
        flags = flag_columns(self.head)
        rows: Rows | None = arrow_rows_of(text, self.head, flags, self.name, problems)
        if rows is None:
            rows = rows_of(text, self.head, flags, self.name, problems, row)
        time_s, naive, columns = rows
        if naive.any():
            time_s = self._zoned(time_s, naive, row, problems)
        good = possible(time_s, self.name, problems, first_row=row)
        by_column = dict(zip(self.head.plan.columns[1:], columns, strict=True))
        signals: dict[str, Floats] = {}
        for mapped in self.head.plan.mapped:
            numbers = by_column[mapped.column]
            if not mapped.as_it_is:
                numbers = numbers * mapped.scale + mapped.offset
            numbers = value_of(mapped.signal, numbers, self.name, problems, first_row=row)
            signals[mapped.signal] = numbers if good is None else numbers[good]
        return (time_s if good is None else time_s[good]), signals, time_s.size

    def _zoned(self, time_s: Floats, naive: Floats, row: int, problems: Problems) -> Floats:
        zone = self.form.zone
        if zone is None:
            raise UnreadableError(NO_ZONE)
        if zone.key == "UTC":
            return time_s
        without = naive > 0
        local = from_zone(np.where(without, time_s, np.nan), zone, self.name, problems, first_row=row)
        return np.where(without, local, time_s)


_Piece = tuple[Floats, dict[str, Floats], int]


def _chain(first: _Piece, second: _Piece, rest: Iterator[_Piece]) -> Iterator[_Piece]:
    yield first
    yield second
    yield from rest


def _one(parts: list[tuple[Floats, dict[str, Floats]]]) -> tuple[Floats, dict[str, Floats]]:
    if len(parts) == 1:
        return parts[0]
    names = parts[0][1]
    return (
        np.concatenate([time_s for time_s, _ in parts]),
        {name: np.concatenate([columns[name] for _, columns in parts]) for name in names},
    )
