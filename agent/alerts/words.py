"""Headlines and what an operator may do: calm, short, with numbers. At most 120 characters a headline."""

from collections.abc import Callable, Mapping
from typing import Final

from agent.alerts.evidence import Fact
from agent.alerts.reading import misleads_trim, told_error_pct, told_trust, trust_words
from agent.alerts.symptoms import Audience, Speed, symptom
from agent.reconstruct.now import ProbeNow, Trust
from agent.rfc3339 import to_text
from detectors.finding import Finding

__all__ = ["HEADLINE_LIMIT", "headline", "operator_action"]

HEADLINE_LIMIT: Final = 120


def headline(name: str, finding: Finding, now: ProbeNow, facts: Mapping[str, Fact], *, over: bool = False) -> str:
    """One line for a person: which probe, what, how far from usual, whether the reading can be believed."""
    if over:
        return f"{name}: over: {symptom(finding.symptom).title}."
    say = _HEADLINES.get(finding.symptom, _any)
    what = say(finding, facts)
    told = f"{name}: {what}."
    if finding.symptom == "no_communication":  # nothing can be said of the reading
        return told
    trusted = (f"{told} {trust_words(finding.symptom, now, short=short)}" for short in (False, True))
    for text in (*trusted, told):
        if len(text) <= HEADLINE_LIMIT:
            return text
    return told[: HEADLINE_LIMIT - 4].rsplit(" ", 1)[0].rstrip(",;:") + " ..."


def operator_action(finding: Finding, now: ProbeNow, *, used_by_trim: bool, audience: Audience | None = None) -> str:
    """What an operator can do by site procedure; 'none tonight' where it can wait for the technician.

    `audience` is whom the alert goes to; the symptom's own when absent.
    """
    name = finding.symptom
    trust, row = told_trust(name, now), symptom(name)
    error = told_error_pct(now)
    if used_by_trim and misleads_trim(name, now):
        size = "" if error is None else f" by about {abs(error):.1f} % O2"
        when = "Once it is live again the reading" if now.trust is Trust.HELD else "Reading"
        return (
            f"{when} is too high{size} and trim answers by taking air away: by site procedure put trim in manual or "
            "on another measurement, watch CO."
        )
    if (fixed := _ACTIONS.get(name)) is not None:
        return fixed
    size = "" if error is None else f"about {abs(error):.1f} % O2 "
    reads = (
        "how far it errs is not known" if now.error_direction is None else f"it shows {size}too {now.error_direction}"
    )
    if trust is Trust.BAD:
        return (
            f"Do not steer by this reading ({reads}): by site procedure use another measurement, and take trim off "
            "this probe where it is used, until it is mended. Tell the technician."
        )
    for_operator = (row.audience if audience is None else audience) is Audience.OPERATOR
    if trust is Trust.DOUBTFUL and for_operator:
        how = "with care" if now.error_direction is None else "with that error in mind"
        return (
            f"Read it {how}: {reads}. Tell the technician; by site procedure take trim off this probe where it is used."
        )
    return "none tonight" if row.speed is Speed.SLOW and not for_operator else "none now; tell the technician"


_ACTIONS: Final[Mapping[str, str]] = {
    "heater_open": (
        "The cell is cooling and the reading is going bad: by site procedure take trim, or whatever else uses it, off "
        "this probe. Nothing to touch at the probe."
    ),
    "heater_exhausted": "The cell is cooling: by site procedure be ready to take trim off this probe.",
    "heater_uncontrolled": "Isolate the heater by site procedure at once; keep people away from the head.",
    "thermocouple_shorted": "The cell may overheat: isolate the heater by site procedure, do not use the reading.",
    "fuel_rich_reading": "Believe the process alarms and check combustion and CO; keep people off the head.",
    "reads_air_while_firing": (
        "By site procedure take trim off this probe, check CO; the reading may be too high, or the flame out."
    ),
    "no_communication": "none: Flueward cannot see the probe; the control system's own signal may be perfectly good",
}


def _any(finding: Finding, facts: Mapping[str, Fact]) -> str:
    del facts
    title = symptom(finding.symptom).title
    if finding.value is None:
        return title
    value = f"{_number(finding.value)} {finding.unit}".strip()
    if finding.baseline is not None:
        return f"{title}, {value} where {_number(finding.baseline)} is usual"
    if finding.limit is not None:
        return f"{title}, {value}, limit {_number(finding.limit)}"
    return f"{title}, {value}"


def _heater_duty_creep(finding: Finding, facts: Mapping[str, Fact]) -> str:
    rise = facts.get("rise_pct")
    if finding.value is None or isinstance(rise, str) or (rise is None and not facts.get("guard")):
        return "heater works harder than it used to"
    if rise is None:
        return f"heater takes {100.0 * finding.value:.0f} % of full output, too little left for low supply"
    by = finding.reaches_limit_earliest_s
    soon = "" if by is None else f", no reserve from {to_text(by)[:10]} at the earliest"
    return f"heater takes {rise:.0f} % more than it used to{soon}"


def _heater_open(finding: Finding, facts: Mapping[str, Fact]) -> str:
    del finding
    duty, cell = facts.get("duty_pct"), facts.get("cell_temp_c", facts.get("now_cell_temp"))
    if isinstance(duty, str) or isinstance(cell, str) or duty is None or cell is None:
        return "full heater output and the cell is cooling"
    return f"heater output {duty:.0f} % and the cell is cooling, {cell:.0f} degC"


def _slow_recovery(finding: Finding, facts: Mapping[str, Fact]) -> str:
    del facts
    if finding.value is None or finding.baseline is None:
        return "slow to return to flue gas"
    return f"filter closing, takes {finding.value:.0f} s where {finding.baseline:.0f} is usual"


def _cell_offset_drift(finding: Finding, facts: Mapping[str, Fact]) -> str:
    raw, left = facts.get("raw_offset_mv", finding.value), facts.get("remaining_offset_mv")
    if raw is None or isinstance(raw, str):
        return "cell zero has drifted"
    if left is None or isinstance(left, str):
        return f"cell zero has drifted to {raw:+.1f} mV"
    return f"cell zero has drifted to {raw:+.1f} mV, {left:+.1f} of it not corrected"


def _no_communication(finding: Finding, facts: Mapping[str, Fact]) -> str:
    span = finding.limit if finding.limit is not None else finding.value
    silent = "" if span is None else f" for {span / 60.0:.0f} min"
    count = facts.get("line_probes", 1.0)
    if facts.get("line_silent") is True and isinstance(count, float):
        return f"line {facts.get('line')} silent, nothing from its {count:.0f} probes{silent}"
    return f"nothing heard{silent}"


_HEADLINES: Final[Mapping[str, Callable[[Finding, Mapping[str, Fact]], str]]] = {
    "heater_duty_creep": _heater_duty_creep,
    "heater_open": _heater_open,
    "slow_recovery": _slow_recovery,
    "cell_offset_drift": _cell_offset_drift,
    "no_communication": _no_communication,
}


def _number(value: float) -> str:
    size = abs(value)
    if size >= 1e6:
        return f"{value:.3g}"
    return f"{value:.0f}" if size >= 100 else f"{value:.1f}" if size >= 10 else f"{value:.2f}"
