"""The days that a box has recorded, one at a time, each with a stamp that changes when the day does."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np

from agent.replay.files.folder import HistoryFolder, day_of
from agent.replay.files.problems import Problems
from detectors.stretch import Stretch

__all__ = ["Day", "days_of"]


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day of one probe."""

    date: date
    stamp: str
    probe: str
    history: HistoryFolder  # of this day alone

    def read(self, problems: Problems) -> Stretch | None:
        """All its rows; None where there are none."""
        stretches = list(self.history.stretches(self.probe, problems))
        if not stretches:
            return None
        names = list(stretches[0].signals)
        return Stretch(
            np.concatenate([stretch.time_s for stretch in stretches]),
            {name: np.concatenate([stretch.signals[name] for stretch in stretches]) for name in names},
        )


def days_of(history: HistoryFolder, probe: str) -> Iterator[Day]:
    """The recorded days of a probe, the earliest first. Files that are not named after a day are not the recorder's."""
    by_day: dict[date, list[tuple[str, int, int]]] = {}
    files: dict[date, list[tuple[Path, bool]]] = {}
    for path, shared in history.files[probe]:
        start_s = day_of(path)
        if start_s is None or shared:
            continue
        day = datetime.fromtimestamp(start_s, UTC).date()
        try:
            stat = path.stat()
        except OSError:  # gone meanwhile, by age
            continue
        by_day.setdefault(day, []).append((path.name, stat.st_size, stat.st_mtime_ns))
        files.setdefault(day, []).append((path, shared))
    for day in sorted(by_day):
        stamp = ";".join(f"{name}:{size}:{mtime}" for name, size, mtime in sorted(by_day[day]))
        yield Day(day, stamp, probe, replace(history, files={probe: tuple(files[day])}, _opened={}))
