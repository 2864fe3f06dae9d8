"""One alert and its check as the demo shows it: short enough for one look at a small terminal.

Which probe, can the reading be trusted, what was seen, which part and why, what to check first, what to expect there.
"""

from collections.abc import Mapping
from textwrap import wrap
from typing import Any, Final

from agent.alerts.plain import evidence_words, expected, render_headline, trust_words

__all__ = ["alert_block"]

_INDENT: Final = 13
_MOST_ROWS: Final = 4
_MOST_REASONS: Final = 2


def alert_block(
    alert: Mapping[str, Any], check: Mapping[str, Any] | None, title: str, *, width: int, colour: bool
) -> str:
    """Lines without control characters unless `colour`. `check` is left out where there is none (the alert is over)."""
    lines = [f"{'=' * 3} {title} {'=' * max(3, width - len(title) - 5)}"]
    lines += render_headline(alert, width=width, colour=colour)
    if alert["state"] == "normal":
        return "\n".join([*lines, "=" * width])
    lines += _row("Trust it?", trust_words(alert), width)
    lines += _row("Seen", evidence_words(alert), width)
    told = [one for one in alert["suspects"] if one["confidence"] == "likely"] or alert["suspects"][:1]
    for place, suspect in enumerate(told):
        part = suspect["part"].replace("_", " ")
        lines += _row("Suspect" if place == 0 else "or", f"{part} ({suspect['confidence']})", width)
        for reason in suspect["because"][:_MOST_REASONS]:
            lines += _row("", f"- {reason}", width, hang=2)
    rest = [one["part"].replace("_", " ") for one in alert["suspects"] if one not in told]
    if rest:
        lines += _row("", f"possible as well: {', '.join(rest)}", width)
    lines += _row("Operator", alert["operator_action"], width)
    if check is not None:
        lines += _check(check, width)
    return "\n".join([*lines, "=" * width])


def _check(check: Mapping[str, Any], width: int) -> list[str]:
    """The check in a few lines. Its steps are not shown without their cautions in full: that is the sheet's job."""
    state = check["state_of_plant"]
    lines = _row("Check first", f"{check['title']} ({state['state'].lower()})", width)
    cautions = "; ".join(one["title"].lower() for one in check["cautions"])
    lines += _row("Mind", f"{cautions}. Site permits, the maker's manual and licensed people come first.", width)
    for place, row in enumerate(check["expect"][:_MOST_ROWS]):
        lines += _row("Expect" if place == 0 else "", f"- {row['quantity']}: {expected(row)}", width, hang=2)
    more = len(check["expect"]) - _MOST_ROWS
    if more > 0:
        lines += _row("", f"and {more} more on the sheet", width)
    return lines


def _row(label: str, words: str, width: int, *, hang: int = 0) -> list[str]:
    shown = "".join(c if c.isprintable() else " " for c in words).encode("ascii", "replace").decode("ascii")
    first, rest = f"{label:<{_INDENT}}", " " * (_INDENT + hang)
    return wrap(shown, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
