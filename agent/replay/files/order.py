"""The pieces of many files as one stream that only goes forward in time."""

import heapq
from collections.abc import Iterable, Iterator, Sequence
from math import inf
from typing import Final

import numpy as np

from agent.replay.files.problems import Problems
from agent.replay.files.source import Source
from agent.replay.files.tidy import merged
from detectors.stretch import Stretch

__all__ = ["CHUNK_ROWS", "gathered", "in_time_order"]

CHUNK_ROWS: Final = 262_144


def in_time_order(sources: Sequence[Source], problems: Problems) -> Iterator[Stretch]:
    """Chunks of at most `CHUNK_ROWS` rows, strictly rising over the whole iteration.

    Files may overlap: their rows are merged, the same time twice made one row. What comes later than that allows,
    because a file goes back further than one of its pieces, is dropped and counted. Memory: the pieces that overlap
    at one time.
    """
    waiting = sorted(sources, key=lambda source: source.first_s)  # stable: of equal starts the later name wins
    opened: list[tuple[float, int, Source, Iterator[Stretch]]] = []  # by the time their newest piece begins
    held: Stretch | None = None  # what may still be joined with rows to come
    done_s, place = -inf, 0
    while place < len(waiting) or opened:
        if place < len(waiting) and (not opened or waiting[place].first_s <= opened[0][0]):
            source, order = waiting[place], place
            pieces = source.pieces(problems)
            place += 1
        else:
            _, order, source, pieces = heapq.heappop(opened)
        piece = next((each for each in pieces if len(each)), None)
        if piece is not None:
            heapq.heappush(opened, (float(piece.time_s[0]), order, source, pieces))
        # Nothing that is still to come is earlier than this:
        final_s = min(opened[0][0] if opened else inf, waiting[place].first_s if place < len(waiting) else inf)
        if held is not None and (ready := int(np.searchsorted(held.time_s, final_s, side="left"))):
            done_s = float(held.time_s[ready - 1])
            yield from _chunks(held, ready)
            held = None if ready == len(held) else _part(held, ready, len(held))
        if piece is not None:
            piece = _after(done_s, piece, source, problems)
            if len(piece):
                held = piece if held is None else merged(held, piece, source.name, problems)
    if held is not None:
        yield from _chunks(held, len(held))


def gathered(chunks: Iterable[Stretch], names: Sequence[str]) -> Iterator[Stretch]:
    """The same rows with these columns in every chunk, small chunks put together to half of `CHUNK_ROWS` or more."""
    waiting: list[Stretch] = []
    rows = 0
    for chunk in chunks:
        waiting.append(chunk)
        rows += len(chunk)
        if rows >= CHUNK_ROWS // 2:
            yield _together(waiting, names)
            waiting, rows = [], 0
    if waiting:
        yield _together(waiting, names)


def _together(parts: Sequence[Stretch], names: Sequence[str]) -> Stretch:
    if len(parts) == 1:
        return Stretch(parts[0].time_s, {name: parts[0].get(name) for name in names})
    time_s = np.concatenate([part.time_s for part in parts])
    return Stretch(time_s, {name: np.concatenate([part.get(name) for part in parts]) for name in names})


def _after(done_s: float, piece: Stretch, source: Source, problems: Problems) -> Stretch:
    """The piece without rows of a time that was given already."""
    late = int(np.searchsorted(piece.time_s, done_s, side="right"))
    if not late:
        return piece
    what = "earlier than rows that were read before: too late to be put in order, dropped"
    problems.add(source.name, what, rows=late)
    return _part(piece, late, len(piece))


def _part(stretch: Stretch, start: int, end: int) -> Stretch:
    return Stretch(stretch.time_s[start:end], {name: column[start:end] for name, column in stretch.signals.items()})


def _chunks(stretch: Stretch, end: int) -> Iterator[Stretch]:
    parts = -(-end // CHUNK_ROWS)
    size = -(-end // parts)
    for start in range(0, end, size):
        yield _part(stretch, start, min(start + size, end))
