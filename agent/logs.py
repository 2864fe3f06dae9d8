"""Logs: readable lines on a terminal, one JSON object a line elsewhere. Few, each about a change."""

import logging
import sys
from typing import TextIO

import structlog
from structlog.typing import FilteringBoundLogger, Processor

from agent.config.model import Log

__all__ = ["make_log"]


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
        structlog.PrintLogger(out),
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelName(options.level.upper())),
    )
    return log
