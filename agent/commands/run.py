"""`flueward run`."""

import asyncio
import random
import signal
import sys
from argparse import Namespace
from collections.abc import Callable, Coroutine
from typing import Any

from structlog.typing import FilteringBoundLogger

from agent.clock import SystemClock
from agent.config.errors import ConfigError
from agent.config.load import load_settings
from agent.config.model import Settings
from agent.logs import make_log
from agent.service import Service
from agent.store.errors import StoreError

__all__ = ["run"]


def run(options: Namespace) -> int:
    """The service, until SIGTERM or Ctrl-C."""
    try:
        settings = load_settings(options.config)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    log = make_log(settings.log)
    try:
        return _runner()(_serve(settings, log))
    except (StoreError, ValueError) as error:
        print(f"flueward: {error}", file=sys.stderr)
        return 2


async def _serve(settings: Settings, log: FilteringBoundLogger) -> int:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, stop.set)
    service = Service(settings, clock=SystemClock(), rng=random.Random(), log=log)  # noqa: S311 - jitter only
    try:
        await service.run(stop)
    except Exception as error:  # noqa: BLE001 - the last place: told, not thrown at a user
        log.error("service_failed", error=repr(error), exc_info=True)
        return 1
    return 0


def _runner() -> Callable[[Coroutine[Any, Any, int]], int]:
    """The quicker event loop where it is installed, the standard one elsewhere."""
    try:
        import uvloop
    except ImportError:
        return asyncio.run
    return uvloop.run
