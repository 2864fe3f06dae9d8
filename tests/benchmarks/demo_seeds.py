"""The invented plant over many seeds, without sockets: are its faults found, and are its healthy probes left alone?

    python tests/benchmarks/demo_seeds.py 20                   seeds 1 to 20 of the demo's story, 15 min of live
    python tests/benchmarks/demo_seeds.py 5 --story season     faults of every kind within the history
    python tests/benchmarks/demo_seeds.py 1 --first 7          seed 7 alone

History is the demo's own; live is read from the plant at the instants at which the poller would have read it.
"""

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from math import inf

import numpy as np

from agent.acquire.schedule import needs_dither, stagger_s
from agent.alerts.ledger import Handed, Transition
from agent.counters import Counters
from agent.demo.season import live_through
from agent.outgoing import ALERT_ROWS, PROBE_ROWS
from agent.pipeline import Pipeline
from agent.rfc3339 import from_text
from agent.simulate.faults import Truth
from agent.simulate.history import read_signals
from agent.simulate.plant import Plant, make_plant
from agent.simulate.settings import plant_settings
from detectors.finding import Watch
from detectors.stretch import Stretch

LIVE_START_S = 1_790_000_000.0  # some day in September 2026
LEAD_S = 2.0  # the service starts so long before the story does, as in the demo
STEP_S = 2.0  # how often the pipeline judges: as the service does while a check is going on
AFTER_S = 600.0  # burst polling goes on so long after an episode
# Of a transmitter that is alone on its line nobody can tell from outside which of the two is silent.
AS_GOOD = {"transmitter": ("transmitter", "line")}
SLACK_S = 3 * 86_400.0  # an alert that comes so long after a spell of trouble still tells of it


@dataclass(frozen=True)
class Raised:
    """One alert, when it was first raised."""

    probe: str
    symptom: str
    first_suspect: str
    at_s: float  # event time
    handed_s: float  # when the pipeline said so


@dataclass(frozen=True)
class Score:
    """What became of one seed."""

    seed: int
    found: list[tuple[Truth, Raised | None]]
    false: list[Raised]
    blind: int  # faults that were not found where the detector says that it cannot see them, and why
    live_start_s: float
    took_s: float
    notes: list[str]


def poll_times(plant: Plant, index: int, probe_id: str, end_s: float, rng: np.random.Generator) -> np.ndarray:
    """A probe's polls in live: its period's grid, and a grid of a second from what the first poll of a check sees."""
    probe = plant.settings.probes[probe_id]
    start_s = plant.live_start_s - LEAD_S
    dither = needs_dither(frozenset(plant.settings.maps[probe.map].signals))
    times, at_s = [], start_s + stagger_s(index, probe.period_s)
    episodes = [e for e in plant.models[probe_id].episodes if e.end_s + AFTER_S > start_s and e.start_s < end_s]
    burst_until_s = -inf
    while at_s < end_s:
        if any(e.start_s <= at_s <= e.end_s for e in episodes):
            burst_until_s = at_s + AFTER_S
        step_s = min(1.0, probe.period_s) if at_s < burst_until_s else probe.period_s
        times.append(at_s + (rng.random() * step_s if dither else 0.0) + abs(rng.normal(0.0, 0.004)))
        at_s += step_s
    return np.array(times)


def play(plant: Plant, pipeline: Pipeline, live_s: float) -> list[tuple[float, Transition]]:
    """Live, as the pipeline would have seen it: instants of handing over, and what was handed over."""
    rng = np.random.default_rng([plant.seed, 0xD3])
    end_s = plant.live_start_s + live_s
    read = {}
    for index, probe_id in enumerate(plant.models):
        time_s = poll_times(plant, index, probe_id, end_s, rng)
        read[probe_id] = Stretch(time_s, read_signals(plant, probe_id, time_s))
    out: list[tuple[float, Transition]] = []
    edges = np.arange(plant.live_start_s - LEAD_S, end_s + STEP_S, STEP_S)
    for from_s, to_s in pairwise(edges):
        part = {}
        for probe_id, stretch in read.items():
            rows = slice(*np.searchsorted(stretch.time_s, [from_s, to_s]))
            part[probe_id] = Stretch(stretch.time_s[rows], {n: c[rows] for n, c in stretch.signals.items()})
        pipeline.feed(part)
        out += [(float(to_s), one) for one in pipeline.judge(float(to_s)) + pipeline.tick()]
    return out


