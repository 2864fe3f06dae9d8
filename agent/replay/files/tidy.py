"""Rows of one file put in order: sorted, the same time twice made one, what a clock set back has said twice dropped."""

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from agent.replay.files.problems import Problems
from detectors.stretch import Floats, Stretch

__all__ = ["in_order", "merged", "rising"]

_RUN_ROWS: Final = 60  # a run of rows in order at least this long was written by a clock, not shuffled by a database
_GAP_STEPS: Final = 5.0  # a step this many times the usual one is a gap
_RUNS_MAX: Final = 64  # a file with more such runs was shuffled in blocks; there is no telling whose clock was right


def rising(time_s: Floats) -> bool:
    """Whether every time is later than the one before."""
    return bool((time_s[1:] > time_s[:-1]).all())


def in_order(
    time_s: Floats, columns: Mapping[str, Floats], file: str, problems: Problems, *, first_row: int = 1
) -> Stretch:
    """The rows in strictly rising order of time. All (n,), times finite; `first_row` is the number of row 0.

    Rows of the same time are joined: columns that only one of them has are taken from it, of two values the one
    further down in the file counts. Where a long run of rows goes back over times that an earlier run of the file
    covered, with values of the same columns at other times, a clock was set back: those rows cannot be ordered.
    """
    if rising(time_s):
        return Stretch(time_s, columns)
    keep = _kept(time_s, columns)
    if keep is not None:
        where = np.flatnonzero(~keep)
        problems.add(
            file,
            "the clock was set back: rows of a time that was over already, dropped",
            rows=where.size,
            first_row=first_row + int(where[0]),
        )
        time_s, columns = time_s[keep], {name: column[keep] for name, column in columns.items()}
    order = np.argsort(time_s, kind="stable")
    time_s, columns = time_s[order], {name: column[order] for name, column in columns.items()}
    return _without_duplicates(time_s, columns, file, problems, order + first_row)


def merged(a: Stretch, b: Stretch, file: str, problems: Problems) -> Stretch:
    """Two pieces that overlap, as one; of two values at the same time that of `b` counts. `file` is where b is from."""
    names = dict.fromkeys([*a.signals, *b.signals])
    time_s = np.concatenate([a.time_s, b.time_s])
    columns = {name: np.concatenate([a.get(name), b.get(name)]) for name in names}
    if rising(time_s):
        return Stretch(time_s, columns)
    order = np.argsort(time_s, kind="stable")
    columns = {name: column[order] for name, column in columns.items()}
    return _without_duplicates(time_s[order], columns, file, problems, None)


def _kept(time_s: Floats, columns: Mapping[str, Floats]) -> NDArray[np.bool_] | None:
    """Which rows to keep where a clock was set back; None where it was not."""
    cuts = np.flatnonzero(time_s[1:] < time_s[:-1]) + 1
    ends = np.append(cuts, time_s.size)
    starts = np.append(0, cuts)
    long = ends - starts >= _RUN_ROWS
    if not 2 <= np.count_nonzero(long) <= _RUNS_MAX:
        return None
    keep = np.ones(time_s.size, np.bool_)
    runs = [slice(start, end) for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True)]
    for i, run in enumerate(runs):
        for earlier in runs[:i]:
            among = _among(time_s[run], time_s[earlier])
            # One row at the seam is no clock's doing.
            if np.count_nonzero(among) > 1 and _same_columns(columns, run, among, earlier):
                keep[run] &= ~among
    return None if keep.all() else keep


def _among(here: Floats, there: Floats) -> NDArray[np.bool_]:
    """Which times of one run lie between two neighbours of another, where that one has no gap: rows that came late
    and fill a gap are welcome. Both rising."""
    steps = np.diff(there)
    after = np.searchsorted(there, here, side="right")
    inside = (after > 0) & (after < there.size)
    inside[inside] = steps[after[inside] - 1] <= _GAP_STEPS * float(np.median(steps))
    between = inside & (there[after - 1] != here)
    return inside if between.any() else between


def _same_columns(columns: Mapping[str, Floats], here: slice, over: NDArray[np.bool_], there: slice) -> bool:
    return any(
        bool((~np.isnan(column[here][over])).any() and (~np.isnan(column[there])).any()) for column in columns.values()
    )


def _without_duplicates(
    time_s: Floats,
    columns: Mapping[str, Floats],
    file: str,
    problems: Problems,
    row_numbers: NDArray[np.int64] | None,
) -> Stretch:
    """Rows sorted by time with rows of the same time made one."""
    new = np.append(True, time_s[1:] > time_s[:-1])
    if new.all():
        return Stretch(time_s, columns)
    starts = np.flatnonzero(new)
    conflict = np.zeros(starts.size, np.bool_)
    joined: dict[str, Floats] = {}
    numbers = np.arange(time_s.size)
    for name, column in columns.items():
        last = np.maximum.reduceat(np.where(np.isnan(column), -1, numbers), starts)  # the last row that has a value
        joined[name] = np.where(last >= starts, column[last], np.nan)
        conflict |= np.fmin.reduceat(column, starts) < np.fmax.reduceat(column, starts)
    repeated = time_s.size - starts.size
    first = int(np.flatnonzero(~new)[0])
    problems.add(
        file,
        "the same time more than once: joined",
        rows=repeated,
        first_row=None if row_numbers is None else int(row_numbers[first]),
    )
    if conflict.any():
        first = int(starts[conflict][0])
        problems.add(
            file,
            "different values at the same time: the last one counts",
            rows=int(np.count_nonzero(conflict)),
            first_row=None if row_numbers is None else int(row_numbers[first]),
        )
    return Stretch(time_s[starts], joined)
