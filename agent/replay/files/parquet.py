"""Parquet files by row group: the needed columns only, and no look at values that the file's statistics vouch for."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from agent.replay.files.arrow_columns import INSTALL, numbers_of, times_of
from agent.replay.files.columns import Mapped, Plan, Wanted
from agent.replay.files.problems import Problems
from agent.replay.files.source import UnreadableError
from agent.replay.files.tidy import in_order
from agent.replay.files.times import EARLIEST_S, LATEST_S, from_epoch, from_whole, possible
from agent.replay.files.values import bounded, value_of
from agent.signals import SIGNALS, Kind
from detectors.stretch import Floats, Stretch

__all__ = ["OURS", "ParquetPiece", "header_of", "parquet_sources"]

OURS: Final = b"flueward"  # key of the file's metadata where `flueward export` wrote it
_TOGETHER: Final = 400_000  # small row groups are read together up to about so many rows
_BATCH: Final = 262_144  # a huge row group is read in parts of so many rows
_HUGE: Final = 4_000_000


def header_of(path: Path) -> tuple[list[str], bool]:
    """The columns of a file, and whether `flueward export` wrote it.

    Raises
    ------
    UnreadableError
        It is no Parquet file, cannot be read, or pyarrow is not there.
    """
    file = _open(path)
    with file:
        return list(file.schema_arrow.names), OURS in (file.schema_arrow.metadata or {})


def parquet_sources(
    path: Path, name: str, wanted: Wanted, zone: ZoneInfo | None, problems: Problems
) -> list["ParquetPiece"]:
    """The parts of a file in which rows can be sorted, in the file's order.

    Raises
    ------
    UnreadableError
        As `header_of`, or the file has nothing of this probe.
    """
    file = _open(path)
    with file:
        schema = file.schema_arrow
        names = list(schema.names)
        plan = wanted.plan(names)
        metadata = file.metadata
        leaves = (
            {metadata.row_group(0).column(i).path_in_schema: i for i in range(metadata.num_columns)}
            if (metadata.num_row_groups)
            else {}
        )
        spans = _spans(file, plan.time, leaves.get(plan.time), zone)
        counts = [metadata.row_group(group).num_rows for group in range(metadata.num_row_groups)]
        starts = [1, *(1 + count for count in accumulate(counts))]
        pieces: list[ParquetPiece] = []
        # By time and not by place: the newest may come first.
        for (low, high), group in sorted(zip(spans, range(len(spans)), strict=True), key=lambda each: each[0][0]):
            last = pieces[-1] if pieces else None
            if last is not None and last.rows + counts[group] <= _TOGETHER:
                last.join(group, counts[group], high)
            elif counts[group]:
                pieces.append(ParquetPiece(path, name, plan, zone, 1, low, high, counts[group], [group]))
        for piece in pieces:
            piece.groups.sort()  # of two values at the same time the one further down counts
            piece.first_row = starts[piece.groups[0]]
        if not pieces:
            problems.add(name, "it has no rows")
        for piece in pieces:
            piece.trusted = _trusted(metadata, piece.groups, plan, leaves, schema)
        return pieces


@dataclass(slots=True)
class ParquetPiece:
    """Some row groups of a file."""

    path: Path
    name: str
    plan: Plan
    zone: ZoneInfo | None
    first_row: int
    first_s: float
    last_s: float
    rows: int
    groups: list[int]
    trusted: frozenset[str] = frozenset()  # signals whose values are possible by the file's statistics

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it has."""
        return tuple(mapped.signal for mapped in self.plan.mapped)

    def join(self, group: int, rows: int, last_s: float) -> None:
        """Take in the next row group."""
        self.groups.append(group)
        self.rows += rows
        self.last_s = max(self.last_s, last_s)

    def pieces(self, problems: Problems) -> Iterator[Stretch]:
        """See `Source.pieces`."""
        import pyarrow as pa

        row = self.first_row
        try:
            for table in self._tables():
                yield self._stretch(table, row, problems)
                row += table.num_rows
        except (OSError, pa.ArrowException, KeyError, ValueError) as error:
            problems.add(self.name, f"damaged: {_short(error)}", rows=self.rows - (row - self.first_row), first_row=row)
        except UnreadableError as error:
            problems.add(self.name, f"not used: {error}")

    def _tables(self) -> Iterator[Any]:
        import pyarrow as pa

        with _open(self.path) as file:
            if self.rows <= _HUGE:
                yield file.read_row_groups(self.groups, columns=self.plan.columns)
            else:
                for batch in file.iter_batches(_BATCH, row_groups=self.groups, columns=self.plan.columns):
                    yield pa.Table.from_batches([batch])

    def _stretch(self, table: Any, first_row: int, problems: Problems) -> Stretch:
        time_s = times_of(table.column(self.plan.time), self.zone, self.name, problems, first_row=first_row)
        good = possible(time_s, self.name, problems, first_row=first_row)
        signals: dict[str, Floats] = {}
        for mapped in self.plan.mapped:
            flag = SIGNALS[mapped.signal].kind is Kind.FLAG
            numbers = numbers_of(
                table.column(mapped.column), mapped.column, self.name, problems, flag=flag, first_row=first_row
            )
            if numbers is None:
                continue
            if not mapped.as_it_is:
                numbers = numbers * mapped.scale + mapped.offset
            if mapped.signal not in self.trusted:
                numbers = value_of(mapped.signal, numbers, self.name, problems, first_row=first_row)
            signals[mapped.signal] = numbers
        if good is not None:
            time_s, signals = time_s[good], {signal: numbers[good] for signal, numbers in signals.items()}
        return in_order(time_s, signals, self.name, problems, first_row=first_row)


