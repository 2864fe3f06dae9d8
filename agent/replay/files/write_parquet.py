"""A day as a Parquet file: small, exact, and there as a whole or not at all."""

import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from agent.replay.files.parquet import OURS
from detectors.stretch import Floats, Stretch

__all__ = ["NotWrittenError", "unchanged", "write_day"]


class NotWrittenError(Exception):
    """A file could not be written; the text says which one and why."""


def unchanged(path: Path, stamp: str) -> bool:
    """Whether the file was made of a day with this stamp."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        said = (pq.read_metadata(path).metadata or {}).get(OURS)
        return said is not None and json.loads(said).get("stamp") == stamp
    except (OSError, ValueError, AttributeError, pa.ArrowException):  # not there, or none of ours
        return False


def write_day(path: Path, stretch: Stretch, stamp: str) -> int:
    """Write a day; the number of bytes. Missing is null, a number that float32 holds exactly takes half the room.

    Raises
    ------
    NotWrittenError
        The folder or the disk refuses it; what was there before still is.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {"time": _times(stretch.time_s)}
    columns |= {name: _numbers(column) for name, column in stretch.signals.items()}
    table = pa.table(columns).replace_schema_metadata({OURS: json.dumps({"stamp": stamp})})
    waiting = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with waiting.open("wb") as file:
            pq.write_table(table, file, compression="zstd", row_group_size=max(1, table.num_rows))
            file.flush()
            os.fsync(file.fileno())
        waiting.replace(path)
        return path.stat().st_size
    except OSError as error:
        with suppress(OSError):
            waiting.unlink(missing_ok=True)
        raise NotWrittenError(f"{path}: not written: {error.strerror or error}") from None


def _times(time_s: Floats) -> Any:
    import pyarrow as pa

    counts = np.rint(time_s * 1e3)
    if (counts / 1e3 == time_s).all():
        return pa.array(counts.astype(np.int64), pa.timestamp("ms", "UTC"))
    return pa.array(np.rint(time_s * 1e6).astype(np.int64)).cast(pa.timestamp("us", "UTC"))


def _numbers(column: Floats) -> Any:
    import pyarrow as pa

    missing = np.isnan(column)
    with np.errstate(over="ignore"):
        narrow = column.astype(np.float32)
    exact = bool((missing | (narrow == column)).all())
    return pa.array(narrow if exact else column, mask=missing)
