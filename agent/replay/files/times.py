"""Times as files hold them, as UTC seconds: epochs of any unit, RFC 3339, and wall clocks of a configured zone."""

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from math import inf, nan
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from agent.replay.files.problems import Problems
from detectors.stretch import Floats

__all__ = [
    "EARLIEST_S",
    "LATEST_S",
    "TOLD",
    "from_epoch",
    "from_fixed",
    "from_texts",
    "from_whole",
    "from_zone",
    "possible",
]

EARLIEST_S: Final = 631_152_000.0  # 1990-01-01: before that a clock had lost its battery
LATEST_S: Final = 4_102_444_800.0  # 2100-01-01
TOLD: Final = inf  # stands for a time that cannot be used and that was counted already
_DAY_S: Final = 86_400
_STEP_S: Final = 900  # clocks change on a quarter of an hour
_PER_S: Final = {"s": 1, "ms": 1000, "us": 1_000_000}
# Numbers up to the first bound are seconds, and so on: each reaches from before 1990 to after 5000.
_BOUNDS: Final = ((1e11, 1.0), (1e14, 1e3), (1e17, 1e6))
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - wall clock
_FIXED: Final = "0000-00-00T00:00:00.000Z"  # as the recorder writes
_MARKS: Final = [place for place, letter in enumerate(_FIXED) if letter != "0"]
_DIGITS: Final = [place for place, letter in enumerate(_FIXED) if letter == "0"]
_MARK_CODES: Final = np.array([ord(_FIXED[place]) for place in _MARKS], np.uint8)
_UTC: Final = re.compile(r"\s*(UTC|GMT)$")