def _open(path: Path) -> Any:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise UnreadableError(INSTALL) from None
    try:
        return pq.ParquetFile(path)
    except PermissionError:
        raise UnreadableError("this user may not read it") from None
    except (OSError, pa.ArrowException) as error:
        if path.is_dir():
            raise UnreadableError("it is a folder") from None
        if path.is_file() and path.stat().st_size == 0:
            raise UnreadableError("it is empty") from None
        raise UnreadableError(f"it is no Parquet file, or a damaged one: {_short(error)}") from None


def _spans(file: Any, time: str, leaf: int | None, zone: ZoneInfo | None) -> list[tuple[float, float]]:
    """First and last time of each row group, from statistics; where there are none the times are read."""
    unit = None if leaf is None else _unit(file.metadata, leaf)
    spans = []
    for group in range(file.metadata.num_row_groups):
        span = None
        if leaf is not None and unit is not None:
            span = _stated_span(file.metadata.row_group(group).column(leaf).statistics, unit)
        if span is None:
            span = _read_span(file, group, time, zone)
        elif zone is not None and zone.key != "UTC":  # a wall clock is at most so far from UTC
            span = (span[0] - 15 * 3600, span[1] + 15 * 3600)
        spans.append(span)
    return spans


def _unit(metadata: Any, leaf: int) -> str | None:
    """The unit of a column of whole numbers that are times: s, ms, us, ns, `epoch` for plain ones; None otherwise."""
    column = metadata.schema.column(leaf)
    if column.physical_type != "INT64":
        return None
    stated = json.loads(column.logical_type.to_json())
    units = {"milliseconds": "ms", "microseconds": "us", "nanoseconds": "ns"}
    return units.get(stated.get("timeUnit"), "epoch" if stated.get("Type") in ("None", "Int") else None)


def _stated_span(statistics: Any, unit: str) -> tuple[float, float] | None:
    if statistics is None or not statistics.has_min_max:
        return None
    ends = np.array([statistics.min_raw, statistics.max_raw], np.int64)
    low_s, high_s = (from_epoch(ends) if unit == "epoch" else from_whole(ends, unit)).tolist()
    return (low_s, high_s) if EARLIEST_S <= low_s <= high_s < LATEST_S else None


def _read_span(file: Any, group: int, time: str, zone: ZoneInfo | None) -> tuple[float, float]:
    import pyarrow as pa

    try:
        column = file.read_row_group(group, columns=[time]).column(time)
        time_s = times_of(column, zone, "", Problems())
    except (OSError, pa.ArrowException, KeyError, ValueError, UnreadableError):
        return (inf, inf)  # told when it is read
    time_s = time_s[(time_s >= EARLIEST_S) & (time_s < LATEST_S)]
    return (float(time_s.min()), float(time_s.max())) if time_s.size else (inf, inf)


def _trusted(metadata: Any, groups: Sequence[int], plan: Plan, leaves: dict[str, int], schema: Any) -> frozenset[str]:
    import pyarrow as pa

    def possible_all(mapped: Mapped) -> bool:
        leaf = leaves.get(mapped.column)
        kind = schema.field(mapped.column).type
        if leaf is None or not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
            return False
        if SIGNALS[mapped.signal].kind is Kind.FLAG and not (pa.types.is_integer(kind) and mapped.as_it_is):
            return False
        for group in groups:
            statistics = metadata.row_group(group).column(leaf).statistics
            if statistics is None or not statistics.has_min_max:
                return False
            ends = sorted(end * mapped.scale + mapped.offset for end in (statistics.min, statistics.max))
            if not bounded(mapped.signal, *ends):
                return False
        return True

    return frozenset(mapped.signal for mapped in plan.mapped if possible_all(mapped))


def _short(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 160 else text[:157] + "..."
