"""Lines of CSV as arrays, with nothing but the standard library and numpy: what runs on the edge, and the last resort
for lines that quicker parsers refuse. A number is read to the nearest float, as `float` does."""

import csv
import io

import numpy as np

from agent.replay.files.csv_head import Head, decoded
from agent.replay.files.problems import Problems
from agent.replay.files.texts import number_of, numbers_of_texts
from agent.replay.files.times import from_epoch, from_fixed, from_texts
from agent.signals import SIGNALS, Kind
from detectors.stretch import Floats

__all__ = ["Rows", "flag_columns", "rows_of"]

Rows = tuple[Floats, Floats, list[Floats]]  # times (as if in UTC), 1 where they name no zone, columns of the plan


def rows_of(text: bytes, head: Head, flags: frozenset[str], file: str, problems: Problems, first_row: int) -> Rows:
    """The needed columns of whole lines; rows with too few or too many cells are dropped and counted."""
    lines = decoded(text).replace("\r\n", "\n")
    by_place = _plain(lines, head)
    if by_place is None:
        by_place = _careful(lines, head, file, problems, first_row)
    comma = head.decimal == ","
    times, naive = _times(by_place[0], head, comma)
    columns = []
    for column, cells in zip(head.plan.columns[1:], by_place[1:], strict=True):
        columns.append(_numbers(cells, column, comma, column in flags, file, problems, first_row))
    return times, naive, columns


def _plain(lines: str, head: Head) -> list[list[str]] | None:
    """The needed columns' cells where every line has the usual number and nothing is quoted; None where not."""
    if '"' in lines or "\0" in lines or "\r" in lines or not lines.endswith("\n") or lines.startswith("\n"):
        return None
    ends = lines.count("\n")
    if "\n\n" in lines or lines.count(head.delimiter) != ends * (head.width - 1) or ends == 0:
        return None
    # Each line has its share: every so many cells, one begins with the end of the line before.
    cells = lines.replace("\n", f"{head.delimiter}\n").split(head.delimiter)
    cells.pop()  # the end of the last line
    firsts = cells[:: head.width]
    if sum(first[:1] == "\n" for first in firsts) != ends - 1:
        return None
    cells[:: head.width] = [first[first[:1] == "\n" :] for first in firsts]
    if any(any(cells[place :: head.width]) for place in range(head.cells, head.width)):
        return None
    return [cells[place :: head.width] for place in head.places]


def _careful(lines: str, head: Head, file: str, problems: Problems, first_row: int) -> list[list[str]]:
    reader = csv.reader(io.StringIO(lines.replace("\0", ""), newline=""), delimiter=head.delimiter)
    by_place: list[list[str]] = [[] for _ in head.places]
    broken: list[int] = []
    number = first_row - 1
    while True:
        try:
            row = next(reader, None)
        except csv.Error:
            row = [""]
        if row is None:
            break
        if not row:
            continue
        number += 1
        if len(row) < head.cells or any(row[head.cells :]):
            broken.append(number)
            continue
        for cells, place in zip(by_place, head.places, strict=True):
            cells.append(row[place])
    if broken:
        what = f"not {head.cells} cells as in the header: row dropped"
        problems.add(file, what, rows=len(broken), first_row=broken[0])
    return by_place


def flag_columns(head: Head) -> frozenset[str]:
    """Columns that are flags: in those, on and off are 1 and 0."""
    return frozenset(m.column for m in head.plan.mapped if SIGNALS[m.signal].kind is Kind.FLAG)


def _times(cells: list[str], head: Head, comma: bool) -> tuple[Floats, Floats]:
    if head.epoch:
        try:
            numbers = np.array([int(cell) for cell in cells], np.int64)
        except (ValueError, OverflowError):
            return from_epoch(numbers_of_texts(cells, flag=False, comma=comma)[0]), np.zeros(len(cells))
        return from_epoch(numbers), np.zeros(len(cells))
    if (times := from_fixed(cells)) is not None:
        return times, np.zeros(len(cells))
    times, naive = from_texts(cells)
    return times, naive.astype(np.float64)


def _numbers(
    cells: list[str], column: str, comma: bool, flag: bool, file: str, problems: Problems, first_row: int
) -> Floats:
    joined = "".join(cells)
    if "_" not in joined and joined.isascii() and not (comma and "." in joined):
        try:
            texts = [cell.replace(",", ".") for cell in cells] if comma else cells
            if all(texts):
                return np.fromiter(map(float, texts), np.float64, len(texts))
            return np.array([float(text) if text else np.nan for text in texts], np.float64)
        except ValueError:
            pass
    known = {text: number_of(text, flag=flag, comma=comma) for text in set(cells)}
    for word in sorted(text for text, number in known.items() if number is None):
        where = [i for i, text in enumerate(cells) if text == word]
        what = f"column {column!r}: {word.strip()[:40]!r} is no number, taken as missing"
        problems.add(file, what, rows=len(where), first_row=first_row + where[0])
    numbers = [known[text] for text in cells]
    return np.array([np.nan if number is None else number for number in numbers], np.float64)
