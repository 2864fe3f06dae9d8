"""Which part it is: suspects ranked from all that is known of a probe together, with reasons in words.

Also the two tables behind 'one cause, one alert': what a cause explains, and what worsens into what.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp
from typing import Any, Final

from agent.alerts.evidence import Fact, Rule, shipped_rules
from agent.alerts.reading import told_error_pct
from agent.alerts.symptoms import symptom as symptom_row
from agent.alerts.track import believable
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from detectors.finding import Finding
from detectors.probe.nernst import nernst_factor_mv

__all__ = ["EXPLAINS", "WORSENS_INTO", "Around", "explains", "facts_of", "suspects"]

# A cause and the symptoms that it brings about on the same probe: they are listed in its alert, not raised beside it.
EXPLAINS: Final[Mapping[str, frozenset[str]]] = {
    "heater_open": frozenset(
        {"heater_duty_creep", "heater_exhausted", "warm_up_failed", "probe_disagreement", "transmitter_fault"}
    ),
    "heater_exhausted": frozenset({"heater_duty_creep", "warm_up_failed", "transmitter_fault"}),
    "warm_up_failed": frozenset({"heater_duty_creep", "transmitter_fault"}),
    "thermocouple_open": frozenset(
        {
            "heater_duty_creep",
            "heater_exhausted",
            "heater_open",
            "warm_up_failed",
            "temperature_hunting",
            "thermocouple_mismatch",
            "transmitter_fault",
        }
    ),
    "thermocouple_shorted": frozenset(
        {"heater_duty_creep", "heater_exhausted", "heater_open", "warm_up_failed", "transmitter_fault"}
    ),
    "cold_junction_implausible": frozenset({"thermocouple_mismatch", "transmitter_fault"}),
    "heater_uncontrolled": frozenset({"transmitter_fault", "temperature_hunting"}),
    "reading_frozen": frozenset({"probe_disagreement", "check_without_effect"}),
    "reads_air_while_firing": frozenset({"probe_disagreement"}),
    "cell_slow_response": frozenset({"slow_recovery"}),
    "slow_recovery": frozenset({"filter_back_pressure"}),
    "calibration_suspect": frozenset({"constants_inconsistent"}),
}

# A cause that gets worse becomes another symptom: the new alert continues the old one.
WORSENS_INTO: Final[Mapping[str, frozenset[str]]] = {
    "heater_duty_creep": frozenset({"heater_exhausted", "heater_open", "warm_up_failed"}),
    "heater_exhausted": frozenset({"heater_open"}),
    "warm_up_failed": frozenset({"heater_open"}),
    "filter_back_pressure": frozenset({"slow_recovery"}),
    "constants_inconsistent": frozenset({"calibration_suspect"}),
}

LIKELY_SCORE: Final = 3.0
LIKELY_LEAD: Final = 1.0
MOST_SUSPECTS: Final = 4
MOST_PRESSURE_FACTORS: Final = 1.0  # Nernst factors of offset that may be pressure: 1.7 atmospheres


def explains(cause: str, symptom: str) -> bool:
    """Whether `symptom` is a consequence of `cause`."""
    return symptom in EXPLAINS.get(cause, frozenset())


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What else is known: other symptoms of the probe, and the same symptom on its neighbours."""

    active: frozenset[str] = frozenset()
    quiet: frozenset[str] = frozenset()  # their detectors had a chance to speak and found nothing
    same_supply: int | None = None  # other probes of the supply group with this symptom
    same_line: int | None = None
    line: str = ""
    line_probes: int = 1
    line_silent: bool | None = None  # None for a probe that is alone on its line


