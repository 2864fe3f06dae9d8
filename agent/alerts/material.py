"""Whether fresher evidence is worth a new retained message: level, value beyond its uncertainty, suspects, trust."""

from collections.abc import Mapping
from typing import Any, Final

from agent.alerts.symptoms import DAY_S
from agent.rfc3339 import from_text

__all__ = ["moved_materially"]

WORDS: Final = ("state", "state_reason", "priority", "status_signal", "audience", "consequences")
DATE_SHIFT_S: Final = 3 * DAY_S  # a forecast date that moves less is the same forecast
ERROR_SHIFT_PCT: Final = 0.1  # % O2
RELATIVE: Final = 0.05  # of the value, where no uncertainty is known


def moved_materially(told: Mapping[str, Any], fresh: Mapping[str, Any]) -> bool:
    """Whether the two payloads of one alert differ in a way that a reader should hear of."""
    if any(told[key] != fresh[key] for key in WORDS):
        return True
    if _ranking(told) != _ranking(fresh):
        return True
    before, after = told["evidence"], fresh["evidence"]
    if before["level"] != after["level"]:
        return True
    if _apart(told["error_estimate"], fresh["error_estimate"], ERROR_SHIFT_PCT):
        return True
    old, new = before["value"], after["value"]
    known = [u for u in (before["uncertainty"], after["uncertainty"]) if u is not None]
    size = max(known) if known else RELATIVE * abs(old or 0.0)
    if _apart(old, new, size):
        return True
    return any(_dates_apart(before[key], after[key]) for key in ("reaches_limit_earliest", "reaches_limit_latest"))


def _ranking(payload: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(one["part"], one["confidence"]) for one in payload["suspects"]]


def _apart(old: float | None, new: float | None, by: float) -> bool:
    if old is None or new is None:
        return (old is None) != (new is None)
    return abs(new - old) > by


def _dates_apart(old: str | None, new: str | None) -> bool:
    if old is None or new is None:
        return (old is None) != (new is None)
    return abs(from_text(new) - from_text(old)) > DATE_SHIFT_S
