"""What the comparators raised in cases that were played, and the threshold at which each is as calm as Flueward."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.benchmarks.scoring.change import LADDERS, MEANS, alarms
from tests.benchmarks.scoring.judge import Score, judge
from tests.benchmarks.scoring.records import Played, Raised, load_arrays

__all__ = ["TUNED", "peer_scores", "read_tuned", "tune"]

TUNED = Path(__file__).with_name("tuned.json")


def raised_by_change(kind: str, threshold: float, played: Played, tables: Mapping[str, Mapping]) -> list[Raised]:
    """Alarms of one detector over all probes of a case."""
    return [one for probe in played.probes for one in alarms(kind, threshold, probe, tables[probe])]


def tables_of(folder: Path, played: Played) -> dict[str, dict]:
    """Daily raw signals of each probe."""
    arrays = load_arrays(folder, played)
    names = ("day", *MEANS)
    return {probe: {name: arrays[f"raw.{probe}.{name}"] for name in names} for probe in played.probes}


def peer_scores(cases: Sequence[Played], folder: Path, tuned: Mapping[str, float]) -> dict[str, Score]:
    """Scores by name of the comparator."""
    tables = [tables_of(folder, one) for one in cases]
    out = {"fixed thresholds": judge((one, one.fixed) for one in cases)}
    for kind, (name, ladder) in LADDERS.items():
        settings = {f"{kind}, default {name} {ladder[0]:g}": ladder[0]}
        if kind in tuned:
            settings[f"{kind}, tuned {name} {tuned[kind]:g}"] = tuned[kind]
        for words, threshold in settings.items():
            out[words] = judge(
                (one, raised_by_change(kind, threshold, one, table)) for one, table in zip(cases, tables, strict=True)
            )
    return out


def tune(cases: Sequence[Played], folder: Path, rate_per_year: float) -> dict[str, float]:
    """For each detector the most sensitive threshold of its ladder that raises no more false alerts a healthy year.

    Where none is calm enough, the calmest of the ladder.
    """
    healthy = [one for one in cases if not one.faults and one.probes]
    tables = [tables_of(folder, one) for one in healthy]
    out: dict[str, float] = {}
    for kind, (_, ladder) in LADDERS.items():
        for threshold in ladder:
            score = judge(
                (one, raised_by_change(kind, threshold, one, t)) for one, t in zip(healthy, tables, strict=True)
            )
            out[kind] = threshold
            if len(score.false) / score.healthy_years <= rate_per_year:
                break
    return out


def read_tuned() -> dict[str, float]:
    """What was tuned on tuning seeds and committed; nothing when it has not been."""
    return dict(json.loads(TUNED.read_text())["thresholds"]) if TUNED.exists() else {}
