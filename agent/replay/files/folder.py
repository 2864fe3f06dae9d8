"""Recorded history of the configured probes in one folder, as stretches that only go forward in time."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf, isfinite
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from agent.config.model import Settings
from agent.intake import columns_of
from agent.replay.files.box import OpenDays, box_of, in_open_days, open_days
from agent.replay.files.columns import as_recorded, wanted_of
from agent.replay.files.csv_file import CsvFile, csv_source
from agent.replay.files.csv_head import Format
from agent.replay.files.listing import DATED, SUFFIXES, files_of_probe, of_probe, of_several
from agent.replay.files.order import gathered, in_time_order
from agent.replay.files.parquet import ParquetPiece, header_of, parquet_sources
from agent.replay.files.problems import Problems
from agent.replay.files.raw_bytes import head_of
from agent.replay.files.source import UnreadableError
from agent.signals import SIGNALS
from detectors.stretch import Stretch

__all__ = ["HistoryError", "HistoryFolder", "open_history"]

_RECORDED: Final = re.compile(rb"time,([a-z0-9_,]+)\n(?:\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z,|\Z)")
_EVERY: Final = 64  # one row in so many is looked at for how full a column is
_LOOKS: Final = 16  # of fewer rows nothing is said
_EMPTY: Final = 0.95


class HistoryError(Exception):
    """There is no history to read; the text says what was looked for and what would be right."""


@dataclass(slots=True)
class HistoryFolder:
    """What a folder holds of the configured probes. Plain data: pickles, and costs nothing until it is read."""

    settings: Settings
    files: dict[str, tuple[tuple[Path, bool], ...]]  # by probe; True where a file holds several probes
    root: Path
    noticed: Problems  # what was noticed in the folder itself: add it to those of the probes
    box: Path | None = None  # the data_dir whose database has the open days
    _opened: dict[str, tuple[list[CsvFile | ParquetPiece], Problems]] = field(default_factory=dict, repr=False)

    @property
    def probes(self) -> tuple[str, ...]:
        """Configured probes that have files here, in the configuration's order."""
        return tuple(self.files)

    def span(self, probe: str) -> tuple[float, float] | None:
        """About the first and the last time, UTC s, rather too wide than too narrow; None where nothing is readable.

        Cheap, but for the open days of a box, which are read.
        """
        sources = self._sources(probe)[0]
        first = min((source.first_s for source in sources if isfinite(source.first_s)), default=inf)
        last = -inf
        for source in reversed(sources):
            end = source.last_row_s() if isinstance(source, CsvFile) else source.last_s
            last = max(last, end if isfinite(end) else -inf)
            if DATED.match(source.path.name) and isfinite(end):
                break  # days are in order
        if self.box is not None:
            for _, stretch in open_days(self.settings, self.box, (probe,), Problems()):
                first, last = min(first, float(stretch.time_s[0])), max(last, float(stretch.time_s[-1]))
        return (first, last) if first <= last else None

    def rows(self, probe: str) -> int | None:
        """About how many rows in files, for progress; None where there are no files yet."""
        return sum(source.rows for source in self._sources(probe)[0]) or None

    def stretches(self, probe: str, problems: Problems) -> Iterator[Stretch]:
        """All rows of a probe, strictly rising in time over the whole iteration, in chunks of 131072 to 262144 rows.

        Signals: those of the probe and its feeds that any of its files has, float64, NaN where missing; the same ones
        in every chunk.
        """
        sources: list[CsvFile | ParquetPiece | OpenDays] = list(self._of_box(probe, problems))
        files, found = self._sources(probe)
        sources += files
        problems.merge(found)
        own, fed = columns_of(self.settings, probe)
        there = {signal for source in sources for signal in source.signals}
        names = [signal for signal in (*own, *fed) if signal in there]
        looked, empty = 0, np.zeros(len(names), np.int64)
        for stretch in gathered(in_time_order(sources, problems), names):
            columns = stretch.signals
            yield stretch
            looked += -(-len(stretch) // _EVERY)
            empty += [np.count_nonzero(np.isnan(column[::_EVERY])) for column in columns.values()]
        for name, missing in zip(names, empty.tolist(), strict=True):
            if looked >= _LOOKS and missing > _EMPTY * looked:
                problems.add(
                    f"probe {probe}",
                    f"{name} is missing in {'all' if missing == looked else f'{100 * missing / looked:.0f} %'} of the "
                    "rows; where a historian writes only changes, export it at fixed times",
                )

    def _of_box(self, probe: str, problems: Problems) -> Iterator[OpenDays]:
        """The open days, and into the files whatever day was closed since the folder was looked at."""
        if self.box is None:
            return
        for _, stretch in open_days(self.settings, self.box, (probe,), problems):
            yield OpenDays(stretch)
        had = self.files[probe]
        now = tuple((path, False) for path in files_of_probe(self.root / f"probe={probe}", problems))
        if new := tuple(each for each in now if each not in had):
            self.files[probe] = (*had, *new)
            self._opened.pop(probe, None)

    def _sources(self, probe: str) -> tuple[list[CsvFile | ParquetPiece], Problems]:
        if probe not in self._opened:
            problems = Problems()
            sources: list[CsvFile | ParquetPiece] = []
            for path, shared in self.files.get(probe, ()):
                try:
                    sources += self._of_file(probe, path, shared, problems)
                except UnreadableError as error:
                    problems.add(self.name(path), f"not used: {error}")
            self._opened[probe] = (sources, problems)
        return self._opened[probe]

    def _of_file(self, probe: str, path: Path, shared: bool, problems: Problems) -> list[CsvFile | ParquetPiece]:
        settings, name = self.settings, self.name(path)
        said = settings.history.time_zone
        dated = DATED.match(path.name)
        zone = ZoneInfo(said) if said else ZoneInfo("UTC") if dated and not shared else None
        wanted = wanted_of(settings, probe, shared=shared)
        if path.name.endswith(".parquet"):
            if header_of(path)[1]:
                wanted, zone = as_recorded(settings, probe), ZoneInfo("UTC")
            return list(parquet_sources(path, name, wanted, zone, problems))
        form, text = Format(settings.history.decimal, zone), head_of(path)
        if dated and self._is_recorded(probe, text):
            wanted, form = as_recorded(settings, probe), Format()
        return [csv_source(path, name, wanted, form, text)]

    def _is_recorded(self, probe: str, text: bytes) -> bool:
        """Whether the recorder wrote a file: signals' names and times of its form.

        Where a column from elsewhere is configured under a signal's name, only all signals of the map, as the map
        orders them, are the recorder's.
        """
        first = _RECORDED.match(text)
        if first is None:
            return False
        own, fed = columns_of(self.settings, probe)
        names = first[1].decode().split(",")
        wanted = wanted_of(self.settings, probe).signals.values()
        renamed = {
            each.column for found in wanted for each in found if not (each.as_it_is and each.column == each.signal)
        }
        return names in ([*own], [*own, *fed]) or (SIGNALS.keys() >= set(names) and not renamed.intersection(names))

    def name(self, path: Path) -> str:
        """A file's name in messages."""
        return path.relative_to(self.root).as_posix() if path.is_relative_to(self.root) else path.name


def open_history(settings: Settings, folder: Path) -> HistoryFolder:
    """What there is of the configured probes under `folder`, or in a single file.

    Read are `probe=<id>/date=YYYY-MM-DD.csv.gz` (and .csv, .parquet), any other such files in `probe=<id>/`, and files
    in the folder itself, whose columns `history_columns` of the probes share out.

    Raises
    ------
    HistoryError
        There is nothing to read.
    """
    problems = Problems()
    folder = folder.absolute()
    inside = folder / "history"
    if not any(folder.glob("probe=*")) and (inside.is_dir() or box_of(inside) is not None):  # a box's data_dir
        folder = inside
    box = box_of(folder)  # a new one has no closed day yet
    if box is None and not folder.exists():
        raise HistoryError(f"{folder}: no such folder")
    root = folder.parent if folder.is_file() else folder
    files: dict[str, list[tuple[Path, bool]]] = {probe: [] for probe in settings.probes}
    try:
        entries = [folder] if folder.is_file() else sorted(folder.iterdir()) if folder.exists() else []
        for entry in entries:
            if entry.is_dir() and entry.name.startswith("probe="):
                of_probe(entry, settings, files, problems)
            elif entry.name.endswith(SUFFIXES):
                of_several(entry, settings, files, problems)
    except OSError as error:
        raise HistoryError(f"{folder}: {error.strerror or error}") from None
    known = in_open_days(box) if box is not None and not all(files.values()) else ()
    found = {probe: tuple(those) for probe, those in files.items() if those or probe in known}
    if not found:
        said = "".join(f"\n  {line}" for line in problems.lines(10))
        raise HistoryError(
            f"{folder}: no history of a configured probe; looked for probe=<id>/*.csv.gz, .csv or .parquet with <id> "
            f"one of {', '.join(settings.probes)}, and for such files with columns named in a probe's "
            f"history_columns{said}"
        )
    return HistoryFolder(settings, found, root, problems, box)
