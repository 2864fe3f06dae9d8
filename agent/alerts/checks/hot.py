"""Checks on a probe that is hot and live."""

from typing import Final

from agent.alerts.checks.text import CheckText, PlantState

__all__ = ["HOT"]

HOT: Final = (
    CheckText(
        check_id="heater_live",
        title="Volts and current at the heater",
        right_first_when=(
            "The winding measured good cold but temperature is not held; or heat is present that nobody asked for."
        ),
        state=PlantState.HOT_AND_LIVE,
        state_note="Or warming up at full duty.",
        cautions="ACDF",
        tools=("true-r.m.s. voltmeter", "clamp meter"),
        steps=(
            "Measure volts at the heater terminals and current together, during a full on-period (min/max hold if the "
            "switch cycles fast).",
            "Note both with the controller asking for nothing, if it ever does.",
        ),
        if_inside=(
            "Heater and supply do their part; duty is high because more heat is lost (packing, cold or wet gas, moved "
            "probe) or the cell really is hotter than shown."
        ),
        if_outside=(
            "No volts: fuse, switch, supply.",
            "Volts and no current: open winding or lead.",
            "Less current: aged winding.",
            "CURRENT WITH ZERO DEMAND: switch failed closed, isolate now.",
        ),
        next=("heater_cold", "cell_on_test_gas"),
        afterwards=("heater", "terminals", "measured"),
    ),
    CheckText(
        check_id="thermocouple_millivolts",
        title="What the transmitter is given, against what it shows",
        right_first_when=(
            "Temperature worked out from mV and head disagrees with the register; slope and duty do not agree on a "
            "cause."
        ),
        state=PlantState.HOT_AND_LIVE,
        cautions="ACDF",
        tools=("millivoltmeter (0.01 mV, over 10 Mohm)", "contact thermometer good to 1 K"),
        steps=(
            "Put the thermometer on the junction of thermocouple wire and copper; let the open head settle five "
            "minutes [P].",
            "Read head temperature, mV and the shown cell temperature within one minute. Leave the wires on.",
        ),
        if_inside=(
            "Transmitter and cold junction measure properly. The controller HOLDS this mV, so a drifted thermocouple "
            "passes: do not acquit it here."
        ),
        if_outside=(
            "Right with the transmitter's own head value but wrong with yours: cold-junction sensor.",
            "Wrong with both: input, thermocouple type setting or corroded terminal.",
            "Unsteady: joint.",
            "Near zero with full duty: shorted, SWITCH THE HEATER OFF.",
        ),
        next=("cold_junction", "transmitter_inputs", "cell_on_test_gas"),
        afterwards=("cold_junction_or_transmitter", "cell_or_thermocouple", "terminals", "measured"),
    ),
    CheckText(
        check_id="cell_on_test_gas",
        title="Cell mV on a known mixture",
        right_first_when=(
            "Slope is out, the reading is doubted with temperature good, or after any calibration in doubt."
        ),
        state=PlantState.HOT_AND_LIVE,
        cautions="ACDEF",
        tools=(
            "O2-in-nitrogen bottle with certificate (0.4 to 2 % gives the surest slope)",
            "flowmeter",
            "millivoltmeter over 10 Mohm",
        ),
        steps=(
            "Meter across the cell with the wires on. Flow as the manual says (often 1 to 3 L/min [P]).",
            "Wait until mV moves less than 0.1 in a minute (3 to 5 min [P]); note mV, cell temperature, and the time "
            "to 90 % after the first move.",
            "Raise the flow by half and note again.",
            "If meter and register differ by over 0.5 mV [P], lift one wire and repeat.",
        ),
        if_inside="Cell, temperature and gas path serve; look at filter or process.",
        if_outside=(
            "Gas and air shifted alike: offset or reference air.",
            "Gas mV low, moves with flow: dilution by a leak, or low flow.",
            "Gas mV low, steady: worn or cracked cell, or cell colder than shown.",
            "High: cell hotter than shown (10 K = 1.03 % of slope [C]), leaner bottle, or fuel vapour or oil in the "
            "gas.",
            "Slow, with flow and damping as usual: worn cell.",
        ),
        next=("cell_on_air", "reference_air", "air_ingress"),
        afterwards=("cell_or_thermocouple", "line_repaired", "calibrate_last", "measured"),
    ),
    CheckText(
        check_id="cell_on_air",
        title="Cell mV on clean air",
        right_first_when="Offset drifts, and as the second point of every two-point check.",
        state=PlantState.HOT_AND_LIVE,
        cautions="ACDEF",
        tools=("dry oil-free air", "flowmeter", "millivoltmeter over 10 Mohm"),
        steps=(
            "Meter across the cell with the wires on. Air at the flow always used at this probe.",
            "Three minutes at least [P], until mV moves less than 0.1 in a minute; note mV and cell temperature.",
        ),
        if_inside="Cell zero good.",
        if_outside=(
            "Negative: back-pressure (two_flow_air), starved or damp reference (reference_air), flow cooling the "
            "electrode (zirconia thermopower 0.486 mV a K in air, Solid State Ionics 70-71 (1994) 528 [S]), or the "
            "cell.",
            "Positive: flue gas leaking in (1 % of 3 % gas = +0.18 mV [C]), oil, or the cell.",
        ),
        next=("two_flow_air", "reference_air"),
        afterwards=("cell_or_thermocouple", "line_repaired", "calibrate_last", "measured"),
    ),
    CheckText(
        check_id="two_flow_air",
        title="Pressure behind the filter, apart from cell offset",
        right_first_when="Air reads above 20.95 %, or return is slow with a good cell.",
        state=PlantState.HOT_AND_LIVE,
        state_note=("The meter may be the transmitter's own mV: then nothing is opened but the gas inlet."),
        cautions="ADEF",
        tools=(
            "air",
            "flowmeter with valve",
            "low-set regulator with relief",
            "bypass of any fixed orifice only as the manual allows",
        ),
        steps=(
            "Air at the usual flow F1, settle, read E1.",
            "Slowly to F2, about twice F1 and within the manual's limit, settle one minute, read E2.",
            "Back to F1, read again: must repeat within 0.2 mV [P]. Cell temperature must stay within 5 K.",
            "Rise of pressure dp = P (exp(-(E2 - E1)/k) - 1); pressure at F1 = dp F1/(F2 - F1); offset at no flow = "
            "E1 - (E2 - E1) F1/(F2 - F1). If pressure goes with flow squared, F2 = 2 F1 gives a third of that "
            "pressure [C]: report the range.",
        ),
        if_inside="Filter is clear (under 1 kPa [P]); a negative offset then belongs to cell or reference.",
        if_outside=(
            "1 to 5 kPa [P]: watch it, repeat at the next check and compare with its own value when new.",
            "Over 5 kPa [P]: clogging, plan the filter.",
            "Flow cannot be reached, or pressure stays for seconds after shutting the valve: nearly closed, plan the "
            "filter now.",
            "An open filter lets pressure go in well under a second (0.12 L behind it, 3 L/min at 2 kPa: 0.05 s [C]): "
            "composition, not pressure, is what lingers.",
            "Flow that cools the electrode looks the same (cell_on_air).",
        ),
        next=("return_time",),
        afterwards=("filter", "measured"),
    ),
)
