"""When to poll: grids that do not drift, bursts, and how long a dead unit rests."""

import math
import random
from typing import Final

__all__ = ["GOLDEN", "Grid", "listen_rest_s", "needs_dither", "rest_s", "stagger_s"]

GOLDEN: Final = (math.sqrt(5) - 1) / 2  # multiples of it spread evenly over 0..1, however many there are

STAGGER_STEPS: Final = 32

COST_SHARE: Final = 100  # a dead unit may cost its line one part in so many
JITTER: Final = 0.2  # only upwards, so that the share above holds
_DOUBLINGS_MAX: Final = 40  # 2**40 s is beyond any rest: the exponent is held there

LISTEN_REST_FIRST_S: Final = 30.0
LISTEN_REST_MAX_S: Final = 900.0


def rest_s(attempts: int, *, cost_s: float, back_off_max_s: float, others_wait: bool, jitter: float) -> float:
    """How long to leave a unit alone after `attempts` failures in a row. Pure.

    The rest doubles from twice the cost of a failed attempt (its time-out) up to `back_off_max_s`. Where other units
    wait for the same line, it goes up to at least 100 times the cost, so that a dead unit takes under 1 % of the line's
    time; a unit that is alone on its line spares nobody by resting longer, and comes back sooner.

    Parameters
    ----------
    attempts
        Failures in a row, 0 or more; 0 needs no rest.
    cost_s, back_off_max_s
        > 0. [s]
    others_wait
        Whether another unit shares the line.
    jitter
        0 <= jitter < 1, drawn by the caller: it adds up to a fifth, so that dead units do not come in step.

    Returns
    -------
    float
        [s]
    """
    if attempts <= 0:
        return 0.0
    longest_s = max(back_off_max_s, COST_SHARE * cost_s) if others_wait else back_off_max_s
    return float(min(cost_s * 2.0 ** min(attempts, _DOUBLINGS_MAX), longest_s) * (1.0 + JITTER * jitter))


def listen_rest_s(refusals: int, jitter: float) -> float:
    """How long to leave a line alone on which somebody else is master, before listening again. Pure. [s]"""
    rest = LISTEN_REST_FIRST_S * 2.0 ** min(max(refusals - 1, 0), _DOUBLINGS_MAX)
    return float(min(rest, LISTEN_REST_MAX_S) * (1.0 + JITTER * jitter))


def stagger_s(index: int, period_s: float) -> float:
    """Where in its period the `index`-th probe is polled, so that not all are at once. [s]

    One of 32 instants: probes that share one share the event loop's turns, which are most of what a poll costs.
    """
    return math.floor((index * GOLDEN) % 1.0 * STAGGER_STEPS) / STAGGER_STEPS * period_s


def needs_dither(names: frozenset[str]) -> bool:
    """Whether duty can only come from a sampled relay, which aliases with a regular poll."""
    return "heater_on" in names and not names & {"heater_output", "heater_on_time"}


class Grid:
    """Slots of one period each, counted from a fixed origin: nothing adds up, so nothing drifts.

    With `rng`, the instant lies anywhere in its slot (one uniform draw a slot: stratified sampling), which keeps a
    periodic relay and the poll from beating against each other. The slots themselves stay on the grid.

    Attributes
    ----------
    due_s : float
        The next instant, on the monotonic clock.
    """

    __slots__ = ("_origin_s", "_period_s", "_rng", "_slot", "due_s")

    def __init__(self, origin_s: float, period_s: float, rng: random.Random | None = None) -> None:
        if not period_s > 0:
            raise ValueError(f"period_s must be > 0, got {period_s!r}")
        self._origin_s, self._period_s, self._rng = origin_s, period_s, rng
        self._slot = -1
        self.due_s = origin_s
        self._take(0)

    def _take(self, slot: int) -> None:
        self._slot = slot
        offset = self._rng.random() * self._period_s if self._rng is not None else 0.0
        self.due_s = self._origin_s + slot * self._period_s + offset

    def advance(self, now_s: float) -> int:
        """Go to the next slot that is not over at `now_s`, and return how many were skipped.

        A slot that has begun is served late, in its own time; one that is over is never made up for.
        """
        following = self._slot + 1
        running = math.floor((now_s - self._origin_s) / self._period_s)
        slot = max(following, running)
        self._take(slot)
        return slot - following
