"""What a replay says at its end: by probe what was there, what was found and what could not be seen; then the files."""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

from agent.commands.wide import joined, number, paragraph
from agent.replay.engine import Replayed
from agent.replay.result import ProbeResult
from agent.rfc3339 import to_text
from detectors.finding import Watch

__all__ = ["alert_rows", "summary_json", "summary_lines"]

_DAY_S: Final = 86_400.0
_STATES: Final = {"normal": "cleared"}


def alert_rows(payloads: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row an alert, in order of raising: `probe`, `symptom`, `id`, `raised_at`, `cleared_at`, `state`, `headline`
    (of its last transition while it stood), `suspect` (the part named first)."""
    rows: dict[str, dict[str, Any]] = {}
    for payload in payloads:
        row = rows.setdefault(
            payload["id"],
            {name: payload[name] for name in ("probe", "symptom", "id", "raised_at")}
            | {"headline": "", "suspect": None},
        )
        row["cleared_at"], row["state"] = payload["cleared_at"], payload["state"]
        if payload["cleared_at"] is None:
            row["headline"] = payload["headline"]
            row["suspect"] = payload["suspects"][0]["part"] if payload["suspects"] else None
    return list(rows.values())


def summary_lines(done: Replayed) -> list[str]:
    """The table as lines of text."""
    alerts = alert_rows(done.alerts)
    lines: list[str] = []
    if done.probes:
        lines.append(f"{'probe':<22} {'from':<10} {'to':<10} {'days':>7} {'rows':>11} {'no data':>8} {'alerts':>6}")
    for probe, one in done.probes.items():
        mine = [row for row in alerts if row["probe"] == probe]
        lines.append(
            f"{probe:<22} {_day(one.first_s):<10} {_day(one.last_s):<10} {_days(one):>7.1f} {one.rows:>11} "
            f"{100 * _blind(one):>6.1f} % {len(mine):>6}"
        )
        for row in mine:
            until = "stands" if row["cleared_at"] is None else f"cleared {_minute(row['cleared_at'])}"
            lines += paragraph(f"{row['symptom']}: {_minute(row['raised_at'])}, {until}", indent=2, hang=2)
            lines += paragraph(row["headline"], indent=4)
        for symptom, report in one.reports.items():
            if report.watch is Watch.NOT_OBSERVABLE:
                lines += paragraph(f"{symptom} could not be seen: it needs {report.needs}", indent=2, hang=2)
            elif report.watch is Watch.LEARNING:
                learnt = f": {report.learnt}" if report.learnt else ""
                lines += paragraph(f"{symptom} was still learning at the end{learnt}", indent=2, hang=2)
        if one.never:
            lines += paragraph(f"not a value of {joined(one.never)}", indent=2, hang=2)
    for probe, why in done.failed.items():
        lines += paragraph(f"{probe}: NOT judged, a fault of this program, please report it: {why}", hang=2)
    if done.without:
        lines += paragraph(f"no history of {joined(done.without)}", hang=2)
    problems = done.problems.lines()
    if problems:
        lines += ["", "in the files"]
        for line in problems:
            lines += paragraph(line, indent=2, hang=2)
    judged = sum(times for one in done.probes.values() for times, _ in one.judged.values())
    years = sum(_days(one) for one in done.probes.values()) / 365.25
    rate = done.rows / done.wall_s if done.wall_s > 0 else 0.0
    total = (
        f"{_many(len(done.probes), 'probe')}, {years:.2f} probe-years, {_many(judged, 'judgement')}, "
        f"{_many(len(alerts), 'alert')}, {_many(len(done.alerts), 'transition')}; {_many(done.rows, 'row')} in "
        f"{done.wall_s:.1f} s, {number(float(f'{rate:.2g}'))} a second"
    )
    return [*lines, "", *paragraph(total, hang=2)]


def summary_json(done: Replayed) -> dict[str, Any]:
    """The table as JSON-able data.

    `probes` by id {`from`, `to`, `days`, `rows`, `no_data_share`, `detectors` by symptom {`state`, `learnt`, `needs`,
    `judged`, `found`}, `never` (signals without a value)}; `failed` by id; `without` (ids); `alerts` (see
    `alert_rows`); `transitions`; `problems` (list of {`file`, `what`, `rows`, `first_row`}); `rows`; `seconds`.
    """
    return {
        "probes": {probe: _probe_json(one) for probe, one in done.probes.items()},
        "failed": dict(done.failed),
        "without": list(done.without),
        "alerts": alert_rows(done.alerts),
        "transitions": len(done.alerts),
        "problems": done.problems.as_json(),
        "rows": done.rows,
        "seconds": round(done.wall_s, 3),
    }


def _probe_json(one: ProbeResult) -> dict[str, Any]:
    detectors = {}
    for symptom, report in one.reports.items():
        judged, there = one.judged.get(symptom, (0, 0))
        detectors[symptom] = {
            "state": report.watch.value,
            "learnt": report.learnt,
            "needs": report.needs,
            "judged": judged,
            "found": there,
        }
    return {
        "from": to_text(one.first_s),
        "to": to_text(one.last_s),
        "days": round(_days(one), 3),
        "rows": one.rows,
        "no_data_share": round(_blind(one), 6),
        "detectors": detectors,
        "never": list(one.never),
    }


def _days(one: ProbeResult) -> float:
    return (one.last_s - one.first_s) / _DAY_S


def _blind(one: ProbeResult) -> float:
    """The share of time without a value."""
    whole_s = one.last_s - one.first_s
    return one.blind_s / whole_s if whole_s > 0 else 0.0


def _day(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%d}"


def _minute(text: str) -> str:
    """A time of a payload to the minute."""
    return f"{text[:10]} {text[11:16]}"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