def facts_of(settings: Settings, probe: str, finding: Finding, now: ProbeNow, around: Around) -> dict[str, Fact]:
    """Everything that a rule may ask for, by the names that `evidence.toml` lists."""
    at = settings.probes[probe]
    facts: dict[str, Fact] = {f"now_{name}": value.value for name, value in now.signals.items()}
    facts.update(finding.facts)
    for name in ("value", "baseline", "limit", "uncertainty", "trend_per_day"):
        number = getattr(finding, name)
        if number is not None:
            facts[name] = float(number)
    facts["level"] = float(finding.level)
    facts.update({f"active_{name}": True for name in around.active})
    facts.update({f"quiet_{name}": True for name in around.quiet})
    facts.update({f"active_{name}": False for name in around.quiet})
    facts.update({f"quiet_{name}": False for name in around.active})
    facts["line"] = around.line
    facts["line_probes"] = float(around.line_probes)
    for name, known in (
        ("same_supply", around.same_supply),
        ("same_line", around.same_line),
        ("line_silent", around.line_silent),
        ("reads_wrong_pct", told_error_pct(now)),
    ):
        if known is not None:
            facts[name] = known if isinstance(known, bool) else float(known)
    if finding.value is not None and finding.baseline:
        facts["ratio"] = finding.value / finding.baseline
        facts["rise_pct"] = 100.0 * (finding.value / finding.baseline - 1.0)
    _derive(facts, at.nominal_voltage, at.barometric_kpa)
    return {name: fact for name, fact in facts.items() if isinstance(fact, str) or believable(fact)}


def suspects(symptom: str, facts: Mapping[str, Fact], rules: Sequence[Rule] | None = None) -> list[dict[str, Any]]:
    """Parts, the most suspect first: `part`, `confidence` (likely, possible) and `because`, for the payload.

    The symptom's usual suspects start with a little credit, so that there is always somebody to name.
    """
    usual = symptom_row(symptom).suspects
    score = {part: 1.0 - 0.25 * place for place, part in enumerate(usual)}
    because: dict[str, list[str]] = {part: [] for part in usual}
    missing: list[str] = []
    for rule in shipped_rules() if rules is None else rules:
        if rule.symptom != symptom or not rule.applies(facts):
            continue
        if rule.part is None:
            missing.append(rule.missing)
            continue
        score[rule.part] = score.get(rule.part, 0.0) + rule.weight
        reasons = because.setdefault(rule.part, [])
        if rule.weight > 0:
            reasons.append(rule.because.format(**facts))
    ranked = sorted((part for part in score if score[part] > 0), key=lambda part: -score[part])[:MOST_SUSPECTS]
    if not ranked:
        ranked = [max(score, key=lambda part: score[part])]
    rows = []
    for place, part in enumerate(ranked):
        next_best = score[ranked[1]] if len(ranked) > 1 else 0.0
        likely = place == 0 and score[part] >= LIKELY_SCORE and score[part] - next_best >= LIKELY_LEAD
        words = because[part] or ["a usual suspect for this symptom; nothing speaks for or against it yet"]
        if place == 0:
            words = words + missing
        rows.append({"part": part, "confidence": "likely" if likely else "possible", "because": words})
    return rows


def _derive(facts: dict[str, Fact], nominal_v: float, pressure_kpa: float) -> None:
    """Numbers in the units that people speak of."""

    def number(name: str) -> float | None:
        fact = facts.get(name)
        return None if fact is None or isinstance(fact, str | bool) else fact

    for ratio, pct in (("resistance_ratio", "resistance_pct"), ("watts_ratio", "watts_pct")):
        if (known := number(ratio)) is not None:
            facts[pct] = 100.0 * (known - 1.0)
    if facts.get("guard") is True and (value := number("value")) is not None:
        facts["demand_pct"] = 100.0 * value
    if (limit := number("demand_limit")) is not None:
        facts["demand_limit_pct"] = 100.0 * limit
    if (duty := number("duty_frac")) is not None:
        facts["duty_pct"] = 100.0 * duty
    if (fall := number("fall_k_per_s")) is not None:
        facts["fall_k_per_min"] = 60.0 * abs(fall)
    if (volts := number("now_supply_voltage")) is not None:
        facts["supply_ratio"] = volts / nominal_v
    if (raw := number("raw_offset_mv")) is not None and raw < 0:
        k = float(nernst_factor_mv(number("now_cell_temp") or 700.0, invalid="nan"))
        if -raw < MOST_PRESSURE_FACTORS * k:  # beyond, or for a cell that is no cell, it is no pressure
            facts["pressure_kpa"] = pressure_kpa * (exp(-raw / k) - 1.0)
