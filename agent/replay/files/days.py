"""The days that a box has recorded, one at a time, each with a stamp that changes when the day does."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import numpy as np

from agent.intake import columns_of
from agent.replay.files.box import OpenDays
from agent.replay.files.folder import HistoryFolder
from agent.replay.files.listing import day_of
from agent.replay.files.order import gathered, in_time_order
from agent.replay.files.problems import Problems
from detectors.stretch import Stretch

__all__ = ["Day", "days_of"]

_DAY_S: Final = 86_400


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day of one probe."""

    date: date
    stamp: str
    probe: str
    history: HistoryFolder  # of this day alone
    open_rows: Stretch | None  # what the database holds of it

    def read(self, problems: Problems) -> Stretch | None:
        """All its rows; None where there are none."""
        found = [*self.history.stretches(self.probe, problems)] if self.history.files else []
        if self.open_rows is not None:
            sources = [OpenDays(stretch) for stretch in (*found, self.open_rows)]
            own, fed = columns_of(self.history.settings, self.probe)
            names = [name for name in (*own, *fed) if any(name in source.signals for source in sources)]
            found = list(gathered(in_time_order(sources, problems), names))
        if not found:
            return None
        return Stretch(
            np.concatenate([stretch.time_s for stretch in found]),
            {name: np.concatenate([stretch.signals[name] for stretch in found]) for name in found[0].signals},
        )


def days_of(history: HistoryFolder, probe: str, open_rows: Stretch | None = None) -> Iterator[Day]:
    """The recorded days of a probe, the earliest first. Files that are not named after a day are not the recorder's.

    `open_rows`: what the database holds of this probe.
    """
    stamps: dict[date, list[str]] = {}
    files: dict[date, list[tuple[Path, bool]]] = {}
    for path, shared in history.files.get(probe, ()):
        start_s = day_of(path)
        if start_s is None or shared:
            continue
        try:
            stat = path.stat()
        except OSError:  # gone meanwhile, by age
            continue
        day = datetime.fromtimestamp(start_s, UTC).date()
        stamps.setdefault(day, []).append(f"{path.name}:{stat.st_size}:{stat.st_mtime_ns}")
        files.setdefault(day, []).append((path, shared))
    rows = {} if open_rows is None else _by_day(open_rows)
    for day, part in rows.items():
        stamps.setdefault(day, []).append(f"open:{len(part)}:{part.time_s[-1]}")
    for day in sorted(stamps):
        of_day = replace(history, files={probe: tuple(files[day])} if day in files else {}, box=None, _opened={})
        yield Day(day, ";".join(stamps[day]), probe, of_day, rows.get(day))


def _by_day(stretch: Stretch) -> dict[date, Stretch]:
    numbers = np.floor(stretch.time_s / _DAY_S).astype(np.int64)
    found = {}
    for number in np.unique(numbers).tolist():
        rows = slice(*np.searchsorted(numbers, [number, number + 1]).tolist())
        columns = {name: column[rows] for name, column in stretch.signals.items()}
        found[datetime.fromtimestamp(number * _DAY_S, UTC).date()] = Stretch(stretch.time_s[rows], columns)
    return found
