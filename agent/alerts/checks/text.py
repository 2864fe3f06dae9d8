"""The form of a check's text, the states of the plant, the cautions, and what follows a repair.

The words advise people; they protect nobody. Terminals, limits of flow, pressure and test voltage, and the order of
opening a head are those of the maker's manual and the site's permit, so no text names a terminal or a wire colour.
Sources of figures inside the texts: [S] standard or published reference, [C] computed from one, [P] common practice.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

__all__ = ["AFTERWARDS", "CAUTIONS", "STANDING_ADVICE", "CheckText", "PlantState"]


class PlantState(StrEnum):
    """How the plant must be for a check."""

    NOTHING_OPENED = "NOTHING OPENED"
    COLD_AND_ISOLATED = "COLD AND ISOLATED"
    HOT_AND_LIVE = "HOT AND LIVE"
    HEATER_ISOLATED = "HEATER ISOLATED FIRST"

    @property
    def meaning(self) -> str:
        """In words."""
        return _MEANING[self]


_MEANING: Final = {
    PlantState.NOTHING_OPENED: "no cover off, no permit beyond access",
    PlantState.COLD_AND_ISOLATED: (
        "every supply locked off and proved dead; whole probe at one known temperature, usually after a night "
        "(4 h at least [P]). A probe left in a warm duct is not cold, and its resistances are not those given here"
    ),
    PlantState.HOT_AND_LIVE: (
        "heater on, on set point within 5 K and duty steady for two hours [P]. Mains is exposed once the head is open"
    ),
    PlantState.HEATER_ISOLATED: (
        "heater supply locked off and proved dead before any wire comes off, and locked off until every substitute is "
        "out again. The transmitter stays powered to show what it is given, so its terminals are live"
    ),
}

# Every check carries H. The full text is always shown, and never softened.
CAUTIONS: Final[Mapping[str, tuple[str, str]]] = {
    "A": (
        "Control",
        "Ask the control room first. Whatever uses this reading (fuel/air trim, emissions return, alarms, any "
        "interlock) goes to manual or to another measurement by site procedure, for an agreed time, and comes back by "
        "the same procedure. Put the probe out of service in Flueward.",
    ),
    "B": (
        "Isolation",
        "Permit, lock and tag at the source, prove dead with a proved tester. Expect more than one supply: "
        "transmitter, heater, valves, trace heating.",
    ),
    "C": (
        "Live work",
        "Dangerous voltage. Only people the site and local law allow to work live, never alone, with rated meter, "
        "fused leads and insulated tools. Secure loose wires. If it can be done dead, do it dead.",
    ),
    "D": (
        "Ignition",
        "A cell at working temperature lights unburnt fuel. Never power a probe in a duct that has not been purged; "
        "if fuel-rich gas is suspected, stay away from the head and tell the control room. In a classified area no "
        "cover comes off live without a gas-free certificate.",
    ),
    "E": (
        "Gas",
        "Secure the cylinder, use its own regulator, label checked against its certificate. Oxygen-poor mixtures can "
        "suffocate in a small room. Air for checks is dry and free of oil. Keep to the maker's flow and pressure; "
        "raise flow slowly (cold gas can crack a hot cell); a relief valve or a low-set regulator comes before any "
        "hose to the probe.",
    ),
    "F": (
        "Heat and dust",
        "The tip stays hot for an hour or more [P]. A duct under pressure blows hot, toxic gas from an open port. "
        "Gloves, eye and breathing protection as the permit says; support the weight before the last bolt.",
    ),
    "G": (
        "Heater off in a working duct",
        "Acid and ash settle on a cooling cell. Keep the cold time short, or take the probe out.",
    ),
    "H": (
        "Believe low, then doubt",
        "A low reading can be true: check combustion and CO before suspecting the probe. Stop and make safe if "
        "anything differs from what the sheet says, a gas alarm sounds, or the control room asks.",
    ),
}

STANDING_ADVICE: Final = (
    "Advice only, never a protective function. Site permits, the maker's manual, local codes and licensed people come "
    "first. Never switch a heater on, feed air or test gas, or bypass an interlock while fuel may be present."
)

# What was done -> what then follows.
AFTERWARDS: Final[Mapping[str, str]] = {
    "measured": "Nothing changed, only measured: restore what caution A asked for in reverse order; record the value.",
    "cell_or_thermocouple": (
        "Cell, thermocouple or the assembly of both replaced: hot two hours [P], two-point check (cell_on_test_gas, "
        "cell_on_air), calibrate, record; new baselines for cell, heater and temperature."
    ),
    "cold_junction_or_transmitter": (
        "Cold-junction sensor or transmitter replaced or re-ranged: thermocouple_millivolts, two-point check, "
        "calibrate, record."
    ),
    "heater": (
        "Heater replaced: heat up per the manual (damp insulation dries slowly), two-point check, calibrate if it "
        "fails, record; new heater baseline."
    ),
    "filter": (
        "Filter replaced or cleaned: two-point check at the usual flow, calibrate if it fails, two_flow_air and "
        "return_time as the new normal, record."
    ),
    "line_repaired": (
        "Reference-air or check-gas line repaired: leak test, two-point check, calibrate if it fails, record."
    ),
    "terminals": "Terminals remade: two-point check, record.",
    "calibrate_last": (
        "A calibration made with a leak, a wrong bottle or an unsettled value makes a good probe lie: calibrate last, "
        "never as a diagnosis."
    ),
    "no_calibration": "Nothing to calibrate; record what was found.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckText:
    """One check in words. `cautions` are letters of `CAUTIONS` without H, `afterwards` keys of `AFTERWARDS`."""

    check_id: str
    title: str
    right_first_when: str
    state: PlantState
    state_note: str = ""
    cautions: str
    caution_note: str = ""
    tools: tuple[str, ...]
    steps: tuple[str, ...]
    if_inside: str
    if_outside: tuple[str, ...]
    next: tuple[str, ...] = ()
    afterwards: tuple[str, ...] = ("measured",)

    def __post_init__(self) -> None:
        if unknown := set(self.cautions) - set(CAUTIONS):
            raise ValueError(f"check {self.check_id}: there is no caution {', '.join(sorted(unknown))}")
        if unknown := set(self.afterwards) - set(AFTERWARDS):
            raise ValueError(f"check {self.check_id}: there is no afterwards {', '.join(sorted(unknown))}")
