"""Time, passed in: UTC for what happened, monotonic for when to act."""

import asyncio
import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """What the service knows of time. Tests pass a fake one."""

    def utc(self) -> float:
        """Seconds since 1970, UTC. It may step."""

    def monotonic(self) -> float:
        """Seconds since some instant. It never steps."""

    async def sleep_until(self, monotonic_s: float) -> None:
        """Return at `monotonic_s`, or at once when that has passed."""


class SystemClock:
    """The machine's own clocks."""

    def utc(self) -> float:
        """Seconds since 1970, UTC."""
        return time.time()

    def monotonic(self) -> float:
        """Seconds of CLOCK_MONOTONIC, the event loop's clock."""
        return time.monotonic()

    async def sleep_until(self, monotonic_s: float) -> None:
        """Sleep to an absolute deadline, so that a grid of them does not drift."""
        await asyncio.sleep(max(0.0, monotonic_s - time.monotonic()))
