import asyncio

import pytest

from agent.counters import Counters
from agent.event_clock import EventClock
from tests.fakes import FakeClock


def test_time_never_runs_back_and_catches_up_at_half_speed():
    async def walk():
        inner, counters = FakeClock(utc_s=1000.0), Counters()
        clock = EventClock(inner, counters)
        inner.step_utc(-10.0)
        told = []
        for _ in range(30):
            await inner.advance(1.0)
            told.append(clock.utc())
        assert all(b > a for a, b in zip(told, told[1:], strict=False))
        assert told[-1] == pytest.approx(inner.utc())
        assert counters.total("clock_stepped_back") == 1

    asyncio.run(walk())


def test_a_step_forward_is_followed_at_once_and_counted():
    inner, counters = FakeClock(utc_s=1000.0), Counters()
    clock = EventClock(inner, counters)
    inner.step_utc(86400.0)
    assert clock.utc() == 87400.0
    assert counters.total("clock_stepped_forward") == 1
