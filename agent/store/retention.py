"""How long raw samples stay: by age, by size, and as long as there is room. Whole days go, the oldest first."""

import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

__all__ = ["Day", "Room", "days_kept", "free_bytes", "next_to_go", "remove"]

_FILE: Final = re.compile(r"date=(\d{4}-\d\d-\d\d)\.csv\.gz")
MB: Final = 1_000_000

Why = Literal["age", "size", "room"]
Room = Callable[[], int]
"""Bytes free for us on the disk."""


@dataclass(frozen=True, slots=True)
class Day:
    """All our files of one date."""

    date: str
    files: tuple[Path, ...]
    bytes: int


def free_bytes(folder: Path) -> int:
    """What a process that is not root can still write there. A folder that cannot be asked has no room."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return 0


def days_kept(history: Path) -> list[Day]:
    """Every date of which there are day files of ours, the oldest first. What a person put there is not counted."""
    found: dict[str, list[tuple[Path, int]]] = {}
    try:
        folders = [entry.path for entry in os.scandir(history) if entry.name.startswith("probe=") and entry.is_dir()]
    except FileNotFoundError:
        return []
    for folder in folders:
        for entry in os.scandir(folder):
            match = _FILE.fullmatch(entry.name)
            if match is not None:
                found.setdefault(match[1], []).append((Path(entry.path), entry.stat().st_size))
    return [
        Day(date, tuple(path for path, _ in files), sum(size for _, size in files))
        for date, files in sorted(found.items())
    ]


def next_to_go(
    days: list[Day], *, oldest: str, most_bytes: int, held_bytes: int, free: int, wanted_free: int
) -> Why | None:
    """Why the first of `days` has to go, None where it may stay.

    Parameters
    ----------
    oldest : str
        The oldest date that may stay.
    most_bytes, held_bytes : int
        What raw samples may take, and what the samples database takes of it.
    free, wanted_free : int
        Room on the disk, and what there should be.
    """
    if not days:
        return None
    if held_bytes + sum(day.bytes for day in days) > most_bytes:
        return "size"
    if free < wanted_free:
        return "room"
    return "age" if days[0].date < oldest else None


def remove(day: Day) -> None:
    """Remove a day's files. Raises OSError; what was removed before stays so."""
    for path in day.files:
        path.unlink(missing_ok=True)
