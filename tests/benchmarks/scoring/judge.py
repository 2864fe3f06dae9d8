"""Which alerts were right, which were false, and how soon each fault was told."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import inf, isfinite

import numpy as np

from tests.benchmarks.evaluation.case import Fault
from tests.benchmarks.scoring.records import DAY_S, YEAR_S, Played, Raised

__all__ = ["FaultScore", "Score", "judge", "judge_case", "matters", "still_standing"]


@dataclass(frozen=True, slots=True)
class FaultScore:
    """What became of one fault."""

    played: Played
    fault: Fault
    first: Raised | None  # the first right alert after onset
    standing: bool = False  # told before its onset, by luck, and not ended since: counted as false, and as not found

    @property
    def delay_s(self) -> float:
        """After onset; inf when never."""
        return inf if self.first is None else self.first.at_s - self.fault.onset_s

    @property
    def lead_s(self) -> float:
        """Before it matters; negative when late, -inf when never told."""
        return -inf if self.first is None else self.fault.matters_s - self.first.at_s

    @property
    def in_time(self) -> bool:
        """Found before it matters."""
        return self.first is not None and self.first.at_s <= self.fault.matters_s

    @property
    def right_part(self) -> bool:
        """A part that a fair judge accepts was named first."""
        return self.first is not None and self.first.part in (self.fault.parts or (self.fault.part,))


@dataclass(slots=True)
class Score:
    """Sums over cases."""

    healthy_years: float = 0.0  # probe-years of healthy cases
    before_years: float = 0.0  # of faulty cases before the first onset, and of the healthy twins in them
    after_years: float = 0.0  # of faulty probes from the first onset on: only alerts that no fault explains are false
    false_healthy: list[tuple[Played, Raised]] = field(default_factory=list)
    false_before: list[tuple[Played, Raised]] = field(default_factory=list)
    false_after: list[tuple[Played, Raised]] = field(default_factory=list)
    faults: list[FaultScore] = field(default_factory=list)
    excused: int = 0

    @property
    def false(self) -> list[tuple[Played, Raised]]:
        """All of them."""
        return self.false_healthy + self.false_before + self.false_after

    @property
    def well_years(self) -> float:
        """Probe-years without a fault."""
        return self.healthy_years + self.before_years

    @property
    def years(self) -> float:
        """All probe-years at risk."""
        return self.well_years + self.after_years

    def delays_days(self, faults: Iterable[FaultScore] | None = None) -> np.ndarray:
        """Sorted, with inf where never found: quantiles of it are honest."""
        chosen = self.faults if faults is None else faults
        return np.sort([one.delay_s / DAY_S for one in chosen])


def judge(cases: Iterable[tuple[Played, Sequence[Raised]]]) -> Score:
    """Score of what somebody (Flueward or a comparator) raised in each case."""
    score = Score()
    for played, raised in cases:
        judge_case(played, raised, score)
    return score


def judge_case(played: Played, raised: Sequence[Raised], score: Score) -> None:
    """Add one case."""
    onset_s = min((one.onset_s for one in played.faults), default=inf)
    if played.faults:
        before_s = max(0.0, min(onset_s, played.to_s) - played.from_s)
        mates = len(played.probes) - 1
        score.before_years += before_s / YEAR_S + mates * played.span_years
        score.after_years += played.span_years - before_s / YEAR_S
    else:
        score.healthy_years += len(played.probes) * played.span_years
    first: dict[int, Raised] = {}
    for one in sorted(raised, key=lambda r: r.at_s):
        if _excused(played, one):
            score.excused += 1
            continue
        explains = [
            i
            for i, fault in enumerate(played.faults)
            if one.probe == played.probe and one.at_s >= fault.onset_s and one.symptom in fault.symptoms
        ]
        if explains:
            for i in explains:
                first.setdefault(i, one)
        elif not played.faults:
            score.false_healthy.append((played, one))
        elif one.at_s < onset_s or one.probe != played.probe:
            score.false_before.append((played, one))
        else:
            score.false_after.append((played, one))
    for i, fault in enumerate(played.faults):
        standing = i not in first and still_standing(played, raised, fault)
        score.faults.append(FaultScore(played, fault, first.get(i), standing))


def still_standing(played: Played, raised: Sequence[Raised], fault: Fault) -> bool:
    """Whether an alert of the right kind was raised before the onset and has not ended before it."""
    for one in raised:
        if one.probe == played.probe and one.symptom in fault.symptoms and one.at_s < fault.onset_s:
            over = [at for p, s, at in played.ended if p == one.probe and s == one.symptom and at > one.at_s]
            if min(over, default=inf) > fault.onset_s:
                return True
    return False


def matters(one: FaultScore) -> bool:
    """Whether the fault matters at all within its record."""
    return isfinite(one.fault.matters_s) and one.fault.matters_s <= one.played.to_s


def _excused(played: Played, one: Raised) -> bool:
    return any(
        e.probe == one.probe and e.symptom == one.symptom and e.from_s <= one.at_s <= e.to_s for e in played.excuses
    )
