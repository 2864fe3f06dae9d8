"""What happened at each probe, for ever: `episodes/probe=<id>.jsonl`, a JSON object a line, only appended to.

A line is known by its `kind` and `from`: one that is there already is not written again, as after a restart that judges
the same check twice. It is written at once and synced when a day closes: a kill loses none, a power cut the last half
minute's.
"""

import json
import os
from collections import deque
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.counters import Counters
from agent.store.append_file import append_lines, read_tail

__all__ = ["EpisodeFiles"]

_REMEMBERED: Final = 200
_HELD_MOST: Final = 1000  # while the disk takes nothing

Told = tuple[str, Mapping[str, Any]]


class EpisodeFiles:
    """The files of all probes. One thread at a time."""

    def __init__(self, folder: Path, *, counters: Counters, log: FilteringBoundLogger) -> None:
        self._folder, self._counters, self._log = folder, counters, log
        self._known: dict[str, deque[tuple[str, str]]] = {}
        self._held: deque[Told] = deque()
        self._fresh: set[Path] = set()
        self._failing = False

    def path(self, probe: str) -> Path:
        """Where a probe's are kept."""
        return self._folder / f"probe={probe}.jsonl"

    def write(self, told: Iterable[Told]) -> None:
        """Append what is new. What the disk refuses is held until the next call."""
        self._held.extend(told)
        by_probe: dict[str, list[Mapping[str, Any]]] = {}
        for probe, row in self._held:
            by_probe.setdefault(probe, []).append(row)
        try:
            for probe, rows in by_probe.items():
                self._append(probe, rows)
        except OSError as error:
            self._counters.count("episodes_write_failed")
            if not self._failing:
                self._failing = True
                self._log.error("episodes_cannot_write", found=str(error), message="held until the disk takes them")
            while len(self._held) > _HELD_MOST:
                self._held.popleft()
                self._counters.count("episodes_lost")
            return
        self._held.clear()
        self._failing = False

    def _append(self, probe: str, rows: list[Mapping[str, Any]]) -> None:
        path = self.path(probe)
        known = self._known.get(probe)
        if known is None:
            lines = [_parsed(line) for line in read_tail(path)]
            known = self._known[probe] = deque(
                ((str(row.get("kind")), str(row.get("from"))) for row in lines if row is not None), maxlen=_REMEMBERED
            )
        new: dict[tuple[str, str], str] = {}
        for row in rows:
            key = (str(row.get("kind")), str(row.get("from")))
            if key not in known and key not in new:
                try:
                    new[key] = json.dumps(row, allow_nan=False, ensure_ascii=False)
                except (TypeError, ValueError):  # a fault of this program: the others are worth writing
                    self._counters.count("episode_not_json", probe)
        if new:
            append_lines(path, new.values(), whole=lambda line: _parsed(line) is not None, sync=False)
            known.extend(new)
            self._fresh.add(path)

    def sync(self) -> None:
        """What was written is on the disk for good. Errors are the disk's own: nothing is lost by trying later."""
        for path in list(self._fresh):
            try:
                number = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
                try:
                    os.fsync(number)
                finally:
                    os.close(number)
            except OSError:
                continue
            self._fresh.discard(path)


def _parsed(line: str) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
