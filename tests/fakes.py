"""Small stand-ins that several tests share: a clock that moves when told, and nothing else yet."""

import asyncio
import heapq
import itertools


class FakeClock:
    """UTC and monotonic time under the test's hand; sleepers wake in order when `advance` passes them."""

    def __init__(self, utc_s: float = 1_790_000_000.0, monotonic_s: float = 1000.0) -> None:
        self._utc_s = utc_s
        self._monotonic_s = monotonic_s
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def utc(self) -> float:
        return self._utc_s

    def monotonic(self) -> float:
        return self._monotonic_s

    def step_utc(self, by_s: float) -> None:
        """The wall clock is set, as by NTP or by a hand; monotonic time does not move."""
        self._utc_s += by_s

    async def sleep_until(self, monotonic_s: float) -> None:
        if monotonic_s <= self._monotonic_s:
            await asyncio.sleep(0)
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (monotonic_s, next(self._order), future))
        await future

    async def advance(self, by_s: float) -> None:
        """Move both clocks, waking each sleeper at its own instant and letting tasks run between."""
        end = self._monotonic_s + by_s
        await settle()
        while self._sleepers and self._sleepers[0][0] <= end:
            due, _, future = heapq.heappop(self._sleepers)
            self._utc_s += due - self._monotonic_s
            self._monotonic_s = due
            if not future.done():
                future.set_result(None)
            await settle()
        self._utc_s += end - self._monotonic_s
        self._monotonic_s = end
        await settle()


async def settle(turns: int = 20) -> None:
    """Let ready tasks run."""
    for _ in range(turns):
        await asyncio.sleep(0)
