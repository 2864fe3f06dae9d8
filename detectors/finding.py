"""What a detector answers: a judgement with its evidence, and a report of what it knows."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite

__all__ = ["Finding", "Report", "Watch", "finite"]


class Watch(StrEnum):
    """What a detector is doing; the words of the `condition` topic."""

    LEARNING = "learning"
    WATCHING = "watching"
    NOT_OBSERVABLE = "not_observable"
    FINDING = "finding"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One judgement of one symptom at an instant of event time.

    A detector emits one each time it has judged: `active` tells whether the symptom is there. On-delay, off-delay and
    everything else of an alert's life belong to the alerts, not to detectors. Times are UTC seconds since 1970.
    """

    symptom: str
    at_s: float
    active: bool
    level: int = 1  # 1, or 2 where the symptom has an urgent form
    value: float | None = None
    unit: str = ""
    uncertainty: float | None = None  # standard uncertainty of `value`, same unit
    baseline: float | None = None
    limit: float | None = None
    trend_per_day: float | None = None
    reaches_limit_earliest_s: float | None = None  # 80 % range of the date at which the limit is reached
    reaches_limit_latest_s: float | None = None
    episodes: int | None = None  # how many episodes, or days, speak
    since_s: float | None = None  # when the symptom was first seen
    facts: Mapping[str, float | str | bool] = field(default_factory=dict)  # numbers and words for the diagnosis


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What a detector has learnt, in words with numbers, and what it would need."""

    watch: Watch
    learnt: str = ""
    needs: str = ""


def finite(**values: float) -> dict[str, float | str | bool]:
    """Facts of those values that are finite: what is not known is not quoted."""
    return {name: float(value) for name, value in values.items() if isfinite(value)}
