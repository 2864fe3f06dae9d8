"""When the agent asked: steady polls, bursts around what it can see of a check, polls that never came back."""

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import Floats

__all__ = ["AFTER_S", "poll_times", "seen_windows", "within"]

AFTER_S = 600.0  # ten minutes after the last sign of an episode, as the contract says of bursts


def within(time_s: Floats, start_s: Floats, end_s: Floats) -> NDArray[np.bool_]:
    """Whether each time lies in one of the spans, which are sorted and do not overlap."""
    i = np.searchsorted(start_s, time_s, side="right") - 1
    return (
        np.asarray((i >= 0) & (time_s < end_s[np.maximum(i, 0)])) if start_s.size else np.zeros(time_s.size, np.bool_)
    )


def poll_times(draw: Draw, from_s: float, to_s: float, period_s: float, *, dithered: bool = False) -> Floats:
    """Steady polls of one block with a little jitter, strictly rising.

    Dithered, each lies anywhere in its slot, as the agent does where duty comes only from a sampled relay.
    """
    first = np.ceil(from_s / period_s) * period_s
    times = np.arange(first, to_s, period_s)
    jitter = draw.rng.exponential(0.004 * period_s, times.size).clip(0.0, 0.4 * period_s)
    if dithered:
        jitter = np.minimum(draw.rng.random(times.size) * period_s, to_s - times - 0.002)
    return np.asarray(np.round(times + jitter, 3))


def seen_windows(
    steady: Floats, start_s: Floats, sign_end_s: Floats, end_s: Floats, burst_s: float, period_s: float
) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
    """Burst polls, which of the steady ones remain, and which episodes a poll met while they showed."""
    i = np.searchsorted(steady, start_s)
    found = i < steady.size
    met_s = np.where(found, steady[np.minimum(i, steady.size - 1)], np.inf)
    met = found & (met_s < sign_end_s)
    if burst_s <= 0.0 or not met.any():
        return np.empty(0), np.ones(steady.size, np.bool_), met
    low, high = met_s[met], end_s[met] + AFTER_S
    # Windows that run into each other are one.
    fresh = np.concatenate([[True], low[1:] > np.maximum.accumulate(high)[:-1]])
    low = low[fresh]
    high = np.maximum.reduceat(high, np.flatnonzero(fresh))
    polls = [np.arange(a + burst_s, b, burst_s) for a, b in zip(low, high, strict=True)]
    inside = within(steady, low + 0.5 * burst_s, high)
    return np.concatenate(polls), ~inside, met