def run_seed(seed: int, *, story: str, live_s: float, days: float) -> Score:
    """A plant's season and live, scored."""
    began = time.monotonic()
    settings = plant_settings()
    plant = make_plant(seed, live_start_utc_s=LIVE_START_S, story=story, days=days)  # type: ignore[arg-type]
    season = live_through(plant, settings, progress=lambda what, share: None)
    handed = [(one.at_s, one) for one in season.transitions]
    pipeline = Pipeline(
        settings,
        Counters(),
        saved={key: row for (kind, key), row in season.rows.items() if kind == PROBE_ROWS and row is not None},
        book={key: row for (kind, key), row in season.rows.items() if kind == ALERT_ROWS and row is not None},
        start_s=plant.live_start_s - LEAD_S,
    )
    if live_s > 0:
        handed += play(plant, pipeline, live_s)
    raised = raised_of(handed)
    found, used = [], set()
    for truth in plant.truth():
        mine = [
            one
            for one in raised
            if (one.probe, one.symptom) == (truth.probe, truth.symptom)
            and truth.onset_s <= one.at_s <= truth.until_s + SLACK_S
        ]
        used.update((one.probe, one.symptom, one.at_s) for one in mine)
        found.append((truth, min(mine, key=lambda one: one.handed_s, default=None)))
    false = [one for one in raised if (one.probe, one.symptom, one.at_s) not in used]
    notes, blind = [], 0
    for truth, got in found:
        if got is None:
            report = pipeline.watchers[truth.probe].reports()[truth.symptom]
            blind += report.watch is Watch.NOT_OBSERVABLE
            notes.append(f"{truth.probe} {truth.symptom}: {report.watch.value}; {report.learnt}; {report.needs}")
    return Score(seed, found, false, blind, plant.live_start_s, time.monotonic() - began, notes)


def raised_of(handed: list[tuple[float, Transition]]) -> list[Raised]:
    """The first word on each alert."""
    found = {}
    for handed_s, one in handed:
        told = one.payload
        if one.kind is Handed.TRANSITION and told is not None and told["id"] not in found:
            part = told["suspects"][0]["part"] if told["suspects"] else ""
            found[told["id"]] = Raised(told["probe"], told["symptom"], part, from_text(told["raised_at"]), handed_s)
    return list(found.values())


def is_right(truth: Truth, got: Raised) -> bool:
    """Whether the part that went bad is the first suspect."""
    return got.first_suspect in AS_GOOD.get(truth.part, (truth.part,))


def when(score: Score, got: Raised | None) -> str:
    """When an alert came, from the start of live."""
    if got is None:
        return "not found"
    after_s = got.handed_s - score.live_start_s
    return f"{after_s / 86_400.0:+.1f} d" if abs(after_s) > 86_400.0 else f"{after_s:+.0f} s"


def main() -> int:
    """Run, print a table, and answer 1 where anything was missed or anybody healthy accused."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int, nargs="?", default=20)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--story", choices=("demo", "season"), default="demo")
    parser.add_argument("--days", type=float, default=100.0)
    parser.add_argument("--live", type=float, default=900.0, help="seconds of live")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    one = partial(run_seed, story=options.story, live_s=options.live, days=options.days)
    seeds = range(options.first, options.first + options.seeds)
    scores: list[Score] = []
    began = time.monotonic()
    with ProcessPoolExecutor(options.jobs) as pool:
        for score in pool.map(one, seeds):
            scores.append(score)
            show(score)
    faults = [pair for score in scores for pair in score.found]
    hit = [(truth, got) for truth, got in faults if got is not None]
    right = sum(is_right(truth, got) for truth, got in hit)
    false = sum(len(score.false) for score in scores)
    clean = sum(not score.false and all(got is not None for _, got in score.found) for score in scores)
    blind = sum(score.blind for score in scores)
    print(
        f"{options.story}: {len(hit)} of {len(faults)} faults found ({blind} not observable, and said so), "
        f"the right part first in {right}; "
        f"{false} alerts about the healthy; {clean} of {len(scores)} seeds without fault; "
        f"{time.monotonic() - began:.0f} s"
    )
    return 0 if clean == len(scores) and right == len(hit) else 1


def show(score: Score) -> None:
    """A few lines a seed."""
    for truth, got in score.found:
        late = "" if got is None else f", {(got.handed_s - truth.visible_from_s) / 86_400.0:+.2f} d from its limit"
        part = "" if got is None or is_right(truth, got) else f", but blames {got.first_suspect}"
        print(f"seed {score.seed:3d}  {truth.probe:<11} {truth.symptom:<18} {when(score, got):>9}{late}{part}")
    for got in score.false:
        print(
            f"seed {score.seed:3d}  {got.probe:<11} {got.symptom:<18} {when(score, got):>9}  FALSE: {got.first_suspect}"
        )
    for note in score.notes:
        print(f"seed {score.seed:3d}  note: {note}")
    print(f"seed {score.seed:3d}  {score.took_s:.0f} s", flush=True)


if __name__ == "__main__":
    sys.exit(main())
