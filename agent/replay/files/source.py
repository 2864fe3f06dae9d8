"""What the readers hand to the ordering: a piece of a file that can be read in one go or in a few."""

from collections.abc import Iterator
from typing import Protocol

from agent.replay.files.problems import Problems
from detectors.stretch import Stretch

__all__ = ["Source", "UnreadableError"]


class UnreadableError(Exception):
    """A file that cannot be used at all; the text says what it is and what would be right."""


class Source(Protocol):
    """A file, or a part of one."""

    @property
    def name(self) -> str:
        """The file's name within the folder, for messages."""

    @property
    def first_s(self) -> float:
        """No row of it is earlier, UTC s; as well as can be known cheaply."""

    @property
    def last_s(self) -> float:
        """No row of it is later, UTC s; infinity where that is not cheap to know."""

    @property
    def rows(self) -> int:
        """About how many rows."""

    def pieces(self, problems: Problems) -> Iterator[Stretch]:
        """Its rows, each piece strictly rising in time; pieces follow each other in time but may overlap.

        Never raises for what is in the file: that goes to `problems`, and what can be read is given.
        """
