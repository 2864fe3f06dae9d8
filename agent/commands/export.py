"""`flueward export`: the recorded history as Parquet, a file a day and probe, for any tool that reads it."""

import json
import sys
from argparse import Namespace
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from agent.commands.wide import paragraph
from agent.config.errors import ConfigError
from agent.config.load import load_settings
from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.replay.files.arrow_columns import INSTALL
from agent.replay.files.box import open_days
from agent.replay.files.days import Day, days_of
from agent.replay.files.folder import HistoryError, open_history
from agent.replay.files.problems import Problems
from agent.replay.files.write_parquet import NotWrittenError, unchanged, write_day

__all__ = ["export"]


@dataclass(slots=True)
class _Tally:
    """What became of one probe's days."""

    first: date | None = None
    last: date | None = None
    written: list[str] = field(default_factory=list)
    unchanged: int = 0
    rows: int = 0
    size: int = 0  # bytes of what was written

    def count(self, day: Day) -> None:
        self.first = day.date if self.first is None else min(self.first, day.date)
        self.last = day.date if self.last is None else max(self.last, day.date)


def export(options: Namespace) -> int:
    """Write the days of `data_dir/history`, and the open one, that are not yet in `--to`, or have changed, as Parquet.

    Exit code 0 where all days asked for are there, 1 where there is nothing or some could not be read or written, 2
    where the configuration or the arguments cannot be used, or pyarrow is missing.

    Keys of the `--json` document: `to`; `probes`, by id {`first`, `last` (days), `written` (days), `unchanged`
    (count), `rows`, `bytes`}; `problems` (list of {`file`, `what`, `rows`, `first_row`}); `error` (null or a text).
    """
    try:
        settings = load_settings(options.config)
    except ConfigError as error:
        return _refuse([str(problem) for problem in error.problems], options)
    if faults := _faults(settings, options):
        return _refuse(faults, options)
    tallies: dict[str, _Tally] = {}
    problems = Problems()
    error_text: str | None = None
    try:
        history = open_history(settings, settings.data_dir / "history")
        problems.merge(history.noticed)
        tallies = {probe: _Tally() for probe in history.probes if not options.probe or probe in options.probe}
        left = dict.fromkeys(tallies)
        if history.box is not None:
            for probe, rows in open_days(settings, history.box, tuple(tallies), problems):
                _export_days(days_of(history, probe, rows), options, tallies[probe], problems)
                left.pop(probe, None)
        for probe in left:
            _export_days(days_of(history, probe), options, tallies[probe], problems)
    except (HistoryError, NotWrittenError) as error:
        error_text = str(error)
    if options.json:
        print(json.dumps(_document(options.to, tallies, problems, error_text), indent=2))
    else:
        for line in _lines(options.to, tallies, problems):
            print(line)
        if error_text is not None:
            print(error_text, file=sys.stderr)
    anything = any(tally.first is not None for tally in tallies.values())
    return 0 if anything and error_text is None and not problems else 1


def _faults(settings: Settings, options: Namespace) -> list[str]:
    faults = [
        f"--probe: got {probe!r}, no such probe{did_you_mean(probe, settings.probes)}"
        for probe in options.probe or ()
        if probe not in settings.probes
    ]
    if options.from_date and options.to_date and options.from_date > options.to_date:
        faults.append(f"--from {options.from_date} is later than --to-date {options.to_date}")
    here = settings.data_dir.resolve()
    if options.to.resolve() == here or here in options.to.resolve().parents:
        faults.append(f"--to: {options.to} is within data_dir, where the service keeps its own files: choose another")
    elif options.to.exists() and not options.to.is_dir():
        faults.append(f"--to: {options.to} is a file: wanted is a folder, made where it is not there")
    try:
        import pyarrow  # noqa: F401 - only whether it is there
    except ImportError:
        faults.append(INSTALL.replace("reading", "writing"))
    return faults


def _export_days(days: Iterable[Day], options: Namespace, tally: _Tally, problems: Problems) -> None:
    for day in days:
        if (options.from_date and day.date < options.from_date) or (options.to_date and day.date > options.to_date):
            continue
        path = options.to / f"probe={day.probe}" / f"date={day.date}.parquet"
        if unchanged(path, day.stamp):
            tally.count(day)
            tally.unchanged += 1
            continue
        found = day.read(problems)
        if found is None:
            continue
        tally.count(day)
        tally.size += write_day(path, found, day.stamp)
        tally.written.append(str(day.date))
        tally.rows += len(found)


def _lines(to: Path, tallies: dict[str, _Tally], problems: Problems) -> list[str]:
    lines = []
    if tallies:
        lines.append(f"{'probe':<20} {'from':<10} {'to':<10} {'written':>7} {'as before':>9} {'rows':>10} {'MB':>7}")
    for probe, tally in tallies.items():
        lines.append(
            f"{probe:<20} {tally.first or '-'!s:<10} {tally.last or '-'!s:<10} {len(tally.written):>7} "
            f"{tally.unchanged:>9} {tally.rows:>10} {tally.size / 1e6:>7.2f}"
        )
    if tallies:
        lines += ["", *paragraph(f"days are UTC, in {to}", hang=2)]
    for line in problems.lines():
        lines += paragraph(line, hang=2)
    return lines


def _document(to: Path, tallies: dict[str, _Tally], problems: Problems, error: str | None) -> dict[str, Any]:
    return {
        "to": str(to),
        "probes": {
            probe: {
                "first": None if tally.first is None else str(tally.first),
                "last": None if tally.last is None else str(tally.last),
                "written": tally.written,
                "unchanged": tally.unchanged,
                "rows": tally.rows,
                "bytes": tally.size,
            }
            for probe, tally in tallies.items()
        },
        "problems": problems.as_json(),
        "error": error,
    }


def _refuse(faults: list[str], options: Namespace) -> int:
    for fault in faults:
        print(fault, file=sys.stderr)
    if options.json:
        print(json.dumps({"to": str(options.to), "probes": {}, "problems": [], "error": "; ".join(faults)}, indent=2))
    return 2
