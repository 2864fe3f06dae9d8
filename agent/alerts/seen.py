"""The numbers of an alert as people and programs are shown them: the `evidence` of the payload."""

from collections.abc import Mapping
from math import floor, isfinite, log10
from typing import Any, Final

from agent.config.detector_settings import detector_settings
from agent.config.model import Settings
from agent.rfc3339 import to_text
from detectors.finding import Finding

__all__ = ["evidence_of", "rounded_to"]

COUNTED: Final[Mapping[str, str]] = {  # what `episodes` counts
    "heater_duty_creep": "days",
    "cell_offset_drift": "checks",
    "slow_recovery": "recoveries",
}
SHARES: Final = {"heater_duty_creep": "% of full output"}  # symptoms whose detector gives a share 0..1, told in %
TIMES: Final = {2.0: "twice", 3.0: "three times", 4.0: "four times", 5.0: "five times"}


def evidence_of(settings: Settings, probe: str, finding: Finding) -> dict[str, Any]:
    """`evidence` of `flueward.alert/1`: two digits of the uncertainty, and everything else to where those end."""
    share = SHARES.get(finding.symptom)
    times = 1.0 if share is None else 100.0
    u = finding.uncertainty
    u = None if u is None or u < 0 else times * u

    def told(value: float | None) -> float | None:
        return None if value is None else rounded_to(times * value, u)

    return {
        "value": told(finding.value),
        "unit": share or finding.unit or None,
        "uncertainty": None if u is None else _significant(u, 2),
        "baseline": told(finding.baseline),
        "limit": told(finding.limit),
        "trend_per_day": None if finding.trend_per_day is None else _significant(times * finding.trend_per_day, 2),
        "reaches": _reaches(settings, probe, finding),
        "reaches_limit_earliest": _time(finding.reaches_limit_earliest_s),
        "reaches_limit_latest": _time(finding.reaches_limit_latest_s),
        "episodes": finding.episodes,
        "counted": None if finding.episodes is None else COUNTED.get(finding.symptom),
        "since": _time(finding.since_s),
        "level": finding.level,
    }


def rounded_to(value: float, u: float | None) -> float:
    """To the second digit of the standard uncertainty `u`; to three significant digits where none is known."""
    if not u or not isfinite(u):
        return _significant(value, 3)
    return round(value, 1 - floor(log10(u))) + 0.0


def _reaches(settings: Settings, probe: str, finding: Finding) -> str | None:
    """What is reached at the dates of `reaches_limit`, which need not be `limit`: that is where the alert begins."""
    if finding.reaches_limit_earliest_s is None and finding.reaches_limit_latest_s is None:
        return None
    match finding.symptom:
        case "heater_duty_creep":
            return "no reserve on low supply"
        case "cell_offset_drift":
            return f"{detector_settings(settings, probe, finding.symptom).raw_limit_mv:g} mV"
        case "slow_recovery":
            ratio = detector_settings(settings, probe, finding.symptom).urgent_ratio
            return f"{TIMES.get(ratio, f'{ratio:g} times')} usual"
    return None


def _significant(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}") + 0.0


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else to_text(time_s)
