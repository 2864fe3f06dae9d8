"""How far a replay is, on one line of a terminal, with the time that is left."""

import time
from typing import Final, TextIO

__all__ = ["Progress"]

_REDRAW_S: Final = 0.2
_WIDTH: Final = 30
_TELL_AFTER_S: Final = 2.0  # before that, the time left is a guess


class Progress:
    """To be called with rows done and rows in all. Silent where `out` is no terminal."""

    def __init__(self, out: TextIO) -> None:
        self._out, self._shown = out, out.isatty()
        self._began_s = self._drawn_s = time.monotonic()
        self._width = 0

    def __call__(self, done: int, total: int) -> None:
        """Draw it, not too often."""
        now_s = time.monotonic()
        if not self._shown or now_s - self._drawn_s < _REDRAW_S or total <= 0:
            return
        self._drawn_s = now_s
        self._draw(progress_line(done / total, done, now_s - self._began_s))

    def close(self) -> None:
        """Leave the line empty."""
        if self._shown and self._width:
            self._draw("")
            self._width = 0

    def _draw(self, text: str) -> None:
        self._out.write(f"\r{text:<{self._width}}" if text else f"\r{'':<{self._width}}\r")
        self._out.flush()
        self._width = len(text)


def progress_line(share: float, rows: int, since_s: float) -> str:
    """One line of at most 79 columns. `share`: 0..1"""
    share = min(max(share, 0.0), 1.0)
    line = f"[{'#' * round(_WIDTH * share):.<{_WIDTH}}] {100 * share:3.0f} %  {rows:,} samples".replace(",", " ")
    if since_s < _TELL_AFTER_S or share <= 0.0:
        return line
    return f"{line}, {_time(since_s * (1.0 - share) / share)} left"


def _time(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
