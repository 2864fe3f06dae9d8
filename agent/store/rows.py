"""Samples as text: one line a sample as day files have it, and the blocks of lines that the samples database holds.

A number is the shortest decimal that reads back as the same float64, a missing value an empty cell, a time RFC 3339 UTC
with milliseconds. Times of one length in one zone are in order when their texts are.
"""

import zlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

from agent.rfc3339 import milliseconds, to_text

__all__ = ["DAY_MS", "STAMP", "Block", "Segment", "blocks_of", "date_of", "line_of", "pour", "segments_of"]

DAY_MS: Final = 86_400_000
STAMP: Final = 24  # characters of a time
_LEVEL: Final = 6


@dataclass(frozen=True, slots=True)
class Segment:
    """Lines of one probe in one block. `columns` names what stands after the time."""

    probe: str
    columns: tuple[str, ...]
    lines: list[str]


@dataclass(frozen=True, slots=True)
class Block:
    """Samples of all probes between two commits, of one UTC day: `data` holds their lines, deflated.

    `day` counts days since 1970.
    """

    day: int
    first_ms: int
    last_ms: int
    rows: int
    data: bytes


def date_of(day: int) -> str:
    """A day since 1970 as YYYY-MM-DD."""
    return to_text(day * 86_400.0)[:10]


def line_of(row: Sequence[float]) -> str:
    """A time and its values as a line without its end."""
    return ",".join([to_text(row[0]), *map(_number, row[1:])])


def _number(value: float) -> str:
    if not isfinite(value):
        return ""
    text = repr(float(value))
    return text[:-2] if text.endswith(".0") else text


def blocks_of(rows: Mapping[str, Sequence[Sequence[float]]], columns: Mapping[str, tuple[str, ...]]) -> list[Block]:
    """Rows (time in UTC seconds, then a value for each column) of probes as one block a day, days rising."""
    days: dict[int, dict[str, list[Sequence[float]]]] = {}
    for probe, found in rows.items():
        for row in found:
            days.setdefault(milliseconds(row[0]) // DAY_MS, {}).setdefault(probe, []).append(row)
    blocks = []
    for day, of in sorted(days.items()):
        segments = [Segment(probe, columns[probe], [line_of(row) for row in found]) for probe, found in of.items()]
        times = [milliseconds(row[0]) for found in of.values() for row in found]
        blocks.append(Block(day, min(times), max(times), len(times), pour(segments)))
    return blocks


def pour(segments: Iterable[Segment]) -> bytes:
    """Segments as the data of a block: `#probe,column,...`, then its lines."""
    text = "".join(
        "\n".join([f"#{','.join((segment.probe, *segment.columns))}", *segment.lines, ""]) for segment in segments
    )
    return zlib.compress(text.encode(), _LEVEL)


def segments_of(data: bytes, wanted: Collection[str] | None = None) -> Iterator[Segment]:
    """What `pour` was given, of all probes or of those that are wanted. ValueError where the data is damaged."""
    try:
        text = zlib.decompress(data).decode()
    except zlib.error as error:
        raise ValueError(f"a block is damaged: {error}") from None
    for part in text.split("#")[1:]:
        head, _, body = part.partition("\n")
        probe, *columns = head.split(",")
        if wanted is None or probe in wanted:
            yield Segment(probe, tuple(columns), body.splitlines())
