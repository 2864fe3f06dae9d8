"""When the demo is asked to end: Ctrl-C, SIGTERM, or the terminal that went away. Nothing is cut in half by it.

An interrupt that may strike between any two lines strikes in the middle of a clean-up as well. So the signals only note
that somebody asked; what can be left at once says so, and what waits is told.
"""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Any, Final

__all__ = ["Asked", "Ending"]

_SIGNALS: Final = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class Asked(Exception):  # noqa: N818 - nothing went wrong
    """Somebody asked for the end; raised only where everything can be dropped."""


class Ending:
    """Answers the signals while its context lasts. To be entered in the main thread.

    Attributes
    ----------
    asked : bool
        Whether the end was asked for.
    tell : callable or None
        What is called when it is; it runs between any two lines, so it may only hand over.
    """

    def __init__(self) -> None:
        self.asked = False
        self.tell: Callable[[], None] | None = None
        self._at_once = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> "Ending":
        self._before = {number: signal.signal(number, self._heard) for number in _SIGNALS}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def ask(self) -> None:
        """Ask for the end, as a signal does. May be called again and again; raises `Asked` within `droppable`."""
        self.asked = True
        if self.tell is not None:
            self.tell()
        if self._at_once:
            self._at_once = False  # once is enough
            raise Asked

    @contextmanager
    def droppable(self) -> Iterator[None]:
        """Pure work, which `Asked` may leave between any two lines."""
        self._at_once = True
        try:
            if self.asked:
                raise Asked
            yield
        finally:
            self._at_once = False

    def _heard(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        self.ask()
