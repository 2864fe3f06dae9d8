"""An alert and its check as text for people: can the reading be trusted, what, why, what to check, what to expect.

Nothing hangs on colour, and every line fits the width. Only ASCII is used, so that any terminal and printer shows it.
"""

from collections.abc import Iterable, Mapping
from math import floor, isfinite, log10
from textwrap import wrap
from typing import Any, Final

__all__ = [
    "evidence_words",
    "expected",
    "render",
    "render_alert",
    "render_check",
    "render_headline",
    "time_words",
    "trust_words",
]

LEAST_WIDTH: Final = 40
_BOLD, _RESET = "\x1b[1m", "\x1b[0m"
_COLOURS: Final[Mapping[str, str]] = {
    "failure": "\x1b[31m",
    "function_check": "\x1b[33m",
    "out_of_specification": "\x1b[33m",
    "maintenance_required": "\x1b[34m",
}
_TRUST: Final[Mapping[str, str]] = {
    "good": "yes",
    "doubtful": "doubtful",
    "bad": "no",
    "held": "held by the transmitter",
    "unknown": "not known",
}
_STATES: Final[Mapping[str, str]] = {"unacknowledged": "nobody has acknowledged it yet"}
_WHO: Final[Mapping[str, str]] = {"operator": "operator", "technician": "technician", "plant_it": "plant IT"}


def render(
    alert: Mapping[str, Any], check: Mapping[str, Any] | None = None, *, width: int = 80, colour: bool = False
) -> str:
    """Alert, then check. `width` in characters, at least 40."""
    parts = [render_alert(alert, width=width, colour=colour)]
    if check is not None:
        parts.append(render_check(check, width=width, colour=colour))
    return "\n\n".join(parts)


def render_alert(alert: Mapping[str, Any], *, width: int = 80, colour: bool = False) -> str:
    """What a person needs of an alert."""
    width = max(width, LEAST_WIDTH)
    lines = render_headline(alert, width=width, colour=colour)
    lines += _entry("Reading", f"can be trusted: {trust_words(alert)}", width)
    lines += _entry("Seen", evidence_words(alert), width)
    for place, suspect in enumerate(alert["suspects"]):
        part = suspect["part"].replace("_", " ")
        lines += _entry("Suspect" if place == 0 else "or", f"{part} ({suspect['confidence']})", width)
        for reason in suspect["because"]:
            lines += _entry("", f"- {reason}", width, hang=2)
    if alert["consequences"]:
        also = ", ".join(f"{one['symptom'].replace('_', ' ')} of {one['probe']}" for one in alert["consequences"])
        lines += _entry("Brings", also, width)
    lines += _entry("Operator", alert["operator_action"], width)
    lines += _entry("Check", f"{alert['check_title']} ({alert['check_id']})", width)
    about = (
        f"{alert['class']} for {_WHO[alert['audience']]}, priority {alert['priority']}, "
        f"{alert['status_signal'].replace('_', ' ')}; {_STATES.get(alert['state'], alert['state'].replace('_', ' '))}"
    )
    if alert["state_reason"]:
        about += f" ({alert['state_reason']})"
    lines += _entry("Kind", about, width)
    lines += _entry("Since", time_words(alert["raised_at"]), width)
    if alert["cleared_at"] is not None:
        lines += _entry("Over", time_words(alert["cleared_at"]), width)
    if alert["delayed"]:
        lines += _entry("Late", "handed over late: not new", width)
    return "\n".join(lines)


def render_headline(alert: Mapping[str, Any], *, width: int = 80, colour: bool = False) -> list[str]:
    """The alert in a line or two."""
    return [
        _mark(line, colour, _COLOURS.get(alert["status_signal"], ""))
        for line in wrap(_ascii(alert["headline"]), max(width, LEAST_WIDTH))
    ]


def render_check(check: Mapping[str, Any], *, width: int = 80, colour: bool = False) -> str:
    """The check sheet: cautions first, then steps and the values to expect."""
    width = max(width, LEAST_WIDTH)
    title = f"CHECK {check['check_id']}: {check['title']}"
    lines = [_mark(line, colour, "") for line in wrap(_ascii(title), width)]
    lines += _entry(
        "For", f"{check['symptom']} of probe {check['probe']}, values as of {time_words(check['at'])}", width
    )
    state = check["state_of_plant"]
    note = f" {state['note']}" if state["note"] else ""
    lines += _entry("State", f"{state['state']}: {state['meaning']}.{note}", width)
    lines += ["", *wrap(_ascii(check["advice"]), width), "", "Cautions"]
    for caution in check["cautions"]:
        lines += _item(f"{caution['letter']} ", f"{caution['title']}. {caution['text']}", width)
    if check["caution_note"]:
        lines += _item("! ", check["caution_note"], width)
    lines += ["", *_entry("Tools", "; ".join(check["tools"]), width), "", "Steps"]
    for number, step in enumerate(check["steps"], start=1):
        lines += _item(f"{number} ", step, width)
    lines += ["", "Expect"]
    for row in check["expect"]:
        lines += _item("- ", f"{row['quantity']}: {expected(row)}", width)
        lines += _item("    ", f"{row['at']}. {row['source']}", width)
    lines += ["", *_entry("Inside", check["if_inside"], width)]
    for place, words in enumerate(check["if_outside"]):
        lines += _entry("Outside" if place == 0 else "", words, width)
    if check["next"]:
        lines += _entry("Next", ", ".join(one["check_id"] for one in check["next"]), width)
    for place, words in enumerate(check["afterwards"]):
        lines += _entry("After" if place == 0 else "", words, width)
    return "\n".join(lines)


