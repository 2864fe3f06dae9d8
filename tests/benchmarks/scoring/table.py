"""The results as Markdown, and as plain data."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import inf, isfinite
from typing import Any

import numpy as np

from tests.benchmarks.scoring.judge import FaultScore, Score, matters
from tests.benchmarks.scoring.oracle import Bound
from tests.benchmarks.scoring.rates import rate_interval, share_interval
from tests.benchmarks.scoring.records import DAY_S, Played

__all__ = ["Result", "cpu_per_year", "fault_key", "is_blind", "markdown", "plain"]

SLOW = ("heater_duty_creep", "cell_offset_drift", "slow_recovery")
Result = tuple[Score, Mapping[str, Score], Mapping[str, Bound], Sequence[Played]]  # bounds by "<case>/<fault index>"


def markdown(head: str, result: Result) -> str:
    """All tables."""
    score, peers, bounds, cases = result
    parts = [
        head,
        _bars(score, bounds),
        _main(score, peers),
        _kinds(score, bounds),
        _falses(score),
        _decoys(score, cases),
        _traits(score),
    ]
    return "\n\n".join(part for part in parts if part)


def plain(result: Result) -> dict[str, Any]:
    """The figures that the tables show, for a script."""
    score, peers, bounds, cases = result
    return {
        "flueward": _figures(score),
        "peers": {name: _figures(one) for name, one in peers.items()},
        "by_kind": {kind: _kind_figures(kind, score, bounds) for kind in _kinds_of(score)},
        "false_by_symptom": dict(Counter(one.symptom for _, one in score.false)),
        "cpu_s_per_probe_year": _cpu(cases),
    }


def _figures(score: Score) -> dict[str, Any]:
    mattering = [one for one in score.faults if matters(one)]
    slow = [one for one in mattering if one.fault.slow]
    found = [one for one in score.faults if one.first is not None]
    delays = score.delays_days([one for one in score.faults if one.fault.kind in SLOW and matters(one)])
    leads = [one.lead_s / DAY_S for one in slow if one.first is not None]
    return {
        "well_probe_years": score.well_years,
        "false_well": len(score.false_healthy) + len(score.false_before),
        "false_well_per_year": _rate(len(score.false_healthy) + len(score.false_before), score.well_years),
        "false_after_onset": len(score.false_after),
        "after_onset_probe_years": score.after_years,
        "false_all_per_year": _rate(len(score.false), score.years),
        "faults": len(score.faults),
        "slow_faults_that_matter": len(slow),
        "slow_found_in_time": sum(one.in_time for one in slow),
        "faults_that_matter": len(mattering),
        "found_of_mattering": sum(one.first is not None for one in mattering),
        "found": len(found),
        "right_part": sum(one.right_part for one in found),
        "delay_days_median": _quantile(delays, 0.5),
        "delay_days_p90": _quantile(delays, 0.9),
        "lead_days_median": float(np.median(leads)) if leads else None,
    }


def _main(score: Score, peers: Mapping[str, Score]) -> str:
    head = (
        "| | false alerts a healthy probe-year | the same, all false over all years | slow faults found before they "
        "matter | all that matter, found at last | slow faults: delay, median / 90 % | lead before it matters | right "
        "part first |\n| --- | --- | --- | --- | --- | --- | --- | --- |"
    )
    lines = [head]
    for name, one in {"**Flueward**": score, **peers}.items():
        f = _figures(one)
        lines.append(
            f"| {name} | {_rate_text(f['false_well'], f['well_probe_years'])} "
            f"| {_rate_text(len(one.false), one.years)} "
            f"| {_share_text(f['slow_found_in_time'], f['slow_faults_that_matter'])} "
            f"| {_share_text(f['found_of_mattering'], f['faults_that_matter'])} "
            f"| {_days(f['delay_days_median'])} / {_days(f['delay_days_p90'])} | {_days(f['lead_days_median'])} "
            f"| {_share_text(f['right_part'], f['found'])} |"
        )
    return "\n".join(lines)


def _bars(score: Score, bounds: Mapping[str, Bound]) -> str:
    """What the detectors must reach."""
    f = _figures(score)
    ours, change, limit = _against_oracle([one for one in score.faults if matters(one)], bounds)
    rows = [
        ("false alerts a probe-year, all symptoms", "at most 0.1", _rate_text(len(score.false), score.years)),
        (
            "slow faults found before they matter",
            "at least 95 %",
            _share_text(f["slow_found_in_time"], f["slow_faults_that_matter"]),
        ),
        (
            "faults that matter found at last",
            "at least 95 %",
            _share_text(f["found_of_mattering"], f["faults_that_matter"]),
        ),
        ("all faults found at last", "-", _share_text(f["found"], f["faults"])),
        ("median delay over the oracle's that knows of a change", "at most 1.5", _of(ours, change)),
        ("median delay over the oracle's that knows that the limit is crossed", "-", _of(ours, limit)),
        ("right part first", "at least 90 %", _share_text(f["right_part"], f["found"])),
    ]
    return "\n".join(["| | bar | reached |", "| --- | --- | --- |", *(f"| {a} | {b} | {c} |" for a, b, c in rows)])


def _of(ours: float | None, theirs: float | None) -> str:
    ratio = None if ours is None or not theirs else ours / theirs
    return f"{_ratio(ratio)} ({_span(ours)} to {_span(theirs)})"


def _against_oracle(
    faults: Iterable[FaultScore], bounds: Mapping[str, Bound]
) -> tuple[float | None, float | None, float | None]:
    """Median delays in days, ours and the oracle's of both kinds, over the same faults; a miss is infinite."""
    pairs = [(one, b) for one in faults if (b := bounds.get(fault_key(one))) is not None]
    ours = _quantile(sorted(one.delay_s / DAY_S for one, _ in pairs), 0.5)
    change = _quantile(sorted((b.change_s - one.fault.onset_s) / DAY_S for one, b in pairs), 0.5)
    limit = _quantile(sorted((b.limit_s - one.fault.onset_s) / DAY_S for one, b in pairs), 0.5)
    return ours, change, limit


