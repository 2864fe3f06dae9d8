"""What is kept of a case once it has been played: small enough that a table can be made again and again from it."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.evaluation.case import Excuse, Fault

__all__ = ["DAY_S", "YEAR_S", "Played", "Raised", "append", "arrays_path", "load_arrays", "read_played"]

DAY_S = 86400.0
YEAR_S = 365.25 * DAY_S


@dataclass(frozen=True, slots=True)
class Raised:
    """One alert at the instant it was first raised. `part` is what it named first."""

    probe: str
    symptom: str
    at_s: float
    part: str
    rule: str = ""  # what spoke, in a few words


@dataclass(slots=True, kw_only=True)
class Played:
    """A case after it has been played. `arrays` (truth, events, days of raw signals) live in a file beside."""

    seed: int
    number: int
    days: float
    code: str  # of the sources that it was played with
    probe: str
    probes: tuple[str, ...]
    from_s: float
    to_s: float
    faults: tuple[Fault, ...] = ()
    decoys: tuple[str, ...] = ()
    excuses: tuple[Excuse, ...] = ()
    traits: Mapping[str, str] = field(default_factory=dict)
    noise: Mapping[str, float] = field(default_factory=dict)
    raised: tuple[Raised, ...] = ()  # by Flueward
    ended: tuple[tuple[str, str, float], ...] = ()  # probe, symptom, when the alert went back to normal
    fixed: tuple[Raised, ...] = ()  # by fixed thresholds on the same rows
    reports: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # probe -> symptom -> last word of it
    rows: int = 0
    made_cpu_s: float = 0.0
    played_cpu_s: float = 0.0
    trouble: str = ""  # an exception: the case counts as nothing found, and is told

    @property
    def key(self) -> tuple[int, int, float]:
        """What it was made from."""
        return self.seed, self.number, self.days

    @property
    def span_years(self) -> float:
        """Length of the record."""
        return (self.to_s - self.from_s) / YEAR_S

    @property
    def name(self) -> str:
        """For people, and for `--explain`."""
        return f"{self.seed}:{self.number}"


def append(path: Path, played: Played) -> None:
    """Add a line; a crash while writing harms only that line."""
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(asdict(played)) + "\n")
        file.flush()


def arrays_path(folder: Path, key: tuple[int, int, float]) -> Path:
    """Where the arrays of a case are."""
    return folder / "arrays" / f"{key[0]}-{key[1]}-{key[2]:g}.npz"


def read_played(path: Path, code: str | None = None) -> Iterator[Played]:
    """What was played before, with these sources (any when None); half a line at the end is passed over."""
    if not path.exists():
        return
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row: dict[str, Any] = json.loads(line)
        except ValueError:
            continue
        if code is None or row["code"] == code:
            yield _played(row)


def _played(row: dict[str, Any]) -> Played:
    row["faults"] = tuple(
        Fault(**{**one, "parts": tuple(one["parts"]), "symptoms": tuple(one["symptoms"])}) for one in row["faults"]
    )
    row["excuses"] = tuple(Excuse(**one) for one in row["excuses"])
    for name in ("raised", "fixed"):
        row[name] = tuple(Raised(**one) for one in row[name])
    for name in ("decoys", "probes"):
        row[name] = tuple(row[name])
    row["ended"] = tuple((p, s, float(at)) for p, s, at in row["ended"])
    return Played(**row)


def load_arrays(folder: Path, played: Played) -> dict[str, NDArray[np.float64]]:
    """Arrays of a case by name: `truth.*`, `events.*`, `raw.<probe>.*`."""
    with np.load(arrays_path(folder, played.key)) as file:
        return {name: np.asarray(file[name], dtype=np.float64) for name in file.files}
