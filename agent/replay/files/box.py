"""The folder of a box, running or copied: beside its closed days, the samples that only its database has."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from agent.config.model import Settings
from agent.intake import columns_of
from agent.replay.files.problems import Problems
from agent.replay.files.tidy import in_order
from agent.replay.files.times import possible
from agent.replay.files.values import value_of
from agent.store.open_days import open_probes, read_open_days
from agent.store.samples import NAME
from detectors.stretch import Stretch

__all__ = ["OpenDays", "box_of", "in_open_days", "open_days"]


def box_of(folder: Path) -> Path | None:
    """The data_dir that a folder of history belongs to, where its database is there too."""
    return folder.parent if folder.name == "history" and (folder.parent / NAME).is_file() else None


def in_open_days(box: Path) -> Collection[str]:
    """Probes that have samples in open days."""
    return open_probes(box)


def open_days(
    settings: Settings, box: Path, probes: Collection[str], problems: Problems
) -> Iterator[tuple[str, Stretch]]:
    """The open days of these probes, all rows of one after all rows of another."""
    for probe, time_s, columns in read_open_days(box, probes):
        own, fed = columns_of(settings, probe)
        good = possible(time_s, NAME, problems)
        signals = {name: value_of(name, columns[name], NAME, problems) for name in (*own, *fed) if name in columns}
        if good is not None:
            time_s, signals = time_s[good], {name: column[good] for name, column in signals.items()}
        if signals and time_s.size:
            yield probe, in_order(time_s, signals, NAME, problems)


@dataclass(frozen=True, slots=True)
class OpenDays:
    """What the database holds of one probe. See `Source`."""

    stretch: Stretch
    name: str = field(default=NAME)

    @property
    def first_s(self) -> float:
        """The first row."""
        return float(self.stretch.time_s[0])

    @property
    def last_s(self) -> float:
        """The last row."""
        return float(self.stretch.time_s[-1])

    @property
    def rows(self) -> int:
        """How many."""
        return len(self.stretch)

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it has."""
        return tuple(self.stretch.signals)

    def pieces(self, problems: Problems) -> Iterator[Stretch]:  # noqa: ARG002 - they were told when it was read
        """See `Source.pieces`."""
        yield self.stretch
