"""Which files of a folder hold history, and whose."""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.intake import columns_of
from agent.replay.files.columns import Wanted, wanted_of
from agent.replay.files.csv_head import header_cells
from agent.replay.files.parquet import header_of
from agent.replay.files.problems import Problems
from agent.replay.files.raw_bytes import head_of
from agent.replay.files.source import UnreadableError

__all__ = ["DATED", "SUFFIXES", "day_of", "files_of_probe", "of_probe", "of_several"]

SUFFIXES: Final = (".parquet", ".csv", ".csv.gz")
DATED: Final = re.compile(r"date=(\d{4}-\d\d-\d\d)\.(parquet|csv|csv\.gz)\Z")


def files_of_probe(folder: Path, problems: Problems) -> list[Path]:
    """The files in a probe's folder, by name; none where it is not there."""
    try:
        return [path for path in sorted(folder.iterdir()) if path.name.endswith(SUFFIXES) and path.name[0] != "."]
    except FileNotFoundError:
        return []
    except OSError as error:
        problems.add(folder.name, f"not used: {error.strerror or error}")
        return []


def of_probe(entry: Path, settings: Settings, files: dict[str, list[tuple[Path, bool]]], problems: Problems) -> None:
    """Files of one probe, where it is configured."""
    probe = entry.name.removeprefix("probe=")
    if probe not in settings.probes:
        hint = did_you_mean(probe, settings.probes)
        problems.add(entry.name, f"not used: no probe {probe!r} is configured{hint}")
        return
    files[probe] += [(path, False) for path in files_of_probe(entry, problems)]


def of_several(path: Path, settings: Settings, files: dict[str, list[tuple[Path, bool]]], problems: Problems) -> None:
    """A file in the folder itself, under every probe whose columns it has."""
    try:
        names = header_of(path)[0] if path.name.endswith(".parquet") else header_cells(head_of(path))
    except UnreadableError as error:
        problems.add(path.name, f"not used: {error}")
        return
    there = {name.strip() for name in names}
    whose = [probe for probe in settings.probes if _has_any(wanted_of(settings, probe, shared=True), settings, there)]
    for probe in whose:
        files[probe].append((path, True))
    if not whose:
        problems.add(
            path.name,
            "not used: none of its columns is named in a probe's history_columns; a file of one probe belongs into "
            "the folder probe=<id>",
        )


def _has_any(wanted: Wanted, settings: Settings, there: set[str]) -> bool:
    """Whether a column says whose it is: one of the probe's own, and not only of a feed."""
    own, _ = columns_of(settings, wanted.probe)
    said = settings.probes[wanted.probe].history_columns
    return any(
        each.column in there
        for signal, candidates in wanted.signals.items()
        if signal in own or signal in said
        for each in candidates
    )


def day_of(path: Path) -> float | None:
    """The start of the day that a file is named after, UTC s."""
    found = DATED.match(path.name)
    try:
        return None if found is None else datetime.fromisoformat(found[1]).replace(tzinfo=UTC).timestamp()
    except ValueError:
        return None
