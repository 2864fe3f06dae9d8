"""Columns of an Arrow table as numbers and times. The only module here, with `parquet`, that needs pyarrow."""

from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from agent.replay.files.problems import Problems
from agent.replay.files.source import UnreadableError
from agent.replay.files.texts import numbers_of_texts
from agent.replay.files.times import from_epoch, from_texts, from_whole, from_zone
from detectors.stretch import Floats

__all__ = ["INSTALL", "NO_ZONE", "numbers_of", "plain", "times_of"]

INSTALL: Final = "reading Parquet needs pyarrow: pip install 'flueward[tuning]'"
NO_ZONE: Final = 'its times name no zone: say which one they are in, as [history].time_zone = "UTC" or "Europe/Oslo"'


def times_of(column: Any, zone: ZoneInfo | None, file: str, problems: Problems, *, first_row: int = 1) -> Floats:
    """UTC seconds of a column (pyarrow.ChunkedArray), NaN where there is none.

    Raises
    ------
    UnreadableError
        The column's type is no time, or its times name no zone and `zone` is None.
    """
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_date(kind):
        column = column.cast(pa.timestamp("s" if pa.types.is_date32(kind) else "ms"))
        kind = column.type
    if pa.types.is_timestamp(kind):
        counts, missing = plain(column, np.dtype(np.int64))
        seconds = from_whole(counts, kind.unit)
        if missing is not None:
            seconds[missing] = np.nan
        return seconds if kind.tz is not None else _in_zone(seconds, zone, file, problems, first_row)
    if pa.types.is_integer(kind):
        counts, missing = plain(column, np.dtype(kind.to_pandas_dtype()))
        return from_epoch(counts.astype(np.int64) if missing is None else np.where(missing, np.nan, counts))
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return from_epoch(_floats(column))
    if _is_text(kind):
        import pyarrow.compute as pc

        texts = pc.fill_null(column.cast(pa.string()), "").to_pylist()
        numbers = numbers_of_texts(texts[:1000], flag=False)[0]
        if np.isfinite(numbers).sum() > len(numbers) / 2:
            return from_epoch(numbers_of_texts(texts, flag=False)[0])
        seconds, naive = from_texts(texts)
        if not naive.any():
            return seconds
        local = _in_zone(np.where(naive, seconds, np.nan), zone, file, problems, first_row)
        return np.where(naive, local, seconds)
    raise UnreadableError(f"the time column holds {kind}: wanted are timestamps, RFC 3339 texts or seconds since 1970")


def _in_zone(seconds: Floats, zone: ZoneInfo | None, file: str, problems: Problems, first_row: int) -> Floats:
    if zone is None:
        raise UnreadableError(NO_ZONE)
    return seconds if zone.key == "UTC" else from_zone(seconds, zone, file, problems, first_row=first_row)


def numbers_of(
    column: Any, name: str, file: str, problems: Problems, *, flag: bool, first_row: int = 1
) -> Floats | None:
    """A column (pyarrow.ChunkedArray) as float64 with NaN for null; no copy where it is that already.

    None, and counted, where the column's type holds no numbers. `flag`: on, off, true, false are 1 and 0.
    """
    import pyarrow as pa

    kind = column.type
    if pa.types.is_floating(kind) or pa.types.is_integer(kind):
        return _floats(column)
    if pa.types.is_boolean(kind) or pa.types.is_decimal(kind) or pa.types.is_null(kind):
        return _floats(column.cast(pa.uint8()) if pa.types.is_boolean(kind) else column.cast(pa.float64()))
    if pa.types.is_dictionary(kind):
        return numbers_of(column.cast(kind.value_type), name, file, problems, flag=flag, first_row=first_row)
    if not _is_text(kind):
        problems.add(file, f"column {name!r} holds {kind}, no numbers: not used")
        return None
    column = column.cast(pa.string())
    try:
        return _floats(column.cast(pa.float64()))
    except pa.ArrowInvalid:  # words among the numbers, usually few different ones
        encoded = column.combine_chunks().dictionary_encode()
        if isinstance(encoded, pa.ChunkedArray):
            encoded = encoded.combine_chunks()
        numbers, unknown = numbers_of_texts(encoded.dictionary.to_pylist(), flag=flag)
        places, missing = plain(pa.chunked_array([encoded.indices]), np.dtype(np.int32))
        codes = places if missing is None else np.where(missing, -1, places)
        for word in unknown:
            where = np.flatnonzero(codes == word)
            text = encoded.dictionary[word].as_py()[:40]
            problems.add(
                file,
                f"column {name!r}: {text!r} is no number, taken as missing",
                rows=where.size,
                first_row=first_row + int(where[0]),
            )
        return np.asarray(np.append(numbers, np.nan)[codes], np.float64)


def plain(column: Any, kind: np.dtype[Any]) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """A column of fixed-width numbers as it lies in memory, and which ones are null (None where none is).

    No copy where it is in one part. The library's own way there loads pandas where that is installed, and its casts
    load all its functions: half a second and 60 MB each.
    """
    parts, nulls = [], []
    for part in column.chunks:
        valid, values = part.buffers()
        numbers = (
            np.frombuffer(values, kind, len(part), part.offset * kind.itemsize) if len(part) else np.empty(0, kind)
        )
        parts.append(numbers)
        if column.null_count and part.null_count:
            bits = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")
            nulls.append(bits[part.offset : part.offset + len(part)] == 0)
        elif column.null_count:
            nulls.append(np.zeros(len(part), np.bool_))
    if len(parts) == 1:
        return parts[0], nulls[0] if nulls else None
    return np.concatenate([np.empty(0, kind), *parts]), np.concatenate(nulls) if nulls else None


def _floats(column: Any) -> Floats:
    numbers, missing = plain(column, np.dtype(column.type.to_pandas_dtype()))
    floats = numbers.astype(np.float64, copy=False)
    return floats if missing is None else np.where(missing, np.nan, floats)


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    types = pa.types
    return bool(types.is_string(kind) or types.is_large_string(kind) or types.is_string_view(kind))
