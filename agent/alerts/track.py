"""All that is kept of one symptom of one probe: plain data, saved as a row and restored."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from math import inf, isfinite
from typing import Any, Final

from agent.alerts.lifecycle import Condition, State
from detectors.finding import Finding

__all__ = [
    "ROW_VERSION",
    "RowError",
    "Track",
    "believable",
    "earliest_due_s",
    "finding_from_row",
    "finding_to_row",
    "row_key",
]

ROW_VERSION: Final = 1
WILD: Final = 1e12  # in any unit: far beyond what a probe gives, and beyond UTC seconds as well
LATEST_S: Final = 253_402_300_799.0  # end of the year 9999, the last that RFC 3339 writes
TIMES: Final = ("since_s", "reaches_limit_earliest_s", "reaches_limit_latest_s")


class RowError(ValueError):
    """A saved row cannot be restored; the message says which and why."""


def row_key(probe: str, symptom: str) -> str:
    """Name of a track's row in the store."""
    return f"{probe}/{symptom}"


@dataclass(slots=True, kw_only=True)
class Track:
    """One symptom of one probe. Times are UTC seconds of the event.

    An occurrence runs from the condition's standing to its clearing: `id` and `raised_at_s` never change within it,
    `seq` counts its transitions. It is open while it has an id and no `cleared_at_s`.
    """

    probe: str
    symptom: str
    state: State = State.NORMAL
    condition: Condition = field(default_factory=Condition)
    judged: bool = False  # a detector has spoken at all: only then is its silence evidence
    finding: Finding | None = None  # the latest in which the symptom was there
    explained_by: str | None = None  # key of the track whose alert lists this symptom as its consequence
    hidden_until_s: float | None = None  # end of shelving or of being out of service
    state_reason: str | None = None  # who acknowledged, shelved or took out; what suppresses
    id: str | None = None
    seq: int = 0
    raised_at_s: float | None = None
    updated_at_s: float | None = None
    cleared_at_s: float | None = None
    spoken_level: int = 0
    spoken_at_s: float | None = None
    continues: str | None = None
    superseded_by: str | None = None
    payload: dict[str, Any] | None = None  # of the retained alert, as last handed out
    check: dict[str, Any] | None = None
    checked_at_s: float | None = None
    tidy_at_s: float | None = None  # when the retained topics are emptied

    @property
    def key(self) -> str:
        """Name of its row."""
        return row_key(self.probe, self.symptom)

    @property
    def open(self) -> bool:
        """Whether an occurrence is under way."""
        return self.id is not None and self.cleared_at_s is None

    def due(self) -> tuple[float, str] | None:
        """The next deadline and what it is: end of hiding, end of a delay, or emptying the topics."""
        known = (
            (self.hidden_until_s, "hidden"),
            (self.condition.due_s, "condition"),
            (self.tidy_at_s, "tidy"),
        )
        return min(((at_s, what) for at_s, what in known if at_s is not None), key=lambda one: one[0], default=None)

    def to_row(self) -> dict[str, Any]:
        """JSON-able data."""
        row = asdict(self)
        row["state"] = self.state.value
        row["finding"] = None if self.finding is None else finding_to_row(self.finding)
        return {"version": ROW_VERSION, **row}

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> "Track":
        """The track back; RowError for another version or a damaged row."""
        name = f"{row.get('probe')}/{row.get('symptom')}"
        if row.get("version") != ROW_VERSION:
            raise RowError(f"alert row {name}: version {row.get('version')!r}, this program reads {ROW_VERSION}")
        values = {key: value for key, value in row.items() if key != "version"}
        try:
            values["state"] = State(values["state"])
            values["condition"] = Condition(**values["condition"])
            values["finding"] = None if values["finding"] is None else finding_from_row(values["finding"])
            return cls(**values)
        except (KeyError, TypeError, ValueError) as error:
            raise RowError(f"alert row {name} is damaged: {error}") from None


def earliest_due_s(tracks: Iterable[Track]) -> float:
    """The next deadline of all; infinite when there is none."""
    return min((due[0] for track in tracks if (due := track.due()) is not None), default=inf)


def finding_to_row(finding: Finding) -> dict[str, Any]:
    """JSON-able data; a number that cannot be (`believable`) becomes null, such a fact is left out."""
    row = {name: getattr(finding, name) for name in Finding.__slots__}
    row["facts"] = {k: v for k, v in finding.facts.items() if isinstance(v, str) or believable(v)}
    row = {k: None if isinstance(v, float) and not believable(v) else v for k, v in row.items()}
    for name in TIMES:
        if row[name] is not None and not 0.0 <= row[name] < LATEST_S:
            row[name] = None
    return row


def believable(number: float) -> bool:
    """Whether a number can be one of a probe's: finite, and not beyond everything that is ever measured."""
    return isfinite(number) and abs(number) < WILD


def finding_from_row(row: Mapping[str, Any]) -> Finding:
    """The finding back."""
    return Finding(**row)