def from_whole(count: NDArray[np.int64], unit: str) -> Floats:
    """UTC seconds of whole `unit`s (s, ms, us, ns) since 1970; parts of a microsecond, which no float holds, cut."""
    if unit == "ns":
        return np.asarray((count // 1000) / 1e6)
    return np.asarray(count / float(_PER_S[unit]))


def from_epoch(numbers: NDArray[np.int64] | Floats) -> Floats:
    """UTC seconds of numbers since 1970 in s, ms, us or ns, told by their size; NaN stays."""
    sizes = np.abs(numbers[np.isfinite(numbers)]) if numbers.dtype.kind == "f" else np.abs(numbers)
    if not sizes.size:
        return np.asarray(numbers, np.float64)
    typical = float(np.median(sizes[:: max(1, sizes.size // 1000)]))
    for bound, per_s in _BOUNDS:
        if typical < bound:
            return np.asarray(numbers / per_s)
    if numbers.dtype.kind == "i":
        return from_whole(np.asarray(numbers, np.int64), "ns")
    return np.asarray(numbers / 1e9)


def from_texts(texts: Iterable[str]) -> tuple[Floats, NDArray[np.bool_]]:
    """UTC seconds of ISO 8601 texts, NaN where a text is none; and which named no zone (those are as if in UTC)."""
    times: list[float] = []
    naive: list[bool] = []
    read = datetime.fromisoformat
    for text in texts:
        try:
            moment = read(text)
        except ValueError:
            cleaned = _UTC.sub("+00:00", text.strip().upper())
            try:
                moment = read(cleaned)
            except ValueError:
                times.append(nan)
                naive.append(False)
                continue
        if moment.tzinfo is None:
            times.append((moment - _EPOCH).total_seconds())
            naive.append(True)
        else:
            times.append(moment.timestamp())
            naive.append(False)
    return np.array(times, np.float64), np.array(naive, np.bool_)


def from_fixed(texts: list[str]) -> Floats | None:
    """UTC seconds where every text is like 2026-01-31T04:05:06.789Z to the letter, and quicker; else None."""
    try:
        packed = np.array(texts, "S")
    except UnicodeEncodeError:
        return None
    if packed.dtype.itemsize != len(_FIXED):
        return None
    letters = packed.view(np.uint8).reshape(packed.size, len(_FIXED))
    if not (letters[:, _MARKS] == _MARK_CODES).all():
        return None
    digits = letters[:, _DIGITS] - np.uint8(48)
    if (digits > 9).any():
        return None
    number = digits.astype(np.int64)
    year, month, day = number[:, :4] @ (1000, 100, 10, 1), number[:, 4:6] @ (10, 1), number[:, 6:8] @ (10, 1)
    hour, minute, second = (number[:, place : place + 2] @ (10, 1) for place in (8, 10, 12))
    if ((month < 1) | (month > 12) | (day < 1) | (hour > 23) | (minute > 59) | (second > 59)).any():
        return None
    months = (year - 1970) * 12 + month - 1
    starts = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    if (day > after - starts).any():
        return None
    milli = number[:, 14:17] @ (100, 10, 1)
    whole = (((starts + day - 1) * 24 + hour) * 60 + minute) * 60 + second
    return from_whole(whole * 1000 + milli, "ms")


def possible(time_s: Floats, file: str, problems: Problems, *, first_row: int = 1) -> NDArray[np.bool_] | None:
    """Which rows have a time that can be; None when all have. Those that have not are counted."""
    if not time_s.size or (time_s.min() >= EARLIEST_S and time_s.max() < LATEST_S):  # NaN fails both
        return None
    good = (time_s >= EARLIEST_S) & (time_s < LATEST_S)
    missing = np.isnan(time_s)
    for bad, what in (
        (missing, "no time that can be read: row dropped"),
        (~good & ~missing & (time_s != TOLD), "a time before 1990 or after 2100: row dropped"),
    ):
        where = np.flatnonzero(bad)
        if where.size:
            problems.add(file, what, rows=where.size, first_row=first_row + int(where[0]))
    return good


def from_zone(wall_s: Floats, zone: ZoneInfo, file: str, problems: Problems, *, first_row: int = 1) -> Floats:
    """UTC seconds of a wall clock in a zone, rows in the file's order; `TOLD` where there is no telling.

    `wall_s`: the clock's reading as if it were UTC. The hour that comes twice in autumn is told by order: rows before
    the step back are the first one. Where there is not exactly one such step, those rows cannot be used and are
    counted; nor can the hour that spring leaves out.
    """
    fine = np.isfinite(wall_s) & (wall_s >= EARLIEST_S - 2 * _DAY_S) & (wall_s < LATEST_S + 2 * _DAY_S)
    days, place = np.unique(np.floor(np.where(fine, wall_s, EARLIEST_S) / _DAY_S).astype(np.int64), return_inverse=True)
    of_days = np.array([_offsets(zone, day * _DAY_S) for day in days.tolist()])
    early, late = of_days[place].T.copy()
    for number, day in enumerate(days.tolist()):
        if of_days[number, 0] == of_days[number, 1] and _offsets(zone, (day + 1) * _DAY_S) == tuple(of_days[number]):
            continue
        here = np.flatnonzero(place == number)
        for step in np.unique(wall_s[here] // _STEP_S).tolist():
            within = here[wall_s[here] // _STEP_S == step]
            early[within], late[within] = _offsets(zone, int(step) * _STEP_S)
    offset = early
    lost = fine & (early < late)
    twice = np.flatnonzero(fine & (early > late))
    unclear: list[NDArray[np.int64]] = []
    known = wall_s[fine]
    newest_first = bool(known.size and known[0] > known[-1])
    for group in np.split(twice, np.flatnonzero(np.diff(place[twice]) != 0) + 1) if twice.size else ():
        steps = np.diff(wall_s[group]) * (-1.0 if newest_first else 1.0)
        back = np.flatnonzero(steps <= 0)  # hourly rows say the same hour twice
        if back.size != 1:
            back = np.flatnonzero(steps < 0)
        if back.size != 1:
            unclear.append(group)
            continue
        second = group[: back[0] + 1] if newest_first else group[back[0] + 1 :]
        offset[second] = late[second]
    time_s: Floats = wall_s - offset
    _drop(
        time_s, np.flatnonzero(lost), "a time that clocks leave out in spring: row dropped", file, problems, first_row
    )
    if unclear:
        what = "the hour that clocks repeat in autumn, and no telling which: row dropped"
        _drop(time_s, np.concatenate(unclear), what, file, problems, first_row)
    return time_s


def _drop(time_s: Floats, where: NDArray[np.int64], what: str, file: str, problems: Problems, first_row: int) -> None:
    if where.size:
        problems.add(file, what, rows=where.size, first_row=first_row + int(where[0]))
        time_s[where] = TOLD


def _offsets(zone: ZoneInfo, wall_s: int) -> tuple[float, float]:
    """The zone's offsets from UTC at a wall clock's reading, s: the first time it shows that, and the second."""
    wall = (_EPOCH + timedelta(seconds=wall_s)).replace(tzinfo=zone)
    pair = [moment.utcoffset() or timedelta() for moment in (wall, wall.replace(fold=1))]
    return pair[0].total_seconds(), pair[1].total_seconds()
