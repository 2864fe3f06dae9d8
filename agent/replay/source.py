"""What the engine asks of recorded history, wherever it comes from."""

from collections.abc import Iterator
from typing import Protocol

from agent.replay.files.problems import Problems
from detectors.stretch import Stretch

__all__ = ["History"]


class History(Protocol):
    """Recorded samples of some probes. It travels to other processes: plain data, cheap to open there."""

    @property
    def probes(self) -> tuple[str, ...]:
        """The probes that have data."""

    def span(self, probe: str) -> tuple[float, float] | None:
        """About the first and the last time, UTC seconds; None where there is nothing."""

    def rows(self, probe: str) -> int | None:
        """About how many rows, for progress."""

    def stretches(self, probe: str, problems: Problems) -> Iterator[Stretch]:
        """All rows in strictly rising order of time, in chunks of any length. What was skipped goes to `problems`."""
