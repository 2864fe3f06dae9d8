"""A place in a line's turn: one poller with its grid, and a faster grid while its probe is being checked."""

import random
from dataclasses import dataclass

from agent.acquire.link import LinkNow
from agent.acquire.poll import Poller
from agent.acquire.schedule import Grid

__all__ = ["Slot"]


@dataclass(slots=True)
class Slot:
    """A poller on its grid, and on a faster one during a burst."""

    poller: Poller
    link: LinkNow
    grid: Grid
    period_s: float
    burst_period_s: float | None
    dither: random.Random | None
    due_s: float = 0.0
    burst_grid: Grid | None = None
    burst_until_s: float = 0.0
    behind: int = 0  # polls until it counts as caught up

    def __post_init__(self) -> None:
        self.due_s = self.grid.due_s

    def burst(self, now_s: float, until_s: float) -> None:
        """Poll at the burst period until then. Asking again while it runs only moves the end."""
        if self.burst_period_s is None or self.burst_period_s >= self.period_s:
            return
        self.burst_until_s = until_s
        if self.burst_grid is None and until_s > now_s:
            self.burst_grid = Grid(now_s, self.burst_period_s, self.dither)
            self.due_s = self.burst_grid.due_s

    def advance(self, now_s: float) -> int:
        """Take the next slot; return how many were skipped."""
        if self.burst_grid is not None:
            skipped = self.burst_grid.advance(now_s)
            if self.burst_grid.due_s <= self.burst_until_s:
                self.due_s = self.burst_grid.due_s
                return skipped
            self.burst_grid = None
            self.grid.advance(now_s)  # what the burst covered was not missed
        else:
            skipped = self.grid.advance(now_s)
        self.due_s = self.grid.due_s
        return skipped
