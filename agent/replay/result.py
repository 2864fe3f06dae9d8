"""What one group of probes gives when its history has been run through: plain data, for the process that asked."""

from dataclasses import dataclass, field

from agent.pipeline import Found
from agent.reconstruct.now import ProbeNow
from agent.replay.files.problems import Problems
from detectors.finding import Report

__all__ = ["Absence", "GroupResult", "ProbeResult"]


@dataclass(frozen=True, slots=True)
class Absence:
    """No row of a probe between two of its rows. `heard_s`: the first sample with a value after it, None without."""

    from_s: float
    to_s: float
    heard_s: float | None


@dataclass(slots=True)
class ProbeResult:
    """One probe's history as it was judged."""

    probe: str
    rows: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    limit_s: float = 0.0  # of silence; a longer time without a row is an absence
    blind_s: float = 0.0  # of first to last, without a value
    absences: list[Absence] = field(default_factory=list)
    judged: dict[str, tuple[int, int]] = field(default_factory=dict)  # symptom -> judgements, those that found it
    reports: dict[str, Report] = field(default_factory=dict)
    never: tuple[str, ...] = ()  # mapped signals without a single value


@dataclass(slots=True)
class GroupResult:
    """What a group gave, or why it could not be judged.

    `found` lacks judgements that repeat 'not there' of slow symptoms: they change nothing. `nows`: what was known of a
    probe when an alert of it moved, and at some other times, in order of time by probe.
    """

    probes: dict[str, ProbeResult] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    nows: dict[str, list[ProbeNow]] = field(default_factory=dict)
    problems: Problems = field(default_factory=Problems)
    failed: str | None = None
