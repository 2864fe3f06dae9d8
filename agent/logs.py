"""Logs: readable lines on a terminal, one JSON object a line elsewhere. Few, each about a change."""

import contextlib
import logging
import sys
import traceback
from pathlib import Path
from typing import TextIO

import structlog
from structlog.typing import FilteringBoundLogger, Processor

from agent.config.model import Log

__all__ = ["make_log", "where"]

_FRAMES = 4


class _Lines:
    """Writes lines. One that cannot be written (a full disk, a reader that has gone) is lost, and ends nothing."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def msg(self, line: str) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._out.write(line + "\n")
            self._out.flush()

    debug = info = warning = error = critical = msg


def make_log(options: Log, stream: TextIO | None = None) -> FilteringBoundLogger:
    """A logger to `stream`, standard error by default. `auto` means console on a terminal and JSON elsewhere."""
    out = sys.stderr if stream is None else stream
    console = options.format == "console" or (options.format == "auto" and out.isatty())
    processors: list[Processor] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    if console:
        processors.append(structlog.dev.ConsoleRenderer(colors=out.isatty(), pad_event_to=28))
    else:
        processors += [structlog.processors.dict_tracebacks, structlog.processors.JSONRenderer()]
    # Libraries that log by the standard module are quiet: what they know of a failure is in our own messages.
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    logging.getLogger("paho").setLevel(logging.CRITICAL)
    log: FilteringBoundLogger = structlog.wrap_logger(
        _Lines(out),
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelName(options.level.upper())),
    )
    return log


def where(error: BaseException) -> str:
    """Where an error came from, the innermost place first, in one line: for whoever mends it."""
    frames = traceback.extract_tb(error.__traceback__)[-_FRAMES:]
    return " < ".join(f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in reversed(frames))
