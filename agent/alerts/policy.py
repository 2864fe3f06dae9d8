"""What the settings say of one symptom of one probe: delays, audience, priority, alert or alarm."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Any, TypeVar

from agent.alerts.lifecycle import Kind
from agent.alerts.symptoms import SYMPTOMS, Audience, Priority, symptom
from agent.config.model import Settings

Word = TypeVar("Word", bound=StrEnum)

__all__ = ["Policy", "policy_for", "policy_problems"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """One symptom of one probe. Delays in seconds."""

    kind: Kind
    audience: Audience
    priority: Priority
    on_delay_s: float
    off_delay_s: float


def policy_for(settings: Settings, probe: str, name: str) -> Policy:
    """The table's row with the site's, the map's and the probe's own words over it.

    Raises
    ------
    ValueError
        A value that cannot be; the message names symptom, key, value and what would be right.
    """
    row = symptom(name)
    options = settings.detector_options(probe, name)
    on_delay_s = row.on_delay_s
    if name == "no_communication" and _alone_on_its_line(settings, probe):
        on_delay_s = 0.0  # nobody to wait for
    alarm, latching = _flag(name, options, "alarm"), _flag(name, options, "latching")
    if alarm and not row.may_be_alarm:
        allowed = ", ".join(s.name for s in SYMPTOMS.values() if s.may_be_alarm)
        raise ValueError(f"detectors.{name}.alarm: only these may be alarms: {allowed}; all else stays an alert")
    if latching and not alarm:
        raise ValueError(f"detectors.{name}.latching: only an alarm can latch; set alarm = true with it")
    return Policy(
        kind=Kind.ALERT if not alarm else Kind.LATCHING_ALARM if latching else Kind.ALARM,
        audience=_word(name, options, "audience", row.audience, Audience),
        priority=_word(name, options, "priority", row.priority, Priority),
        on_delay_s=_delay(name, options, "on_delay_s", on_delay_s),
        off_delay_s=_delay(name, options, "off_delay_s", row.off_delay_s),
    )


def policy_problems(settings: Settings) -> list[str]:
    """What is wrong with the alert options of a configuration, a line each; empty when all is well."""
    problems: dict[str, None] = {}
    for probe in settings.probes:
        for name in SYMPTOMS:
            try:
                policy_for(settings, probe, name)
            except ValueError as error:
                problems[f"probe {probe}: {error}"] = None
    return list(problems)


def _alone_on_its_line(settings: Settings, probe: str) -> bool:
    line = settings.probes[probe].line
    return sum(other.line == line for other in settings.probes.values()) == 1


def _delay(name: str, options: Mapping[str, Any], key: str, default: float) -> float:
    value = options.get(key, default)
    good = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and value >= 0
    if not good:
        raise ValueError(f"detectors.{name}.{key}: must be seconds, 0 or more, got {value!r}")
    return float(value)


def _flag(name: str, options: Mapping[str, Any], key: str) -> bool:
    value = options.get(key, False)
    if not isinstance(value, bool):
        raise ValueError(f"detectors.{name}.{key}: must be true or false, got {value!r}")
    return value


def _word(name: str, options: Mapping[str, Any], key: str, default: Word, words: type[Word]) -> Word:
    value = options.get(key, default)
    try:
        return words(value)
    except ValueError:
        raise ValueError(f"detectors.{name}.{key}: must be one of {', '.join(words)}, got {value!r}") from None
