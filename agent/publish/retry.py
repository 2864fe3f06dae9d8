"""How long to rest before the next try: a value computed from the attempts, jitter drawn by the caller."""

from dataclasses import dataclass

__all__ = ["BackOff"]


@dataclass(frozen=True, slots=True)
class BackOff:
    """Doubling rests between `first_s` and `longest_s`."""

    first_s: float
    longest_s: float

    def __post_init__(self) -> None:
        if not 0 < self.first_s <= self.longest_s:
            raise ValueError(f"0 < first_s <= longest_s wanted, got {self.first_s!r}, {self.longest_s!r}")

    def rest_s(self, attempt: int, draw: float) -> float:
        """Rest after failed attempt number `attempt` (from 1); `draw` from 0..1 spreads it over its upper half.

        A hundred agents that lost one broker at once must not come back at once.
        """
        doublings = min(max(attempt - 1, 0), 40)  # 2.0**40 s is far beyond any longest_s, and no overflow
        full = min(self.first_s * 2.0**doublings, self.longest_s)
        return full * (0.5 + 0.5 * draw)
