"""Lines of CSV as arrays by pyarrow, where it is there: some ten times quicker than the standard library."""

from typing import Any

import numpy as np

from agent.replay.files.arrow_columns import numbers_of, plain
from agent.replay.files.csv_head import Head
from agent.replay.files.csv_rows import Rows
from agent.replay.files.problems import Problems
from agent.replay.files.texts import MISSING_WORDS
from agent.replay.files.times import from_epoch, from_whole
from detectors.stretch import Floats

__all__ = ["arrow_rows_of"]

_NULLS = sorted({form for word in MISSING_WORDS for form in (word, word.upper(), word.capitalize(), word.title())})


def arrow_rows_of(text: bytes, head: Head, flags: frozenset[str], file: str, problems: Problems) -> Rows | None:
    """As `agent.replay.files.csv_rows.rows_of`; None where there is no pyarrow or these lines are not plain enough."""
    try:
        import pyarrow as pa
        import pyarrow.csv as pc

    except ImportError:
        return None
    time_place, *places = head.places
    time_type = _time_type(text, head, pa)
    if time_type is None:
        return None
    beyond = {f"{place}": pa.null() for place in range(head.cells, head.width)}  # refuses what is there
    for words in (False, True):
        kinds = {
            f"{place}": pa.string() if words or column in flags else pa.float64()
            for place, column in zip(places, head.plan.columns[1:], strict=True)
        }
        try:
            table = pc.read_csv(
                pa.BufferReader(text),
                pc.ReadOptions(column_names=[f"{i}" for i in range(head.width)], block_size=len(text) + 1),
                pc.ParseOptions(delimiter=head.delimiter),
                pc.ConvertOptions(
                    column_types={f"{time_place}": time_type, **kinds, **beyond},
                    include_columns=[f"{time_place}", *kinds, *beyond],
                    null_values=_NULLS,
                    strings_can_be_null=True,
                    decimal_point=head.decimal,
                ),
            )
        except (pa.ArrowException, UnicodeDecodeError):
            continue
        if words and head.decimal == ",":
            return None
        columns = []
        for place, column in zip(places, head.plan.columns[1:], strict=True):
            found = numbers_of(table.column(f"{place}"), column, file, problems, flag=column in flags)
            columns.append(np.full(table.num_rows, np.nan) if found is None else found)
        seconds, naive = _times(table.column(f"{time_place}"), time_type, pa)
        return seconds, np.full(table.num_rows, float(naive)), columns
    return None


def _times(column: Any, kind: Any, pa: Any) -> tuple[Floats, bool]:
    """Times as if in UTC, and whether they name no zone."""
    numbers, missing = plain(column, np.dtype(np.float64 if pa.types.is_floating(kind) else np.int64))
    if not pa.types.is_timestamp(kind):
        return from_epoch(numbers if missing is None else np.where(missing, np.nan, numbers)), False
    seconds = from_whole(numbers, kind.unit)
    if missing is not None:
        seconds[missing] = np.nan
    return seconds, kind.tz is None


def _time_type(text: bytes, head: Head, pa: Any) -> Any:
    """The type that the times of these lines seem to have, by the first line."""
    line = text[: text.find(b"\n")].decode(errors="replace").strip()
    cells = line.split(head.delimiter)
    if len(cells) <= head.places[0]:
        return None
    cell = cells[head.places[0]].strip().strip('"')
    if head.epoch:
        return pa.int64() if cell.isdigit() else pa.float64()
    if len(cell) < 19:
        return None
    clock = cell[11:]
    zoned = clock[-1:] in "Zz" or "+" in clock or "-" in clock
    digits = len(clock.partition(".")[2].rstrip("Zz").partition("+")[0].partition("-")[0])
    return pa.timestamp("ns" if digits > 6 else "us", "UTC" if zoned else None)
