"""One case in words: what it is, what was really the matter, and what was told when. For people who tune."""

from collections.abc import Mapping
from datetime import UTC, datetime
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.scoring.judge import Score, judge_case
from tests.benchmarks.scoring.oracle import bound_of
from tests.benchmarks.scoring.records import DAY_S, Played, Raised

__all__ = ["explain"]

Floats = NDArray[np.float64]
SHOWN = (
    "r_factor",
    "demand_noise",
    "offset_mv",
    "remaining_mv",
    "tau_s",
    "tau_factor",
    "duty",
    "load_pct",
    "in_service",
)


def explain(played: Played, arrays: Mapping[str, Floats]) -> str:
    """Lines in order of time, then the truth month by month."""
    out = [f"case {played.name}, {played.days:g} days from {_date(played.from_s)}, probes {', '.join(played.probes)}"]
    out += [f"  trait {name}: {value}" for name, value in played.traits.items()]
    out += [f"  decoys: {', '.join(played.decoys) or 'none'}"]
    out += [f"  noise: {', '.join(f'{name} {value:.4g}' for name, value in played.noise.items())}"]
    score = Score()
    judge_case(played, played.raised, score)
    false = [one for _, one in score.false]
    rows: list[tuple[float, str]] = []
    for fault in played.faults:
        rows.append((fault.onset_s, f"ONSET {fault.kind} ({fault.shape}, {fault.part}), severity {fault.severity:.3g}"))
        rows += [(at, f"MATTERS {why}") for why, at in fault.matters.items() if isfinite(at)]
        bound = bound_of(played, fault, arrays, 0.03)
        if bound is not None:
            rows.append((bound.change_s, "oracle knows of a change"))
            rows.append((bound.limit_s, "oracle knows that the limit is crossed"))
            rows.append((bound.crossed_s, "the agreed limit is crossed"))
    rows += [
        (e.from_s, f"excuse {e.symptom} of {e.probe} for {(e.to_s - e.from_s) / 3600:.1f} h") for e in played.excuses
    ]
    rows += [(one.at_s, _told("FALSE" if one in false else "alert", one)) for one in played.raised]
    rows += [(at, f"ended {symptom} of {probe}") for probe, symptom, at in played.ended]
    rows += [(one.at_s, _told("fixed threshold", one)) for one in played.fixed]
    for name in ("calibration_s", "outage_s"):
        rows += [(float(t), name.removesuffix("_s")) for t in arrays.get(f"events.{name}", np.empty(0))[:40]]
    for at_s, text in sorted(rows):
        day = (at_s - played.from_s) / DAY_S
        out.append(
            f"  day {day:6.1f} {_date(at_s)}  {text}" if isfinite(at_s) else f"  never                      {text}"
        )
    out.append("  reports at the end:")
    out += [f"    {probe} {name}: {text}" for probe, all_ in played.reports.items() for name, text in all_.items()]
    out.append("  truth and raw days, means of 15 days:")
    out += [f"    {line}" for line in _months(played, arrays)]
    return "\n".join(out)


def _told(what: str, one: Raised) -> str:
    return f"{what} {one.probe} {one.symptom} names {one.part}: {one.rule}"


def _months(played: Played, arrays: Mapping[str, Floats]) -> list[str]:
    day = (arrays["truth.day_s"] - played.from_s) / DAY_S if "truth.day_s" in arrays else np.empty(0)
    columns = {name: arrays[f"truth.{name}"] for name in SHOWN if f"truth.{name}" in arrays}
    edges = np.arange(0.0, (played.to_s - played.from_s) / DAY_S, 15.0)
    raw_day = arrays[f"raw.{played.probe}.day"] - np.floor(played.from_s / DAY_S)
    raw = {name: arrays[f"raw.{played.probe}.{name}"] for name in ("duty", "air_mv", "stored_offset", "return_s")}
    lines = ["  day " + " ".join(f"{name:>12s}" for name in [*columns, *(f"raw {name}" for name in raw)])]
    for a in edges:
        cells = [_mean(x[(day >= a) & (day < a + 15.0)]) for x in columns.values()]
        cells += [_mean(x[(raw_day >= a) & (raw_day < a + 15.0)]) for x in raw.values()]
        lines.append(f"{a:5.0f} " + " ".join(f"{x:12.4g}" for x in cells))
    return lines


def _mean(x: Floats) -> float:
    x = x[np.isfinite(x)]
    return float(x.mean()) if x.size else np.nan


def _date(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M") if isfinite(at_s) else "never"