def expected(row: Mapping[str, Any]) -> str:
    """A row of `expect` in words: value, unit and range."""
    value, low, high, unit = row["value"], row["low"], row["high"], f" {row['unit']}" if row["unit"] else ""
    if low is not None and high is not None and low == high == value:
        return f"{value:g}{unit}"
    if low is not None and high is not None:
        span = f"{_plain(low)} to {_plain(high)}{unit}"
    elif low is not None:
        span = f"{_plain(low)}{unit} or more"
    elif high is not None:
        span = f"{_plain(high)}{unit} or less"
    else:
        span = ""
    if value is None:
        return span or f"not known here{f' ({unit.strip()})' if unit else ''}"
    return f"{_plain(value)}{unit}" + (f" ({span})" if span else "")


def evidence_words(alert: Mapping[str, Any]) -> str:
    """What was measured, beside what is usual and the limit, to the digits that its uncertainty leaves."""
    evidence = alert["evidence"]
    unit = f" {evidence['unit']}" if evidence["unit"] else ""
    u = evidence["uncertainty"]
    words = []
    if evidence["value"] is not None:
        spread = "" if u is None else f" +/- {_rounded(u, u)}"
        words.append(f"{_rounded(evidence['value'], u)}{spread}{unit}")
    if evidence["baseline"] is not None:
        words.append(f"usual {_rounded(evidence['baseline'], u)}")
    if evidence["limit"] is not None:
        words.append(f"limit {_rounded(evidence['limit'], u)}")
    if evidence["trend_per_day"] is not None:
        words.append(f"{evidence['trend_per_day']:+.2g}{unit} a day")
    if evidence["reaches_limit_earliest"] is not None or evidence["reaches_limit_latest"] is not None:
        ends = [evidence["reaches_limit_earliest"], evidence["reaches_limit_latest"]]
        first, last = (end[:10] if end is not None else None for end in ends)
        span = f"between {first} and {last}" if first and last else f"from {first}" if first else f"by {last}"
        words.append(f"{evidence['reaches'] or 'at the limit'} {span}")
    if evidence["episodes"] is not None:
        words.append(f"from {evidence['episodes']} {evidence['counted'] or 'episodes'}")
    if evidence["since"] is not None:
        words.append(f"first seen {time_words(evidence['since'])}")
    return ", ".join(words) or "no numbers"


def trust_words(alert: Mapping[str, Any]) -> str:
    """Whether the reading can be trusted, and which way it errs."""
    words = _TRUST[alert["reading_trust"]]
    if alert["error_estimate"] is not None and alert["error_direction"] is not None:
        link = "; live it is" if alert["reading_trust"] == "held" else ","
        words += f"{link} about {abs(alert['error_estimate']):.1f} % O2 too {alert['error_direction']}"
    return words


def _rounded(value: float, u: float | None) -> str:
    """To two digits of the uncertainty; three significant ones where there is none. Never with an exponent."""
    size = abs(value) if u is None else abs(u)
    if size == 0 or not isfinite(size):
        return f"{value:.3g}"
    last = (2 if u is None else 1) - floor(log10(size))
    return f"{value:.{min(max(last, 0), 4)}f}"


def _plain(value: float) -> str:
    return f"{value:.10g}"


def time_words(text: str) -> str:
    """An instant of a payload, to the minute."""
    return f"{text[:10]} {text[11:16]} UTC"


def _entry(label: str, words: str, width: int, *, hang: int = 0) -> list[str]:
    return _fill(f"{label:<9}", 9 + hang, words, width)


def _item(bullet: str, words: str, width: int) -> list[str]:
    return _fill(f"  {bullet}", 2 + len(bullet), words, width)


def _fill(first: str, indent: int, words: str, width: int) -> list[str]:
    return wrap(_ascii(words), width, initial_indent=first, subsequent_indent=" " * indent) or [first.rstrip()]


def _ascii(text: str) -> str:
    """Names that people chose may hold anything: what a plain terminal cannot show becomes '?', controls vanish."""
    shown: Iterable[str] = (c if c.isprintable() else " " for c in text)
    return "".join(shown).encode("ascii", "replace").decode("ascii")


def _mark(line: str, colour: bool, code: str) -> str:
    return f"{_BOLD}{code}{line}{_RESET}" if colour else line
