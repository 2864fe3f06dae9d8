"""`flueward run`."""

import asyncio
import os
import random
import signal
import sys
import threading
from argparse import Namespace
from collections.abc import Callable, Coroutine
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.clock import SystemClock
from agent.config.errors import ConfigError
from agent.config.load import load_settings
from agent.config.model import Settings
from agent.logs import make_log, where
from agent.service import Service
from agent.store.errors import StoreError

__all__ = ["run"]

STOP_S: Final = 4.8  # from SIGTERM to the end, whatever hangs: a disk can hold a thread for ever


def run(options: Namespace) -> int:
    """The service, until SIGTERM or Ctrl-C."""
    try:
        settings = load_settings(options.config)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    log = make_log(settings.log)
    return _runner()(_serve(settings, log))


async def _serve(settings: Settings, log: FilteringBoundLogger) -> int:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()

    def asked() -> None:
        if not stop.is_set():
            stop.set()
            limit = threading.Timer(STOP_S, _cut_short, [log])
            limit.daemon = True
            limit.start()

    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, asked)
    try:
        try:
            service = Service(settings, clock=SystemClock(), rng=random.Random(), log=log)  # noqa: S311 - jitter only
        except (StoreError, ValueError) as error:
            print(f"flueward: {error}", file=sys.stderr)
            return 2
        await service.run(stop)
    except Exception as error:  # noqa: BLE001 - the last place: told, not thrown at a user
        message = "a fault of this program, please report it"
        log.error("service_failed", error=repr(error), where=where(error), message=message)
        return 1
    return 0


def _cut_short(log: FilteringBoundLogger) -> None:
    log.error(
        "stop_cut_short", message=f"not done {STOP_S:g} s after the signal: something hangs, most likely the disk"
    )
    os._exit(1)


def _runner() -> Callable[[Coroutine[Any, Any, int]], int]:
    """The quicker event loop where it is installed, the standard one elsewhere."""
    try:
        import uvloop
    except ImportError:
        return asyncio.run
    return uvloop.run
