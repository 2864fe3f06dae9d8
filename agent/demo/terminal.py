"""Where the demo writes: lines for people, payloads for programs, a line that is drawn over while nothing happens."""

import json
import os
import select
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from textwrap import wrap
from typing import Any, Final, TextIO

__all__ = ["Terminal"]

MOST_WIDTH: Final = 100  # longer lines are hard to read
LEAST_WIDTH: Final = 60
USUAL_WIDTH: Final = 80
_CLEAR: Final = "\r\x1b[K"


class Terminal:
    """Writes to `out`; with `as_json` the payloads go there, a line each, and everything for people to `err`.

    A reader that goes away (`| head`) is no error: `gone` is then true, `on_gone` is called, nothing more is written.

    Attributes
    ----------
    drawn_over : bool
        Whether a line can be drawn over another. Else nothing but plain text is written.
    colour : bool
    width : int
        In characters.
    """

    def __init__(self, out: TextIO, err: TextIO, *, as_json: bool) -> None:
        self._out, self._people, self.as_json = out, err if as_json else out, as_json
        self.drawn_over = not as_json and out.isatty() and os.environ.get("TERM", "") not in ("", "dumb")
        self.colour = self.drawn_over and not os.environ.get("NO_COLOR")
        columns = shutil.get_terminal_size((USUAL_WIDTH, 24)).columns if self.drawn_over else USUAL_WIDTH
        self.width = min(max(columns, LEAST_WIDTH), MOST_WIDTH)
        self.gone = False
        self.on_gone: Callable[[], None] | None = None
        self._drawn = False

    def say(self, text: str = "") -> None:
        """Lines for people."""
        self._write(self._people, f"{_CLEAR if self._drawn else ''}{text}\n")
        self._drawn = False

    def tell(self, words: str, *, first: str = "", rest: str | None = None) -> None:
        """Words for people, broken to the width; `first` begins the first line, `rest` (as `first`) the others."""
        rest = " " * len(first) if rest is None else rest
        self.say("\n".join(wrap(words, self.width, initial_indent=first, subsequent_indent=rest)))

    def draw(self, text: str) -> None:
        """A line that the next one takes the place of; an empty one removes it. Only where that can be done."""
        if self.drawn_over and (text or self._drawn):
            self._write(self._people, _CLEAR + text[: self.width - 1])
            self._drawn = bool(text)
        elif not self.drawn_over:
            self._look_for_reader()

    def payload(self, topic: str, body: Mapping[str, Any]) -> None:
        """One message for programs; nothing without `as_json`."""
        if self.as_json:
            self._write(self._out, json.dumps({"topic": topic, "payload": body}) + "\n")

    def close(self) -> None:
        """Leave a clean line behind; what could not be written is dropped, so that nothing complains at the end."""
        self.draw("")
        if self.gone:
            with suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, self._out.fileno())
                os.close(nowhere)

    def _write(self, to: TextIO, text: str) -> None:
        if self.gone:
            return
        try:
            to.write(text)
            to.flush()
        except (OSError, ValueError):  # the reader has gone, the file is closed, or its disk is full
            if to is self._out:  # else nobody reads what is said to people; the payloads still have a reader
                self._lost()

    def _look_for_reader(self) -> None:
        """Nothing is written for a while: see whether there is still somebody at the other end of a pipe."""
        if self.gone:
            return
        with suppress(OSError, ValueError):
            poll = select.poll()
            poll.register(self._out.fileno(), 0)
            if any(event & select.POLLERR for _, event in poll.poll(0)):
                self._lost()

    def _lost(self) -> None:
        self.gone = True
        if self.on_gone is not None:
            self.on_gone()
