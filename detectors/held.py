"""A condition that must hold for so long without a break, and let go for so long before it counts as gone.

Every rule of the kind "for ten minutes" is this one. A run of the condition begins and ends by two votes of the last
three samples: a lone odd sample neither starts one nor breaks one, while a relay seen on, off, on, off never makes one.
A hole longer than `max_gap_s` ends a run: nobody knows what was in it. What was found stays found over a hole.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, ClassVar, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from detectors.saved_state import check_version
from detectors.settings_check import above, at_least, whole
from detectors.stretch import Floats

__all__ = ["Bools", "Change", "HeldFor", "HeldState", "RuleState", "held", "quiet", "two_sided"]

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """How long the condition must hold, and its contrary before it is over. [s]"""

    hold_s: float
    release_s: float
    max_gap_s: float = 1800.0  # history at a quarter of an hour still makes runs
    least: int = 3  # samples in a run, whatever their distance

    def __post_init__(self) -> None:
        at_least("hold_s", self.hold_s, 0.0)
        at_least("release_s", self.release_s, 0.0)
        above("max_gap_s", self.max_gap_s, 0.0)
        whole("least", self.least, 1)


@dataclass(slots=True, kw_only=True)
class HeldState:
    """What one condition carries from sample to sample; times are UTC seconds."""

    active: bool = False
    since_s: float | None = None  # start of the run that made it active
    from_s: float | None = None  # start of the run going on: of the condition, or of the release while active
    count: int = 0  # samples in that run
    last_s: float | None = None
    on: list[bool] = field(default_factory=lambda: [False, False])  # the last two samples, older first
    off: list[bool] = field(default_factory=lambda: [False, False])

    @property
    def idle(self) -> bool:
        """Whether samples that do not meet the condition can change nothing."""
        return not (self.active or self.on[0] or self.on[1])


class Change(NamedTuple):
    """The condition became active, or no longer is, at sample `row`."""

    row: int
    active: bool
    since_s: float  # start of the run that was found


@dataclass(slots=True, kw_only=True)
class RuleState:
    """Base of the states of rules: plain fields, `HeldState`s and their like, with a symptom's name and a version."""

    SYMPTOM: ClassVar[str] = ""
    VERSION: ClassVar[int] = 1
    seen_s: float | None = None  # time of the latest sample

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {"version": self.VERSION, **{f.name: _plain(getattr(self, f.name)) for f in fields(self)}}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> Self:
        """The state back; ValueError for another version."""
        check_version(saved, cls.SYMPTOM, cls.VERSION)
        made = cls()
        for f in fields(cls):
            value = saved[f.name]
            part = getattr(made, f.name)
            setattr(made, f.name, part.__class__(**value) if is_dataclass(part) else value)
        return made


def held(
    rule: HeldFor, state: HeldState, time_s: Floats, on: Bools, off: Bools, breaks: Bools | None = None
) -> list[Change]:
    """Take samples at which the condition is known and return the changes.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Strictly rising, finite, later than all before. [s]
    on, off : ndarray of bool, shape (n,)
        The condition, and what ends it from the sample after it was found on; a sample that is both is `on`, one may
        be neither.
    breaks : ndarray of bool, shape (n,), optional
        Samples at which a run of the condition begins anew, if one goes on.
    """
    n = time_s.size
    if n == 0:
        return []
    watched, votes = (off, state.off) if state.active else (on, state.on)
    if not (votes[0] or votes[1] or np.count_nonzero(watched)):  # as nearly always
        _keep(rule, state, time_s, on, off)
        state.from_s, state.count = None, 0
        return []
    off = off & ~on
    gap = np.empty(n, np.bool_)
    gap[0] = state.last_s is None or time_s[0] - state.last_s > rule.max_gap_s
    gap[1:] = time_s[1:] - time_s[:-1] > rule.max_gap_s
    fresh: tuple[float | None, int] = (None, 0)
    carried = (state.from_s, state.count)
    on_runs = _runs(
        rule.hold_s, rule.least, time_s, _voted(on, state.on, gap), gap, breaks, fresh if state.active else carried
    )
    off_runs = (
        _runs(rule.release_s, 1, time_s, _voted(off, state.off, gap), gap, None, carried) if state.active else None
    )
    changes: list[Change] = []
    i = 0
    while i < n:
        ripe = (on_runs if off_runs is None else off_runs).ripe[i:]
        step = int(ripe.argmax())
        if not ripe[step]:
            break
        i += step
        state.active = off_runs is None
        if off_runs is None:
            state.since_s = float(on_runs.from_s[i])
            off[: i + 1] = False  # the release is looked for from here on
            off_runs = _runs(rule.release_s, 1, time_s, _voted(off, [False, False], gap), gap, None, fresh)
        else:
            off_runs = None
        changes.append(Change(i, state.active, float(time_s[i]) if state.since_s is None else state.since_s))
        i += 1
    _keep(rule, state, time_s, on, off)
    run = on_runs if off_runs is None else off_runs
    state.from_s, state.count = (float(run.from_s[-1]), int(run.counted[-1])) if run.voted[-1] else fresh
    return changes


