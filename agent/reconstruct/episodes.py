"""Episodes cut out of the stream: the samples of each check, and of the recovery after it.

A check is given out when it has ended. A recovery is given out several times, at fixed instants after the check's end
(`TRIES_S`): who judges it takes the first that is long enough, so a quick filter is judged early, a slow one in time.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np

from agent.reconstruct.carry import storable, unstorable
from agent.reconstruct.leaving import left_at
from agent.reconstruct.mode import CHECKS, CODES, MODES, ModeTrack
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from detectors.stats.robust import median
from detectors.stretch import Floats

__all__ = ["TRIES_S", "Check", "Episodes", "RecoveryWindow", "Trace"]

TRIES_S: Final = (60.0, 120.0, 240.0, 420.0, 600.0)
_KEEP_BEFORE_S: Final = 120.0  # of the process before a check: where the gas is expected to return to
_CHECK_CODES: Final = frozenset(CODES[mode] for mode in CHECKS)
_COLUMNS: Final = (
    "time_s", "emf_mv", "emf_u_mv", "o2_frac", "temp_c", "stored_mv", "load_pct", "flue_temp_c", "stable",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trace:
    """Raw columns of one episode, each (n,)."""

    time_s: Floats
    emf_mv: Floats
    emf_u_mv: Floats
    o2_frac: Floats
    temp_c: Floats
    stored_mv: Floats
    load_pct: Floats
    flue_temp_c: Floats
    stable: Floats  # 1 where the cell has been hot and at rest for long enough to be judged

    def rows(self, first: int, end: int) -> "Trace":
        """The samples first..end-1, as views."""
        at = slice(first, end)
        return Trace(
            self.time_s[at],
            self.emf_mv[at],
            self.emf_u_mv[at],
            self.o2_frac[at],
            self.temp_c[at],
            self.stored_mv[at],
            self.load_pct[at],
            self.flue_temp_c[at],
            self.stable[at],
        )

    def between(self, start_s: float, end_s: float) -> "Trace":
        """The samples of [start, end], as views."""
        first = int(self.time_s.searchsorted(start_s, side="left"))
        end = int(self.time_s.searchsorted(end_s, side="right"))
        return self if end - first == self.time_s.size else self.rows(first, max(first, end))

    def to_dict(self) -> dict[str, Any]:
        """As JSON-able data."""
        return {name: storable(getattr(self, name)) for name in _COLUMNS}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "Trace":
        """The inverse of `to_dict`."""
        return cls(*(np.array(unstorable(saved[name]), np.float64) for name in _COLUMNS))

    @classmethod
    def joined(cls, parts: "Sequence[Trace]") -> "Trace":
        """Parts in order of time as one."""
        if len(parts) == 1:
            return parts[0]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS))


@dataclass(frozen=True, slots=True)
class Check:
    """Gas of our own at the cell, from its first sample to its last."""

    kind: Mode
    presumed: bool
    start_s: float
    end_s: float
    before_frac: float  # median of the gas before it, NaN when unknown
    trace: Trace


@dataclass(frozen=True, slots=True)
class RecoveryWindow:
    """The way back, seen up to `until_s`; `last` when there will be no longer one."""

    after: Mode
    presumed: bool
    from_s: float  # the first sample after the check, or where the gas left before its flag fell
    until_s: float
    last: bool
    before_frac: float  # median of the gas before the check, NaN when unknown
    trace: Trace

    def to_dict(self) -> dict[str, Any]:
        """As JSON-able data."""
        return {
            "after": self.after.value,
            "presumed": self.presumed,
            "from_s": self.from_s,
            "until_s": self.until_s,
            "last": self.last,
            "before_frac": storable(self.before_frac),
            "trace": self.trace.to_dict(),
        }

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "RecoveryWindow":
        """The inverse of `to_dict`."""
        plain = {**saved, "after": Mode(saved["after"]), "before_frac": float(unstorable(saved["before_frac"]))}
        return cls(**{**plain, "trace": Trace.from_dict(saved["trace"])})


@dataclass(slots=True)
class _Recovering:
    after: Mode
    presumed: bool
    from_s: float
    before_frac: float
    tries: int = 0


class Episodes:
    """Carries the open episode of one probe through its stretches."""

    def __init__(self, options: EpisodeOptions, state: dict[str, Any] | None = None) -> None:
        self._options = options
        self._kind: Mode | None = None
        self._presumed = False
        self._start_s = np.nan
        self._end_s = np.nan
        self._before_frac = np.nan
        self._recovering: _Recovering | None = None
        self._blocks: deque[Trace] = deque()  # samples in order, none empty; those that may still be asked for
        if state is not None:
            self._restore(state)

    @property
    def open(self) -> bool:
        """Whether a check or its recovery is going on: the time for burst polling."""
        return self._kind is not None or self._recovering is not None

    def add(self, trace: Trace, modes: ModeTrack) -> list[Check | RecoveryWindow]:
        """Take samples in time order; return what they completed, in order."""
        out: list[Check | RecoveryWindow] = []
        if trace.time_s.size == 0:
            return out
        code = modes.code
        if not self.open and np.count_nonzero(code != code[0]) == 0 and int(code[0]) not in _CHECK_CODES:
            self._blocks.append(trace)  # as nearly always
        else:
            cut = np.flatnonzero((code[1:] != code[:-1]) | (np.diff(trace.time_s) > self._options.gap_s)) + 1
            for head, end in pairwise([0, *cut.tolist(), code.size]):
                part = trace.rows(head, end)
                self._run(MODES[int(code[head])], bool(modes.presumed[head]), part, out)
        self._trim(float(trace.time_s[-1]))
        return out

    def _run(self, mode: Mode, presumed: bool, part: Trace, out: list[Check | RecoveryWindow]) -> None:
        first_s = float(part.time_s[0])
        if self._kind is not None:
            broken = first_s - self._end_s > self._options.gap_s
            if mode is not self._kind or broken:
                self._close(first_s, broken, mode, out)
        if CODES[mode] in _CHECK_CODES:
            self._recovering = None
            if self._kind is None:
                self._kind, self._presumed, self._start_s = mode, presumed, first_s
                if not first_s - self._end_s < _KEEP_BEFORE_S:  # else that was check gas, and the gas before it counts
                    self._before_frac = self._median_before(first_s)
            self._end_s = float(part.time_s[-1])
            self._blocks.append(part)
            return
        self._blocks.append(part)
        if self._recovering is not None:
            if mode in (Mode.RECOVERY, Mode.IN_SERVICE, Mode.IDLE_HOT):
                self._recover(float(part.time_s[-1]), out)
            else:
                self._recovering = None

    def _close(self, next_s: float, broken: bool, mode: Mode, out: list[Check | RecoveryWindow]) -> None:
        assert self._kind is not None
        long_enough = self._end_s - self._start_s >= self._options.presumed_min_s
        # Air that stayed for longer than a check may last was none from its beginning.
        was_one = long_enough and (broken or mode is not Mode.UNKNOWN)
        if not self._presumed or was_one:
            trace, end_s, from_s = self._seen(self._start_s, self._end_s), self._end_s, next_s
            left = left_at(trace.o2_frac, self._before_frac)
            if left is not None:  # the flag outlasted the gas
                trace = trace.rows(0, left + 1)
                end_s = from_s = trace.time_s.item(-1)
            out.append(Check(self._kind, self._presumed, self._start_s, end_s, self._before_frac, trace))
            if not broken and mode in (Mode.RECOVERY, Mode.IN_SERVICE, Mode.IDLE_HOT):
                self._recovering = _Recovering(self._kind, self._presumed, from_s, self._before_frac)
        self._kind = None

    def _recover(self, seen_s: float, out: list[Check | RecoveryWindow]) -> None:
        now = self._recovering
        while now is not None and seen_s >= now.from_s + TRIES_S[now.tries]:
            until_s = now.from_s + TRIES_S[now.tries]
            now.tries += 1
            last = now.tries == len(TRIES_S)
            trace = self._seen(now.from_s, until_s)
            out.append(RecoveryWindow(now.after, now.presumed, now.from_s, until_s, last, now.before_frac, trace))
            if last:
                self._recovering = now = None

    def _median_before(self, start_s: float) -> float:
        before = self._seen(start_s - _KEEP_BEFORE_S, np.nextafter(start_s, -np.inf))
        known = before.o2_frac[~np.isnan(before.o2_frac)]
        return median(known) if known.size else np.nan

    def _seen(self, start_s: float, end_s: float) -> Trace:
        """The samples of [start, end]."""
        parts = [
            block.between(start_s, end_s)
            for block in self._blocks
            if block.time_s[-1] >= start_s and block.time_s[0] <= end_s
        ]
        return Trace.joined(parts) if parts else Trace(*(np.zeros(0) for _ in _COLUMNS))

    def _keep_from_s(self, now_s: float) -> float:
        keep_s = now_s - _KEEP_BEFORE_S
        if self._kind is not None:
            keep_s = min(keep_s, self._start_s)
        if self._recovering is not None:
            keep_s = min(keep_s, self._recovering.from_s)
        return keep_s

    def _trim(self, now_s: float) -> None:
        keep_s = self._keep_from_s(now_s)
        while self._blocks and self._blocks[0].time_s[-1] < keep_s:
            self._blocks.popleft()

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        recovering = self._recovering
        now_s = float(self._blocks[-1].time_s[-1]) if self._blocks else -np.inf
        return {
            "kind": self._kind,
            "presumed": self._presumed,
            "start_s": storable(self._start_s),
            "end_s": storable(self._end_s),
            "before_frac": storable(self._before_frac),
            "held": self._seen(self._keep_from_s(now_s), now_s).to_dict(),
            "recovering": None
            if recovering is None
            else [
                recovering.after,
                recovering.presumed,
                recovering.from_s,
                storable(recovering.before_frac),
                recovering.tries,
            ],
        }

    def _restore(self, state: dict[str, Any]) -> None:
        self._kind = None if state["kind"] is None else Mode(state["kind"])
        self._presumed = state["presumed"]
        self._start_s, self._end_s = float(unstorable(state["start_s"])), float(unstorable(state["end_s"]))
        self._before_frac = float(unstorable(state["before_frac"]))
        held = Trace.from_dict(state["held"])
        if held.time_s.size:
            self._blocks.append(held)
        if state["recovering"] is not None:
            after, presumed, from_s, before_frac, tries = state["recovering"]
            self._recovering = _Recovering(Mode(after), presumed, from_s, float(unstorable(before_frac)), tries)
