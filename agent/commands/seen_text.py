"""What is known of a probe after a look, as text for people and as JSON."""

from math import isfinite
from typing import Any

from agent.alerts.reading import told_error_pct
from agent.commands.now import Seen
from agent.commands.wide import number, paragraph, row, when
from agent.reconstruct.now import Value
from agent.rfc3339 import to_text

__all__ = ["seen_json", "seen_lines"]


def seen_lines(seen: Seen) -> list[str]:
    """The worked-out values, then what the agent has saved."""
    now = seen.now
    lines: list[str] = []
    if seen.answered:
        lines.append("  worked out")
        lines += row("mode", now.mode.value.replace("_", " "), indent=4)
        lines += row("reading", _trust(seen), indent=4)
        for name, value in seen.values.items():
            lines += row(name, f"{_value(value)}, {value.source}", indent=4)
        for note in seen.notes:
            lines += paragraph(note, indent=4, hang=2)
    if seen.reports is None:
        return [*lines, *paragraph("nothing saved of it yet: `flueward run` learns what is normal", indent=2)]
    at = "" if seen.saved_at_s is None else f", last sample {when(seen.saved_at_s)}"
    lines += paragraph(f"the agent's saved state{at}", indent=2)
    for name, value in ({} if seen.answered else now.signals).items():
        if name not in seen.learnt:
            lines += row(name, _value(value), indent=4)
    for name, value in seen.learnt.items():
        lines += row(name, f"{_value(value)}, {when(value.at_s)}", indent=4)
    for symptom, report in seen.reports.items():
        more = [report.learnt] if report.learnt else []
        more += [f"needs {report.needs}"] if report.needs else []
        lines += row(symptom, "; ".join([report.watch.value.replace("_", " "), *more]), indent=4)
    for alert in seen.alerts:
        lines += paragraph(
            f"ALERT ({alert['state']}, since {alert['raised_at']}): {alert['headline']}", indent=4, hang=2
        )
    if not seen.alerts:
        lines.append("    no alert is open")
    return lines


def _trust(seen: Seen) -> str:
    now = seen.now
    error = told_error_pct(now)
    if now.error_direction is None or error is None:
        return now.trust.value
    return f"{now.trust.value}, reads {now.error_direction} by {number(round(abs(error), 2))} % O2"


def _value(value: Value) -> str:
    """Rounded to what its uncertainty allows."""
    u = value.uncertainty
    unit = "" if value.unit == "0..1" else f" {value.unit}"
    if u is None or not isfinite(u) or u <= 0:
        return f"{number(round(float(f'{value.value:.4g}'), 4) + 0.0)}{unit}"
    digits = max(0, 1 - int(f"{u:e}".split("e")[1]))
    return f"{value.value:.{digits}f} +- {u:.{digits}f}{unit}"


def seen_json(seen: Seen) -> dict[str, Any]:
    """What is known as JSON-able data.

    `answered`: whether what is told is of now, else it is what was saved; `mode`, `reading_trust`, `error_estimate`
    (% O2, displayed minus true), `error_direction`; `values` and `learnt` by signal {`value`, `unit`, `uncertainty`
    (standard, null where unknown), `source`, `at`}; `notes` (list of texts); `saved`: null, or {`sample_at`,
    `detectors` by symptom {`state`, `learnt`, `needs`}}; `alerts`: the open ones, as they were published.
    """
    now = seen.now
    return {
        "answered": seen.answered,
        "mode": now.mode.value,
        "reading_trust": now.trust.value,
        "error_estimate": told_error_pct(now),
        "error_direction": now.error_direction,
        "values": {name: _json(value) for name, value in (seen.values if seen.answered else now.signals).items()},
        "learnt": {name: _json(value) for name, value in seen.learnt.items()},
        "notes": list(seen.notes),
        "saved": None
        if seen.reports is None
        else {
            "sample_at": None if seen.saved_at_s is None else to_text(seen.saved_at_s),
            "detectors": {
                symptom: {"state": report.watch.value, "learnt": report.learnt or None, "needs": report.needs or None}
                for symptom, report in seen.reports.items()
            },
        },
        "alerts": [dict(alert) for alert in seen.alerts],
    }


def _json(value: Value) -> dict[str, Any]:
    u = value.uncertainty
    return {
        "value": value.value,
        "unit": value.unit,
        "uncertainty": None if u is None or not isfinite(u) else u,
        "source": value.source,
        "at": to_text(value.at_s),
    }
