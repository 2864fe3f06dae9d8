"""How far the making of a season is, on one line of a terminal."""

import time
from typing import Final

from agent.demo.terminal import Terminal

__all__ = ["SeasonBar"]

_MAKING: Final = 0.22  # what making the signals costs of the whole; the rest is watching them
_WIDTH: Final = 34
_REDRAW_S: Final = 0.1


class SeasonBar:
    """To be called with what is being done and the share of that, 0..1."""

    def __init__(self, terminal: Terminal, days: float) -> None:
        self._terminal, self._days = terminal, days
        self._began_s = time.monotonic()
        self._drawn_s = 0.0

    def __call__(self, what: str, share: float) -> None:
        """Draw it, where that can be done and not too often."""
        now_s = time.monotonic()
        if now_s - self._drawn_s < _REDRAW_S:
            return
        self._drawn_s = now_s
        done = _MAKING * share if what == "making" else _MAKING + (1.0 - _MAKING) * share
        bar = "#" * round(_WIDTH * done)
        day = "making it" if what == "making" else f"day {self._days * share:.0f} of {self._days:.0f}"
        self._terminal.draw(f"   [{bar:.<{_WIDTH}}] {100 * done:3.0f} %  {now_s - self._began_s:2.0f} s  {day}")
