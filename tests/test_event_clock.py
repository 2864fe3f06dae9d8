import asyncio
from itertools import pairwise

import pytest

from agent.counters import Counters
from agent.event_clock import EventClock
from tests.fakes import FakeClock


def test_time_never_runs_back_and_catches_up_a_hundredth_slower():
    async def walk():
        inner, counters = FakeClock(utc_s=1000.0), Counters()
        clock = EventClock(inner, counters)
        inner.step_utc(-10.0)
        told = [clock.utc()]
        for _ in range(11):
            await inner.advance(100.0)
            told.append(clock.utc())
        steps = [b - a for a, b in pairwise(told)]
        assert steps[:9] == pytest.approx([99.0] * 9)  # durations stay true to a hundredth
        assert told[-1] == pytest.approx(inner.utc())
        assert counters.total("clock_stepped_back") == 1

    asyncio.run(walk())


def test_a_step_forward_is_followed_at_once_and_counted():
    inner, counters = FakeClock(utc_s=1000.0), Counters()
    clock = EventClock(inner, counters)
    inner.step_utc(86400.0)
    assert clock.utc() == 87400.0
    assert clock.take_jump() == pytest.approx(1000.0)
    assert clock.take_jump() is None
    assert counters.total("clock_stepped_forward") == 1


def test_time_told_before_a_restart_is_gone_on_from_though_the_clock_was_set_back_meanwhile():
    async def walk():
        inner, counters = FakeClock(utc_s=1000.0), Counters()
        clock = EventClock(inner, counters)
        clock.resume(1010.0)
        assert clock.utc() == 1010.0
        await inner.advance(100.0)
        assert clock.utc() == pytest.approx(1109.0)
        await inner.advance(1000.0)
        assert clock.utc() == inner.utc()
        assert clock.ahead_s == 0.0
        assert counters.total("clock_stepped_back") == 1

    asyncio.run(walk())


def test_a_restart_as_usual_is_no_step():
    counters = Counters()
    clock = EventClock(FakeClock(utc_s=1000.0), counters)
    clock.resume(990.0)
    clock.resume(float("-inf"))
    assert clock.utc() == 1000.0
    assert counters.total("clock_stepped_back") == 0
