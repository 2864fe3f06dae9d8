"""Closed days: `history/probe=<id>/date=YYYY-MM-DD.csv.gz`, each written whole or not at all.

One gzip member, a header `time,<signal>,...` and a line a sample, times strictly rising. A file is written beside its
place, synced, renamed, and the folder synced: a crash leaves the old file or the new one, and perhaps a `.part` that
the next start sweeps away.
"""

import gzip
import os
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from agent.store.append_file import sync_folder
from agent.store.rows import STAMP, date_of

__all__ = ["Part", "day_path", "merged", "read_day", "sweep", "write_day"]

_LEVEL: Final = 9  # over 6: 4 % smaller for twice the time, which is a tenth of a second a probe and day
_SLICE: Final = 1000  # lines to deflate at once: some 10 ms


@dataclass(frozen=True, slots=True)
class Part:
    """Lines of one probe and day under one set of columns. Each line begins with its time."""

    columns: tuple[str, ...]
    lines: list[str]


def day_path(history: Path, probe: str, day: int) -> Path:
    """Where a probe's day is kept."""
    return history / f"probe={probe}" / f"date={date_of(day)}.csv.gz"


def read_day(path: Path) -> Part:
    """A day file that was written before.

    Raises
    ------
    ValueError
        It is no day file of ours, or damaged.
    OSError
        It cannot be read.
    """
    try:
        header, *lines = gzip.decompress(path.read_bytes()).decode().splitlines()
    except (EOFError, zlib.error, ValueError, gzip.BadGzipFile) as error:
        raise ValueError(f"{path} is damaged: {error}") from None
    time, *columns = header.split(",")
    if time != "time":
        raise ValueError(f"{path} begins with {header[:40]!r}, not with time")
    return Part(tuple(columns), lines)


def merged(parts: Sequence[Part]) -> Part:
    """All lines in order of time under all columns; of two lines of one time the first stays."""
    columns = tuple(dict.fromkeys(name for part in parts for name in part.columns))
    lines: list[str] = []
    for part in parts:
        lines += part.lines if part.columns == columns else _spread(part, columns)
    stamps = [line[:STAMP] for line in lines]
    if any(map(str.__ge__, stamps, stamps[1:])):
        by_time: dict[str, str] = {}
        for stamp, line in zip(stamps, lines, strict=True):
            by_time.setdefault(stamp, line)
        lines = [by_time[stamp] for stamp in sorted(by_time)]
    return Part(columns, lines)


def _spread(part: Part, columns: tuple[str, ...]) -> Iterable[str]:
    at = {name: i for i, name in enumerate(part.columns, 1)}
    places = [0, *(at.get(name, -1) for name in columns)]
    for line in part.lines:
        cells = [*line.split(","), ""]
        yield ",".join([cells[place] for place in places])


def write_day(path: Path, part: Part) -> Iterator[None]:
    """Write a day's file, a slice at each step; it is there, durably, when the last one is done.

    Raises
    ------
    OSError
        It could not be written; what was there before still is.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.part")
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, 31)  # 31: as gzip, whose header then names no time
    try:
        with beside.open("wb") as file:
            header = ",".join(["time", *part.columns])
            file.write(packer.compress(f"{header}\n".encode()))
            for first in range(0, len(part.lines), _SLICE):
                text = "\n".join([*part.lines[first : first + _SLICE], ""])
                file.write(packer.compress(text.encode()))
                yield
            file.write(packer.flush())
            file.flush()
            os.fsync(file.fileno())
        yield
        os.replace(beside, path)
    except BaseException:  # a full disk gets its room back; the reader of this is whoever asked for the file
        beside.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sweep(history: Path) -> int:
    """Remove what a crash left half written. Returns how many files."""
    left = list(history.glob("probe=*/.date=*.part"))
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)
