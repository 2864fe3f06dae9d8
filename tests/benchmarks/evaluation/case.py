"""What one evaluation case is: a probe (or a pair of twins), what its registers showed, and the truth behind it.

A case is made from a recipe, which is small and can be sent to another process; the rows come lazily, a few days at a
time, so that a year never has to be in memory. Nothing here knows how detectors work.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from agent.config.model import Settings

__all__ = ["DAY_S", "Case", "CaseRecipe", "Chunk", "Excuse", "Fault", "make_cases", "recipes"]

Floats = NDArray[np.float64]
DAY_S = 86400.0
# (probe id, UTC seconds strictly rising, one array a mapped signal: its own and its feeds'; NaN = missing)
Chunk = tuple[str, Floats, Mapping[str, Floats]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A part of the case's probe that goes bad and stays bad to the end of the record."""

    kind: str  # heater_duty_creep, cell_offset_drift, slow_recovery, heater_open, no_communication
    shape: str  # "creep", "step", "sudden"
    part: str  # the part that is to blame, in the contract's words
    parts: tuple[str, ...]  # every part that a fair judge accepts as named first
    symptoms: tuple[str, ...]  # every symptom that is a right answer to it
    onset_s: float
    matters_s: float  # first of `matters`; inf when it never does within the record
    # Each way of mattering on its own, inf where never: "reading_0.2" (the fault alone moves the reading by more than
    # 0.2 % O2 at the operating point), "offset_5mv", "exhausted" (cold start at low supply), "tau_doubled", "lost".
    matters: Mapping[str, float]
    severity: float  # resistance factor, mV a year, tau factor at the end of the record; 1 where it is all or nothing

    @property
    def slow(self) -> bool:
        """Whether it takes a fortnight or longer to matter (also when it does not within the record)."""
        return self.matters_s - self.onset_s >= 14 * DAY_S


@dataclass(frozen=True, slots=True)
class Excuse:
    """A time in which a symptom is no false alert though no part is bad: a transmitter really without power, say."""

    probe: str
    symptom: str
    from_s: float
    to_s: float


@dataclass(slots=True, kw_only=True)
class Case:
    """One simulated record. `faults` concern `probe`; the other probe of a pair of twins is healthy.

    `truth`: daily arrays of one length, for `probe`:
      day_s (start of the UTC day), r_factor (heater resistance over its value as new), offset_mv (the cell's own),
      remaining_mv (offset that misleads the reading: raw minus stored), tau_s (gas exchange through the filter, mean of
      the day), duty (true mean, in hot service), demand_noise (natural log: what no covariate explains), alive (share
      of polls answered), load_pct, in_service (share of the day hot and firing).
    `noise`: scalars that an oracle may know: demand_day_sd (log, of demand_noise), demand_day_rho (per day),
      offset_check_sd_mv (scatter of one check about offset_mv + a constant), offset_wander_sd_mv, tau_log_sd (of one
      recovery), operating_o2_pct, mv_per_pct (at the operating point, positive).
    `events`: times in UTC s, and what was really there then, arrays of one length a group:
      air_check_s, air_check_mv (offset as that check would show it), recovery_s, recovery_tau_s (each true tau),
      test_gas_s, blowback_s, light_off_s, calibration_s, outage_s.
    """

    seed: int
    number: int
    settings: Settings
    probe: str
    chunks: Callable[[], Iterator[Chunk]]
    from_s: float
    to_s: float
    faults: tuple[Fault, ...] = ()
    decoys: tuple[str, ...] = ()
    excuses: tuple[Excuse, ...] = ()
    truth: Mapping[str, Floats] = field(default_factory=dict)
    noise: Mapping[str, float] = field(default_factory=dict)
    events: Mapping[str, Floats] = field(default_factory=dict)
    traits: Mapping[str, str] = field(
        default_factory=dict
    )  # in words, for a breakdown: period, duty signal, checks ...

    @property
    def probe_years(self) -> float:
        """Probe-years of all probes of the case."""
        return len(self.settings.probes) * (self.to_s - self.from_s) / (365.25 * DAY_S)


@dataclass(frozen=True, slots=True)
class CaseRecipe:
    """All that a case is made from. The same recipe always gives the same case, whatever else was made before."""

    seed: int
    number: int
    fault: str | None  # a fault kind, or None for a healthy probe
    days: float

    def make(self) -> Case:
        """The case. Imports the simulator late, so that a recipe is cheap to unpickle."""
        from tests.benchmarks.evaluation.make import make_case

        return make_case(self)


# How often each kind is drawn: the slow ones are what the bars are about.
_KINDS = (
    ("heater_duty_creep", 0.30),
    ("cell_offset_drift", 0.26),
    ("slow_recovery", 0.26),
    ("heater_open", 0.09),
    ("no_communication", 0.09),
)


def recipes(seed: int, *, healthy: int, faulty: int, days: float) -> Iterator[CaseRecipe]:
    """The recipes of a seed: healthy ones first. `days` is the length of each record."""
    for number in range(healthy):
        yield CaseRecipe(seed, number, None, days)
    # Kinds in fixed proportion and a shuffled order, so that also a small number has a bit of each.
    rng = np.random.default_rng((seed, 77))
    names = [kind for kind, _ in _KINDS]
    shares = np.cumsum([share for _, share in _KINDS])
    places = (np.arange(faulty) + rng.random()) / max(faulty, 1) % 1.0
    kinds = rng.permutation(np.searchsorted(shares / shares[-1], places, side="right"))
    for i, kind in enumerate(kinds):
        # Numbers of faulty cases start at a fixed place: more healthy ones do not change them.
        yield CaseRecipe(seed, 100_000 + i, names[int(kind)], days)


def make_cases(seed: int, *, healthy: int, faulty: int, days: float) -> Iterator[Case]:
    """Every case of a seed, one after the other."""
    for recipe in recipes(seed, healthy=healthy, faulty=faulty, days=days):
        yield recipe.make()
