"""Counted events: what went wrong, where and how often, for the log, `status` and the metrics file."""

from collections import Counter
from collections.abc import Iterator

__all__ = ["Counters"]


class Counters:
    """Counts by event and place: a constant snake_case name, and an id such as a probe's or a line's."""

    def __init__(self) -> None:
        self._counts: Counter[tuple[str, str]] = Counter()

    def count(self, event: str, place: str = "", by: int = 1) -> int:
        """Add `by` and return the count at that place."""
        self._counts[event, place] += by
        return self._counts[event, place]

    def total(self, event: str) -> int:
        """The count of an event over all places."""
        return sum(n for (name, _), n in self._counts.items() if name == event)

    def at(self, event: str, place: str = "") -> int:
        """The count of an event at one place."""
        return self._counts[event, place]

    def __iter__(self) -> Iterator[tuple[str, str, int]]:
        """Every event, place and count, sorted."""
        return iter(sorted((event, place, n) for (event, place), n in self._counts.items()))
