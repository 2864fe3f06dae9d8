"""A recorder on a clock under the test's hand, made samples, and everything that is on the disk. Not a test."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from agent.counters import Counters
from agent.store.day_files import read_day
from agent.store.open_days import read_open_days
from agent.store.recorder import Recorder
from agent.store.sample_writer import Keeping
from tests.fakes import FakeClock
from tests.service.rig import Log
from tests.store.history.samples import COLUMNS, MIDNIGHT_S, made

DAY_S = 86_400.0


class Box:
    """An agent's folder and what runs on it. `kill` is kill -9: nothing is flushed or closed."""

    def __init__(self, folder: Path, utc_s: float = MIDNIGHT_S - 600.0, columns=COLUMNS, **keeping) -> None:
        self.folder, self.columns, self.keeping = folder, dict(columns), keeping
        self.clock, self.counters, self.log = FakeClock(utc_s), Counters(), Log()
        self.fed: dict[str, list[list[float]]] = {}
        self.begin()

    def begin(self) -> None:
        self.recorder = Recorder(
            self.folder,
            self.columns,
            clock=self.clock,
            counters=self.counters,
            log=self.log.log,
            keeping=Keeping(**self.keeping),
        )

    def kill(self) -> None:
        if self.recorder.database is not None:
            self.recorder.database.close()  # the file's handle; what was not committed is gone as with the process
        self.begin()

    def take(self, probe: str, row: list[float]) -> None:
        self.fed.setdefault(probe, []).append(row)
        self.recorder.take(probe, row)

    def run(self, seconds: float, *, period_s: float = 5.0, turns: bool = True) -> None:
        """Samples of every probe at a period, and the recorder's turns as they fall due."""
        for _ in range(round(seconds / period_s)):
            self.pass_s(period_s)
            for probe, columns in self.columns.items():
                self.take(probe, made(self.clock.utc(), len(columns)))
            if turns:
                self.recorder.turn()

    def pass_s(self, seconds: float) -> None:
        self.clock._utc_s = round(self.clock._utc_s + seconds, 3)
        self.clock._monotonic_s += seconds

    def work(self, most: int = 3000) -> int:
        """Turns until nothing is left to do."""
        for turn in range(most):
            if self.recorder.turn() >= 1.0 and turn > 2:
                return turn
        raise AssertionError("there is no end to it")

    def on_disk(self) -> dict[str, dict[float, tuple]]:
        return on_disk(self.folder)


def on_disk(folder: Path) -> dict[str, dict[float, tuple]]:
    """By probe and time the columns that are there, from files and from open days; a time that is there twice fails."""
    found: dict[str, dict[float, tuple]] = {}
    for path in sorted(folder.glob("history/probe=*/date=*.csv.gz")):
        part = read_day(path)
        for line in part.lines:
            stamp, *cells = line.split(",")
            assert stamp[:10] == path.name[5:15]
            _add(found.setdefault(path.parent.name[6:], {}), _seconds([stamp])[0], part.columns, map(_value, cells))
    for probe, time_s, columns in read_open_days(folder):
        assert np.all(np.diff(time_s) > 0)
        for i, at_s in enumerate(time_s.tolist()):
            _add(found.setdefault(probe, {}), at_s, tuple(columns), (float(c[i]) for c in columns.values()))
    return found


def _value(cell: str) -> float:
    return float(cell) if cell else np.nan


def _seconds(stamps: Iterable[str]) -> list[float]:
    return (np.array([s[:-1] for s in stamps], "datetime64[ms]").astype(np.int64) / 1000.0).tolist()


def _add(rows: dict[float, tuple], at_s: float, columns, values) -> None:
    assert at_s not in rows, f"{at_s} is there twice"
    rows[at_s] = tuple((name, value) for name, value in zip(columns, values, strict=True) if value == value)


def as_rows(fed: list[list[float]], columns) -> dict[float, tuple]:
    """What was fed, as `on_disk` gives it."""
    return {
        row[0]: tuple((name, value) for name, value in zip(columns, row[1:], strict=True) if value == value)
        for row in fed
    }