def _kinds(score: Score, bounds: Mapping[str, Bound]) -> str:
    head = (
        "| fault, shape | cases (that matter) | found in time | found at last | delay, median / 90 % | oracle: change "
        "| ratio | oracle: limit crossed | after the limit was crossed, median / 90 % | lead | right part "
        "| missed, of them said not observable, told falsely before |\n" + "| --- " * 12 + "|"
    )
    lines = [head]
    for kind in _kinds_of(score):
        f = _kind_figures(kind, score, bounds)
        lines.append(
            f"| {kind} | {f['cases']} ({f['matter']}) | {_share_text(f['in_time'], f['matter'])} "
            f"| {_share_text(f['found_of_mattering'], f['matter'])} (of all {f['found']}/{f['cases']}) "
            f"| {_span(f['delay_median'])} / {_span(f['delay_p90'])} | {_span(f['oracle_change_median'])} "
            f"| {_ratio(f['ratio_to_oracle'])} | {_span(f['oracle_limit_median'])} "
            f"| {_span(f['after_limit_median'])} / {_span(f['after_limit_p90'])} | {_span(f['lead_median'])} "
            f"| {_share_text(f['right_part'], f['found'])} | {f['missed']}, {f['blind']}, {f['standing']} |"
        )
    return "\n".join(lines)


def _kinds_of(score: Score) -> list[str]:
    names = sorted({_kind(one) for one in score.faults})
    return [name for kind in SLOW for name in names if name.startswith(kind)] + [
        name for name in names if not name.startswith(SLOW)
    ]


def _kind(one: FaultScore) -> str:
    return f"{one.fault.kind}, {one.fault.shape}"


def _kind_figures(kind: str, score: Score, bounds: Mapping[str, Bound]) -> dict[str, Any]:
    """Delays of those that matter within the record, in days; a miss counts as infinite on both sides."""
    mine = [one for one in score.faults if _kind(one) == kind]
    mattering = [one for one in mine if matters(one)]
    found = [one for one in mine if one.first is not None]
    delays = [one.delay_s / DAY_S for one in mattering]
    pairs = [(one, b) for one in mattering if (b := bounds.get(fault_key(one))) is not None]
    ours, theirs, limit = _against_oracle(mattering, bounds)
    after = [
        ((inf if one.first is None else one.first.at_s) - b.crossed_s) / DAY_S
        for one, b in pairs
        if b.crossed_s <= one.played.to_s
    ]
    leads = [one.lead_s / DAY_S for one in mattering if one.first is not None]
    missed = [one for one in mattering if one.first is None]
    return {
        "cases": len(mine),
        "matter": len(mattering),
        "in_time": sum(one.in_time for one in mattering),
        "found": len(found),
        "found_of_mattering": len(mattering) - len(missed),
        "right_part": sum(one.right_part for one in found),
        "delay_median": _quantile(sorted(delays), 0.5),
        "delay_p90": _quantile(sorted(delays), 0.9),
        "oracle_change_median": theirs,
        "oracle_limit_median": limit,
        "ratio_to_oracle": None if ours is None or theirs is None or not theirs else ours / theirs,
        "after_limit_median": _quantile(sorted(after), 0.5),
        "after_limit_p90": _quantile(sorted(after), 0.9),
        "lead_median": float(np.median(leads)) if leads else None,
        "missed": len(missed),
        "blind": sum(is_blind(one) for one in missed),
        "standing": sum(one.standing for one in missed),
    }


def is_blind(one: FaultScore) -> bool:
    """Whether the detectors said, at the end, that with these signals they cannot see such a fault."""
    reports = one.played.reports.get(one.played.probe, {})
    said = [reports[name] for name in one.fault.symptoms if name in reports]
    return bool(said) and all(text.startswith("not_observable") for text in said)


