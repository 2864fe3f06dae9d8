"""Hourly values, kept for ever: `hourly/probe=<id>/year=YYYY.csv`, a line an hour, written when the day closes.

Columns: `time` (start of the hour), `samples` (rows in it), and `<signal>_mean`, `_min`, `_max` of each signal. Samples
come faster during checks, so the mean is that of the minutes' means: a check of ten minutes counts as ten minutes.
"""

import os
from collections.abc import Iterable, Iterator
from itertools import groupby
from math import nan
from pathlib import Path
from typing import Final

import numpy as np

from agent.store.append_file import append_lines, read_tail, sync_folder
from agent.store.day_files import Part

__all__ = ["append_hours", "hourly_path", "hours_of"]

_HOUR: Final = 13  # characters of YYYY-MM-DDTHH
_MINUTE: Final = 16
_ALL: Final = 1 << 30


def hourly_path(hourly: Path, probe: str, year: str) -> Path:
    """Where a probe's year is kept."""
    return hourly / f"probe={probe}" / f"year={year}.csv"


def hours_of(part: Part) -> Iterator[str]:
    """A line an hour of a day's lines, which are in order of time."""
    for hour, lines in groupby(part.lines, key=lambda line: line[:_HOUR]):
        yield _hour(hour, list(lines), len(part.columns))


def _hour(hour: str, lines: list[str], width: int) -> str:
    table = np.array([[float(cell) if cell else nan for cell in line.split(",")[1:]] for line in lines], np.float64)
    table = table.reshape(len(lines), width)
    minutes = [line[:_MINUTE] for line in lines]
    edges = np.array([0, *(i for i in range(1, len(minutes)) if minutes[i] != minutes[i - 1])], np.intp)
    known = ~np.isnan(table)
    sums = np.add.reduceat(np.where(known, table, 0.0), edges, axis=0)
    counts = np.add.reduceat(known.astype(np.float64), edges, axis=0)
    told = counts > 0
    means = np.where(told, sums / np.where(told, counts, 1.0), 0.0).sum(axis=0)
    minutes_told = told.sum(axis=0)
    low, high = np.fmin.reduce(table, axis=0), np.fmax.reduce(table, axis=0)
    cells = [f"{hour}:00:00.000Z", str(len(lines))]
    for i in range(width):
        if minutes_told[i]:
            cells += [f"{means[i] / minutes_told[i]:.7g}", _text(low[i]), _text(high[i])]
        else:
            cells += ["", "", ""]
    return ",".join(cells)


def _text(value: float) -> str:
    return repr(float(value)).removesuffix(".0")


def append_hours(hourly: Path, probe: str, columns: tuple[str, ...], lines: Iterable[str]) -> int:
    """Append hours (of one year) that the file does not have yet. Returns how many were there already.

    A file whose columns are others is written anew, whole, with all columns.

    Raises OSError.
    """
    given = list(lines)
    if not given:
        return 0
    path = hourly_path(hourly, probe, given[0][:4])
    head = ",".join(["time", "samples", *(f"{name}_{of}" for name in columns for of in ("mean", "min", "max"))])
    mended = _with_columns(path, head)
    if mended != head:  # the file has columns that are gone from the map
        given = _under(head, mended, given)
    width = mended.count(",")

    def whole(line: str) -> bool:
        return line.count(",") == width and (line == mended or _is_hour(line))

    have = {line[:_HOUR] for line in read_tail(path) if _is_hour(line)}
    if have and min(given)[:_HOUR] < min(have):  # a clock was wrong, or the day is an old one: look at all
        have = {line[:_HOUR] for line in read_tail(path, _ALL) if _is_hour(line)}
    new = [line for line in given if line[:_HOUR] not in have]
    if new:
        append_lines(path, new, whole=whole, header=mended)
    return len(given) - len(new)


def _is_hour(line: str) -> bool:
    return line[4:5] == "-" and line[_HOUR : _HOUR + 11] == ":00:00.000Z"


def _with_columns(path: Path, head: str) -> str:
    """The header under which to append: what the file has, widened to `head` first where that says more."""
    try:
        with path.open(encoding="utf-8", errors="replace") as file:
            first = file.readline()
    except FileNotFoundError:
        return head
    old = first.rstrip("\n")
    names = old.split(",") if first.endswith("\n") else []
    if old == head or names[:2] != ["time", "samples"]:
        return head
    if set(head.split(",")) <= set(names):
        return old
    wide = ",".join(dict.fromkeys([*names, *head.split(",")]))
    lines = [line for line in path.read_text("utf-8", "replace").splitlines()[1:] if line.count(",") == len(names) - 1]
    beside = path.with_name(f".{path.name}.part")
    with beside.open("w", encoding="utf-8") as file:
        file.write("\n".join([wide, *_under(old, wide, lines), ""]))
        file.flush()
        os.fsync(file.fileno())
    os.replace(beside, path)
    sync_folder(path.parent)
    return wide


def _under(head: str, wide: str, lines: Iterable[str]) -> list[str]:
    at = {name: i for i, name in enumerate(head.split(","))}
    places = [at.get(name, -1) for name in wide.split(",")]
    out = []
    for line in lines:
        cells = [*line.split(","), ""]
        out.append(",".join([cells[place] for place in places]))
    return out
