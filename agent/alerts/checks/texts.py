"""All hands-on checks by id."""

from collections.abc import Mapping
from typing import Final

from agent.alerts.checks.cold import COLD
from agent.alerts.checks.hot import HOT
from agent.alerts.checks.text import CheckText
from agent.alerts.checks.unopened import UNOPENED

__all__ = ["CHECKS", "check_text"]

CHECKS: Final[Mapping[str, CheckText]] = {text.check_id: text for text in (*UNOPENED, *COLD, *HOT)}


def check_text(check_id: str) -> CheckText:
    """The words of a check; ValueError naming it when there is none."""
    try:
        return CHECKS[check_id]
    except KeyError:
        raise ValueError(f"there is no check {check_id!r}; known are {', '.join(sorted(CHECKS))}") from None
