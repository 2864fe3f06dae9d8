"""What the first lines of a CSV file say: where the header is, what parts the cells, which columns are needed."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np

from agent.replay.files.columns import Plan, Wanted
from agent.replay.files.source import UnreadableError
from agent.replay.files.texts import number_of
from agent.replay.files.times import from_texts
from detectors.stretch import Floats

__all__ = ["Format", "Head", "cells_of", "decoded", "header_cells", "read_head"]

_PREAMBLE: Final = 20  # lines that may stand before the header
_ROWS: Final = 200  # rows of data that are looked at
_DELIMITERS: Final = ",;\t|"


@dataclass(frozen=True, slots=True)
class Format:
    """How files from elsewhere are written, by the configuration."""

    decimal: Literal[".", ","] = "."
    zone: ZoneInfo | None = None


@dataclass(frozen=True, slots=True)
class Head:
    """What was learnt of a file."""

    plan: Plan
    places: tuple[int, ...]  # of the plan's columns in a row, the time first
    cells: int  # of the header
    width: int  # of a usual row: further ones are empty, for a comma at the end of the line
    delimiter: str
    decimal: Literal[".", ","]
    skip: int  # lines before the first row of data
    epoch: bool  # times are numbers
    times: tuple[float, ...]  # of the first rows, as if in UTC; those that could be read
    row_bytes: float


def decoded(text: bytes) -> str:
    """UTF-8, or what older historians write."""
    try:
        return text.decode()
    except UnicodeDecodeError:
        return text.decode("cp1252", "replace")


def cells_of(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    """The cells of each line; a line that is no CSV gives none."""
    rows: list[list[str]] = []
    for line in lines:
        try:
            rows.append(next(csv.reader([line], delimiter=delimiter), []))
        except csv.Error:
            rows.append([])
    return rows


def header_cells(text: bytes) -> list[str]:
    """The cells of the line that looks most like a header, for a file of which it is not yet known whose it is."""
    lines = decoded(text).splitlines()[:_PREAMBLE]
    best: list[str] = []
    for line in lines:
        cells = cells_of([line], _delimiter(line))[0]
        if len(cells) > len(best):
            best = cells
    return best


def read_head(text: bytes, wanted: Wanted, form: Format) -> Head:
    """What to read of a file that begins with these lines.

    Raises
    ------
    UnreadableError
        No header with a time column and a signal, or times that cannot be understood.
    """
    lines = decoded(text).splitlines()[: _PREAMBLE + _ROWS]
    at, names, delimiter = _header(lines, wanted, form)
    decimal: Literal[".", ","] = "." if delimiter == "," else form.decimal  # a comma parts cells or decimals, not both
    plan = wanted.plan(names)
    place = names.index(plan.time)
    rows = cells_of(lines[at + 1 :], delimiter)
    skip = at + 1
    while (
        rows
        and (len(rows[0]) <= place or _time(rows[0][place], decimal) is None)
        and _no_data(rows[0], names, plan, comma=decimal == ",")
    ):
        rows, skip = rows[1:], skip + 1  # units, ranges, descriptions
        if skip > at + 5:
            break
    width = len(rows[0]) if rows and not any(rows[0][len(names) :]) else len(names)
    cells = [row[place] for row in rows if len(row) > place]
    texts = [cell for cell in cells if cell.strip()]
    known = [(time, number) for time, number in (_time(cell, decimal) or (np.nan, False) for cell in texts)]
    times = [time for time, _ in known if time == time]
    if texts and not times:
        raise UnreadableError(
            f"the time {texts[0][:40]!r} cannot be read: wanted is 2026-01-31T04:05:06Z, with Z or +01:00 or with "
            "[history].time_zone set, or a number of seconds since 1970"
        )
    size = sum(len(line) + 1 for line in lines[skip : skip + 500]) / max(1, len(lines[skip : skip + 500]))
    epoch = bool(known) and known[0][1]
    seconds = tuple(_from_known(times, epoch).tolist())
    places = tuple(names.index(column) for column in plan.columns)
    return Head(
        plan, places, len(names), max(width, len(names)), delimiter, decimal, skip, epoch, seconds, max(size, 2.0)
    )


def _from_known(times: list[float], epoch: bool) -> Floats:
    from agent.replay.files.times import from_epoch

    return from_epoch(np.array(times)) if epoch else np.array(times)


def _time(cell: str, decimal: str) -> tuple[float, bool] | None:
    """A time as a number, and whether it is an epoch."""
    number = number_of(cell, comma=decimal == ",")
    if number is not None:
        return None if np.isnan(number) else (number, True)
    time = float(from_texts([cell.strip()])[0][0])
    return None if np.isnan(time) else (time, False)


def _no_data(row: Sequence[str], names: Sequence[str], plan: Plan, *, comma: bool) -> bool:
    by_name = dict(zip(names, row, strict=False))
    cells = [by_name.get(mapped.column, "") for mapped in plan.mapped]
    return all((number := number_of(cell, flag=True, comma=comma)) is None or np.isnan(number) for cell in cells)


def _header(lines: Sequence[str], wanted: Wanted, form: Format) -> tuple[int, list[str], str]:
    """The line with the time column's name, by whatever parts the cells."""
    for at, line in enumerate(lines[:_PREAMBLE]):
        delimiter = ";" if form.decimal == "," and ";" in line else _delimiter(line)
        names = [name.strip() for name in cells_of([line], delimiter)[0]]
        if any(name in names for name in wanted.time_columns):
            return at, names, delimiter
    first = next((line for line in lines if line.strip()), "")
    names = [name.strip() for name in cells_of([first], _delimiter(first))[0]]
    wanted.plan(names)  # says what is missing
    raise UnreadableError("it has no header line")


def _delimiter(line: str) -> str:
    return max(_DELIMITERS, key=line.count)
