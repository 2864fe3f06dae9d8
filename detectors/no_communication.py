"""No valid sample of a probe for five minutes. 'No data' is a symptom of its own, never a value of another.

A probe that is asked every two minutes has lost two answers by then, which noise on a line does now and then: silence
is also four answers missed in a row, at the probe's own pace. That pace is what the polling was told to be, or the
median of the last intervals where a recorder was slower.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from math import isfinite
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.finding import Finding, Report, Watch
from detectors.saved_state import check_version
from detectors.settings_check import above

__all__ = ["NoCommunication", "NoCommunicationSettings", "NoCommunicationState"]

SYMPTOM = "no_communication"
VERSION = 1
PACE_OF = 15  # intervals; their median is not moved by seven lost answers


@dataclass(frozen=True, slots=True, kw_only=True)
class NoCommunicationSettings:
    """How long silence may last."""

    silence_s: float = 300.0  # common practice: longer than a transmitter's restart, shorter than a shift's patience
    # Of independent losses of 2 % each a year of polls at two minutes has 0.04 runs of four; of three it has 2.
    missed_polls: float = 4.0

    def __post_init__(self) -> None:
        above("silence_s", self.silence_s, 0.0)
        above("missed_polls", self.missed_polls, 0.0)


@dataclass(slots=True, kw_only=True)
class NoCommunicationState:
    """All that must survive a restart. Times are UTC seconds."""

    last_valid_s: float | None = None  # of the latest valid sample
    heard_from_s: float | None = None  # silence is counted from here: the latest sample, or the start of listening
    active: bool = False
    intervals_s: list[float] = field(default_factory=list)  # the last ones between valid samples

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return {"version": VERSION, **asdict(self)}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "NoCommunicationState":
        """The state back; ValueError for another version."""
        check_version(saved, SYMPTOM, VERSION)
        return cls(
            last_valid_s=saved["last_valid_s"],
            heard_from_s=saved["heard_from_s"],
            active=bool(saved["active"]),
            intervals_s=list(saved.get("intervals_s", [])),
        )


class NoCommunication:
    """Active from exactly the limit of silence after the last valid sample, in event time, to the next valid sample.

    Findings are made at the changes only; between them the last one holds. Silence of exactly the limit is still
    communication, so that a tick and a sample of the same instant may come in either order.

    Parameters
    ----------
    start_s : float, optional
        UTC of the start of listening. Silence before it is the agent's own and is not counted, and a probe that never
        answers is reported that long after it. Left out, a saved state goes on as if never stopped, and without one
        nothing is said before the first sample or tick.
    period_s : float
        What the polling was told to be; 0 where nobody knows.
    """

    def __init__(
        self,
        settings: NoCommunicationSettings | None = None,
        state: NoCommunicationState | None = None,
        *,
        start_s: float | None = None,
        period_s: float = 0.0,
    ) -> None:
        self.settings = NoCommunicationSettings() if settings is None else settings
        self.state = NoCommunicationState() if state is None else state
        self._least_s = max(self.settings.silence_s, self.settings.missed_polls * period_s)
        self._limit_s: float | None = None
        if start_s is not None:
            self.listen_from(start_s)

    def listen_from(self, start_s: float) -> None:
        """Listening begins, or goes on after a time that was not listened through: silence counts from here."""
        before = self.state.heard_from_s
        self.state.heard_from_s = start_s if before is None else max(before, start_s)

    def update(self, valid_time_s: ArrayLike) -> list[Finding]:
        """Take the times of valid samples, shape (n,), UTC seconds. Old and non-finite times change nothing."""
        time_s = np.asarray(valid_time_s, dtype=np.float64).ravel()
        if time_s.size == 0:
            return []
        rising = np.count_nonzero(time_s[1:] > time_s[:-1]) == time_s.size - 1
        if not rising or not (isfinite(time_s.item(0)) and isfinite(time_s.item(-1))):
            time_s = np.unique(time_s[np.isfinite(time_s)])
        state = self.state
        if state.last_valid_s is not None:
            time_s = time_s[int(time_s.searchsorted(state.last_valid_s, side="right")) :]
        if time_s.size == 0:
            return []
        found: list[Finding] = []
        first = float(time_s[0])
        found += self._silence_until(first)
        if state.active:
            found.append(self._ended(first))
        before_s = state.last_valid_s
        # Nothing between the first and the last can be longer than the two are apart.
        long = float(time_s[-1]) - first > self._least_s
        gap_at = np.flatnonzero(time_s[1:] - time_s[:-1] > self._least_s).tolist() if long else []
        done = 0
        for i in gap_at:
            self._paced(before_s, time_s[done : i + 1])
            before_s, done = float(time_s[i]), i + 1
            self._heard(before_s)
            after = float(time_s[i + 1])
            spoke = self._silence_until(after)
            if spoke:
                found += [*spoke, self._ended(after)]
        self._paced(before_s, time_s[done:])
        self._heard(float(time_s[-1]))
        return found

    @property
    def limit_s(self) -> float:
        """How long silence may last now."""
        if self._limit_s is None:
            known = self.state.intervals_s
            pace_s = median(known) if len(known) == PACE_OF else 0.0
            self._limit_s = max(self._least_s, self.settings.missed_polls * pace_s)
        return self._limit_s

    def _paced(self, before_s: float | None, time_s: NDArray[np.float64]) -> None:
        """Keep the last intervals."""
        times = time_s[-PACE_OF - 1 :].tolist()
        if before_s is not None and len(times) <= PACE_OF:
            times.insert(0, before_s)
        fresh = [after - before for before, after in pairwise(times)]
        if fresh:
            self.state.intervals_s = (self.state.intervals_s + fresh)[-PACE_OF:]
            self._limit_s = None

    def advance(self, now_s: float) -> list[Finding]:
        """Time passes, with every valid sample up to `now_s` seen. A clock that steps back changes nothing."""
        if not np.isfinite(now_s):
            return []
        if self.state.heard_from_s is None:
            self.state.heard_from_s = now_s
        return self._silence_until(now_s)

    def report(self) -> Report:
        """What is known."""
        if self.state.active:
            return Report(watch=Watch.FINDING, learnt="silent")
        if self.state.last_valid_s is None:
            return Report(watch=Watch.LEARNING, learnt="no sample yet", needs="a first valid sample")
        return Report(watch=Watch.WATCHING, learnt=f"speaks after {self.limit_s:g} s of silence")

    def _heard(self, time_s: float) -> None:
        before = self.state.heard_from_s
        self.state.last_valid_s = time_s
        # A sample may be older than the start of listening: that is no reason to speak sooner.
        self.state.heard_from_s = time_s if before is None else max(before, time_s)

    def _silence_until(self, now_s: float) -> list[Finding]:
        state = self.state
        if state.active or state.heard_from_s is None or not now_s - state.heard_from_s > self.limit_s:
            return []
        state.active = True
        return [self._finding(state.heard_from_s + self.limit_s, active=True, silent_s=self.limit_s)]

    def _ended(self, at_s: float) -> Finding:
        state = self.state
        began_s = state.last_valid_s if state.last_valid_s is not None else state.heard_from_s
        spoke_s = at_s if state.heard_from_s is None else max(at_s, state.heard_from_s + self.limit_s)
        state.active = False
        # A late sample may be older than the finding that it ends; an end never comes before its beginning.
        return self._finding(spoke_s, active=False, silent_s=at_s - (at_s if began_s is None else began_s))

    def _finding(self, at_s: float, *, active: bool, silent_s: float) -> Finding:
        state = self.state
        since_s = state.last_valid_s if state.last_valid_s is not None else state.heard_from_s
        return Finding(
            symptom=SYMPTOM,
            at_s=at_s,
            active=active,
            value=silent_s,
            unit="s",
            limit=self.limit_s,
            since_s=since_s,
            facts={"ever_heard": state.last_valid_s is not None},
        )