def quiet(state: HeldState, time_s: Floats) -> None:
    """What `held` does of an idle state and samples of which none meets the condition, at a tenth of the cost."""
    state.last_s = float(time_s[-1])
    state.from_s, state.count = None, 0
    state.on, state.off = [False, False], [False, False]


class SideChange(NamedTuple):
    """A change on one side of a limit; `active` is whether either side holds after it."""

    row: int
    active: bool
    since_s: float
    side: float  # +1 above, -1 below


def two_sided(
    rule: HeldFor, above: HeldState, below: HeldState, time_s: Floats, value: Floats, limit: Floats, clear: Floats
) -> list[SideChange]:
    """A value beyond +-`limit` that keeps to one side, shapes (n,); within `clear` or on the other side it is over."""
    gone, sides = np.abs(value) < clear, []
    holds = {1.0: above.active, -1.0: below.active}
    for side, one in ((1.0, above), (-1.0, below)):
        on = side * value > limit
        sides += [(change.row, side, change) for change in held(rule, one, time_s, on, gone | (side * value < 0.0))]
    found = []
    for row, side, change in sorted(sides):
        holds[side] = change.active
        found.append(SideChange(row, holds[1.0] or holds[-1.0], change.since_s, side))
    return found


class _Runs(NamedTuple):
    voted: Bools
    from_s: Floats
    counted: NDArray[np.int64]
    ripe: Bools


def _voted(now: Bools, before: list[bool], gap: Bools) -> Bools:
    """Two of the last three samples, none of them across a hole."""
    row = np.concatenate((before, now))
    one = row[1:-1] & ~gap
    two = row[:-2] & ~gap
    two[1:] &= ~gap[:-1]
    return np.asarray((now & one) | (now & two) | (one & two))


def _runs(
    hold_s: float,
    least: int,
    time_s: Floats,
    voted: Bools,
    gap: Bools,
    breaks: Bools | None,
    carried: tuple[float | None, int],
) -> _Runs:
    """The runs of `voted`, and where they have lasted long enough."""
    index = np.arange(time_s.size)
    begins = voted & gap
    begins[0] |= voted[0] and carried[0] is None
    begins[1:] |= voted[1:] & ~voted[:-1]
    if breaks is not None:
        begins |= voted & breaks
    start = np.maximum.accumulate(np.where(begins, index, -1))
    head = start < 0  # still the run that was carried in
    from_s = np.where(head, np.nan if carried[0] is None else carried[0], time_s[start])
    count = np.where(head, index + 1 + carried[1], index - start + 1)
    return _Runs(voted, from_s, count, voted & (time_s - from_s >= hold_s) & (count >= least))


def _keep(rule: HeldFor, state: HeldState, time_s: Floats, on: Bools, off: Bools) -> None:
    last_s = float(time_s[-1])
    before_s = state.last_s if time_s.size < 2 else float(time_s[-2])
    apart = before_s is None or last_s - before_s > rule.max_gap_s
    older, now = (state.on[1], bool(on[-1])) if time_s.size < 2 else (bool(on[-2]), bool(on[-1]))
    state.on = [older and not apart, now]
    if state.active:
        older, now = (state.off[1], bool(off[-1])) if time_s.size < 2 else (bool(off[-2]), bool(off[-1]))
        state.off = [older and not apart, now]
    else:
        state.off = [False, False]
    state.last_s = last_s


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return dict(value) if isinstance(value, Mapping) else value
