"""What every rule on raw samples does first: later samples only, thinned to a pace, gathered in fixed windows."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.held import Bools
from detectors.stretch import Floats

__all__ = ["first_of_each", "flags_of", "known", "later", "steps_from", "windows"]


def later(seen_s: float | None, time_s: ArrayLike, *columns: ArrayLike) -> list[Floats]:
    """Times and columns of shape (n,) as float64, of the samples later than all before them and than `seen_s`.

    However the stream is cut, the same samples are left.
    """
    at_s = np.asarray(time_s, dtype=np.float64)
    rows = [at_s, *(np.asarray(column, dtype=np.float64) for column in columns)]
    n = at_s.size
    if n == 0:
        return rows
    before_s = -np.inf if seen_s is None else seen_s
    if at_s[0] > before_s and at_s[-1] < np.inf and np.count_nonzero(at_s[1:] > at_s[:-1]) == n - 1:
        return rows
    sound = np.where(np.abs(at_s) < np.inf, at_s, np.nan)
    fresh = sound > np.fmax.accumulate(np.concatenate(([before_s], sound[:-1])))
    return [row[fresh] for row in rows]


def flags_of(column: Floats) -> Bools:
    """A flag that came through `later`: raised where it is neither zero nor unknown."""
    return np.asarray(np.abs(column) > 0.0)  # false for NaN


def known(*columns: Floats) -> Bools | None:
    """Where every column is finite; None where that is everywhere, as nearly always."""
    sound = np.isfinite(columns[0])
    for column in columns[1:]:
        sound &= np.isfinite(column)
    return None if np.count_nonzero(sound) == sound.size else sound


def steps_from(before: float, values: Floats) -> Floats:
    """Differences to the value before, shape (n,), n >= 1: `numpy.diff` with a prepended value, cheaper."""
    out = np.empty_like(values)
    out[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=out[1:])
    return out


def first_of_each(period_s: float, last_cell: float | None, time_s: Floats) -> tuple[NDArray[np.intp], float | None]:
    """Indices of the first sample in each cell of a fixed UTC grid, and the cell of the last one.

    `last_cell`: the cell that has had its sample. What is judged over half an hour needs no sample a second.
    """
    if time_s.size == 0:
        return np.zeros(0, np.intp), last_cell
    cell = np.floor(time_s / period_s)
    first = np.empty(time_s.size, np.bool_)
    first[0] = last_cell is None or cell[0] > last_cell
    first[1:] = cell[1:] > cell[:-1]
    index = np.flatnonzero(first)
    return index, float(cell[-1]) if index.size else last_cell


def windows(length_s: float, open_rows: list[list[float]], rows: Floats) -> Iterable[tuple[float, Floats]]:
    """Add rows (k, n), times first, to the open window; yield (start, rows) of each window that a later one completes.

    Windows lie on the UTC grid. `open_rows`: the k lists of the window going on, changed in place.
    """
    if rows.shape[1] == 0:
        return
    cell = np.floor(rows[0] / length_s)
    edges = (np.flatnonzero(cell[1:] > cell[:-1]) + 1).tolist()
    if not edges and (not open_rows[0] or open_rows[0][-1] // length_s == cell[0]):
        for kept, row in zip(open_rows, rows.tolist(), strict=True):
            kept += row
        return
    if open_rows[0]:
        rows = np.concatenate([np.array(open_rows), rows], axis=1)
        cell = np.floor(rows[0] / length_s)
        edges = (np.flatnonzero(cell[1:] > cell[:-1]) + 1).tolist()
    for a, b in zip([0, *edges[:-1]], edges, strict=True):
        yield float(cell[a] * length_s), rows[:, a:b]
    for kept, row in zip(open_rows, rows[:, edges[-1] if edges else 0 :].tolist(), strict=True):
        kept[:] = row
