"""A hands-on check for one symptom of one probe, with the values to expect there now."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from agent.alerts.checks import expect_around, expect_gas, expect_heat
from agent.alerts.checks.conditions import Conditions, conditions_at
from agent.alerts.checks.expect import Expect
from agent.alerts.checks.text import AFTERWARDS, CAUTIONS, STANDING_ADVICE
from agent.alerts.checks.texts import CHECKS, check_text
from agent.alerts.symptoms import symptom as symptom_row
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from agent.rfc3339 import to_text
from detectors.finding import Finding

__all__ = ["EXPECTED", "build_check"]

EXPECTED: Final[Mapping[str, Callable[[Conditions, Finding | None], list[Expect]]]] = {
    "look_first": expect_around.look_first,
    "heater_cold": expect_heat.heater_cold,
    "heater_live": expect_heat.heater_live,
    "thermocouple_cold": expect_heat.thermocouple_cold,
    "thermocouple_millivolts": expect_heat.thermocouple_millivolts,
    "cold_junction": expect_heat.cold_junction,
    "cell_isolation": expect_heat.cell_isolation,
    "cell_on_test_gas": expect_gas.cell_on_test_gas,
    "cell_on_air": expect_gas.cell_on_air,
    "two_flow_air": expect_gas.two_flow_air,
    "return_time": expect_gas.return_time,
    "reference_air": expect_gas.reference_air,
    "air_ingress": expect_gas.air_ingress,
    "second_opinion": expect_around.second_opinion,
    "transmitter_inputs": expect_heat.transmitter_inputs,
    "line_and_cable": expect_around.line_and_cable,
}
assert EXPECTED.keys() == CHECKS.keys()

# What a symptom adds to the steps of its first check.
_FIRST_OF_ALL: Final[Mapping[tuple[str, str], str]] = {
    ("heater_open", "heater_cold"): "Before anything is opened: is the supply on, has a fuse or a trip gone?",
    ("heater_uncontrolled", "heater_cold"): "ISOLATE THE HEATER BY SITE PROCEDURE AT ONCE.",
    ("heater_duty_creep", "look_first"): (
        "Here above all: supply voltage and set point. The winding itself (heater_cold) waits for the next outage."
    ),
    ("slow_recovery", "look_first"): "Here above all: has the damping time been changed, is the output held?",
    ("cold_junction_implausible", "look_first"): "Here above all: is the head really that hot?",
}


def build_check(
    settings: Settings,
    probe: str,
    symptom: str,
    now: ProbeNow,
    *,
    check_id: str | None = None,
    finding: Finding | None = None,
    at_s: float | None = None,
) -> dict[str, Any]:
    """Payload of `flueward.check/1`: the check in full, cautions before steps.

    Parameters
    ----------
    check_id : str, optional
        The symptom's first check when absent.
    finding : Finding, optional
        The symptom's latest; a baseline of its is what the check expects where there is one.
    at_s : float, optional
        UTC seconds for which the values hold; `now.at_s` when absent.

    Raises
    ------
    ValueError
        No such probe, symptom or check; the message lists what there is.
    """
    if probe not in settings.probes:
        raise ValueError(f"there is no probe {probe!r}; known are {', '.join(settings.probes)}")
    row = symptom_row(symptom)
    text = check_text(row.first_check if check_id is None else check_id)
    at = settings.probes[probe]
    conditions = conditions_at(at, settings.maps[at.map], now)
    steps = list(text.steps)
    if first := _FIRST_OF_ALL.get((symptom, text.check_id)):
        steps.insert(0, first)
    queue = [name for name in (row.first_check, *row.then_checks) if name != text.check_id]
    follow = [*queue, *(name for name in text.next if name not in queue)]
    return {
        "schema": "flueward.check/1",
        "site": settings.site,
        "at": to_text(now.at_s if at_s is None else at_s),
        "agent": settings.agent,
        "probe": probe,
        "symptom": symptom,
        "check_id": text.check_id,
        "title": text.title,
        "right_first_when": text.right_first_when,
        "state_of_plant": {"state": text.state.value, "meaning": text.state.meaning, "note": text.state_note or None},
        "advice": STANDING_ADVICE,
        "cautions": [
            {"letter": letter, "title": CAUTIONS[letter][0], "text": CAUTIONS[letter][1]}
            for letter in sorted({*text.cautions, "H"})
        ],
        "caution_note": text.caution_note or None,
        "tools": list(text.tools),
        "steps": steps,
        "expect": [row.row() for row in EXPECTED[text.check_id](conditions, finding)],
        "if_inside": text.if_inside,
        "if_outside": list(text.if_outside),
        "next": [{"check_id": name, "title": check_text(name).title} for name in follow],
        "afterwards": [AFTERWARDS[key] for key in text.afterwards],
    }
