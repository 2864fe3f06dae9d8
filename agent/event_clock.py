"""Event time that never runs backwards, on a machine whose clock may be set at any moment.

A step forward is followed at once, and whoever asks is told of it: the time that was jumped over is nobody's silence.
After a step back event time runs slower by one part in a hundred until the clock has caught up: samples keep their
order, nothing is lost or repeated, and durations stay true to 1 %, far inside what any detector counts as a change.

Event time is told in whole milliseconds, as payloads and files of history have it: what is read back is what was lived.
"""

import threading
from typing import Final

from agent.clock import Clock
from agent.counters import Counters

__all__ = ["EventClock"]

_TELL_S: Final = 2.0  # a difference below this is slewing, not a step
_SLOW: Final = 0.99


class EventClock:
    """A `Clock` whose `utc` is ordered, from any thread. Steps of more than two seconds are counted."""

    def __init__(self, clock: Clock, counters: Counters) -> None:
        self._clock, self._counters = clock, counters
        self._utc_s, self._mono_s = clock.utc(), clock.monotonic()
        self._behind = False
        self._jumped_from_s: float | None = None
        self._mutex = threading.Lock()

    def resume(self, after_s: float) -> None:
        """Go on from event time that was told before a restart: a clock set back meanwhile is caught up with."""
        with self._mutex:
            if after_s > self._utc_s:
                if after_s - self._utc_s > _TELL_S:
                    self._behind = True
                    self._counters.count("clock_stepped_back")
                self._utc_s = after_s

    def take_jump(self) -> float | None:
        """The instant from which the clock has jumped forward since the last call, None where it has not."""
        with self._mutex:
            jumped_from_s, self._jumped_from_s = self._jumped_from_s, None
            return None if jumped_from_s is None else round(jumped_from_s, 3)

    @property
    def ahead_s(self) -> float:
        """How far event time is ahead of the machine's clock."""
        return self.utc() - self._clock.utc()

    def utc(self) -> float:
        """Seconds since 1970, never less than the last answer."""
        with self._mutex:
            mono_s, told_s = self._clock.monotonic(), self._clock.utc()
            ran_s = mono_s - self._mono_s
            self._mono_s = mono_s
            expected_s = self._utc_s + ran_s
            if told_s >= expected_s - 1e-3:
                if told_s > expected_s + _TELL_S:
                    self._counters.count("clock_stepped_forward")
                    if self._jumped_from_s is None:
                        self._jumped_from_s = expected_s
                self._utc_s, self._behind = max(told_s, self._utc_s), False
                return round(self._utc_s, 3)
            if expected_s - told_s > _TELL_S and not self._behind:
                self._behind = True
                self._counters.count("clock_stepped_back")
            self._utc_s = max(self._utc_s + _SLOW * ran_s, told_s)
            return round(self._utc_s, 3)

    def monotonic(self) -> float:
        """The inner clock's."""
        return self._clock.monotonic()

    async def sleep_until(self, monotonic_s: float) -> None:
        """The inner clock's."""
        await self._clock.sleep_until(monotonic_s)