def fault_key(one: FaultScore) -> str:
    """Names a fault of a case."""
    return f"{one.played.name}/{one.played.faults.index(one.fault)}"


def _falses(score: Score) -> str:
    if not score.false:
        return ""
    lines = [
        "| false alerts by symptom | healthy | before onset | after onset, of no kin | a year |",
        "| --- " * 5 + "|",
    ]
    counts = [
        Counter(r.symptom for _, r in part) for part in (score.false_healthy, score.false_before, score.false_after)
    ]
    for name in sorted(set().union(*counts), key=lambda n: -sum(c[n] for c in counts)):
        a, b, c = (part[name] for part in counts)
        lines.append(f"| {name} | {a} | {b} | {c} | {_rate_text(a + b + c, score.years)} |")
    return "\n".join(lines)


def _decoys(score: Score, cases: Iterable[Played]) -> str:
    years: dict[str, float] = defaultdict(float)
    count: Counter[str] = Counter()
    for one in cases:
        for decoy in one.decoys or ("none",):
            years[decoy] += len(one.probes) * one.span_years
    for played, _ in score.false:
        count.update(played.decoys or ("none",))
    if not years:
        return ""
    lines = ["| decoy | probe-years with it | false alerts a year in them |", "| --- " * 3 + "|"]
    order = sorted(years, key=lambda d: (-count[d] / max(years[d], 1e-9), d))
    lines += [f"| {d} | {years[d]:.0f} | {_rate_text(count[d], years[d])} |" for d in order]
    return "\n".join(lines)


def _traits(score: Score) -> str:
    """Slow faults by what is mapped and how often it is polled."""
    by: dict[tuple[str, str], list[FaultScore]] = defaultdict(list)
    for one in score.faults:
        if matters(one) and one.fault.slow:
            for name, value in one.played.traits.items():
                by[name, _class(value)].append(one)
    if not by:
        return ""
    lines = ["| of slow faults that matter | cases | found in time | delay, median | right part |", "| --- " * 5 + "|"]
    for (name, value), mine in sorted(by.items(), key=lambda row: (row[0][0], _number(row[0][1]), row[0][1])):
        found = [one for one in mine if one.first is not None]
        lines.append(
            f"| {name}: {value} | {len(mine)} | {_share_text(sum(one.in_time for one in mine), len(mine))} "
            f"| {_days(_quantile(score.delays_days(mine), 0.5))} "
            f"| {_share_text(sum(one.right_part for one in found), len(found))} |"
        )
    return "\n".join(lines)


def _cpu(cases: Sequence[Played]) -> dict[str, float]:
    years = sum(len(one.probes) * one.span_years for one in cases)
    return {
        "simulate": sum(one.made_cpu_s for one in cases) / max(years, 1e-9),
        "flueward": sum(one.played_cpu_s for one in cases) / max(years, 1e-9),
        "rows": sum(one.rows for one in cases) / max(years, 1e-9),
    }


def _class(value: str) -> str:
    """Intervals of hours fall into classes, so that a class has more than one case."""
    number, _, unit = value.partition(" ")
    if unit != "h":
        return value
    below = next((edge for edge in (3, 6, 12, 24) if float(number) < edge), None)
    return "24 h or more" if below is None else f"below {below} h"


def _number(value: str) -> float:
    found = [float(word) for word in value.split() if word.replace(".", "", 1).isdigit()]
    return found[0] if found else inf


cpu_per_year: Callable[[Sequence[Played]], dict[str, float]] = _cpu


def _quantile(ordered: Iterable[float], q: float) -> float | None:
    """The smallest value that at least a share `q` does not exceed (no interpolation: some are infinite)."""
    known = np.asarray(list(ordered), dtype=np.float64)
    return float(known[max(0, int(np.ceil(q * known.size)) - 1)]) if known.size else None


def _rate(count: int, years: float) -> float | None:
    return count / years if years > 0.0 else None


def _rate_text(count: int, years: float) -> str:
    if years <= 0.0:
        return "-"
    low, high = rate_interval(count, years)
    return f"{count / years:.3f} ({low:.3f}..{high:.3f}; {count} in {years:.0f})"


def _share_text(hits: int, n: int) -> str:
    if n == 0:
        return "-"
    low, high = share_interval(hits, n)
    return f"{100 * hits / n:.1f} % ({100 * low:.0f}..{100 * high:.0f}; {hits}/{n})"


def _days(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f} d" if isfinite(value) else "never"


def _span(days: float | None) -> str:
    """Days, or what is less, as a person would say it."""
    if days is None or not isfinite(days) or abs(days) >= 2.0:
        return _days(days)
    minutes = days * 1440.0
    return f"{minutes:.0f} min" if abs(minutes) < 120.0 else f"{minutes / 60.0:.0f} h"


def _ratio(value: float | None) -> str:
    return "-" if value is None or not isfinite(value) else f"{value:.2f}"
