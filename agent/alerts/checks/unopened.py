"""Checks that open nothing, or no more than an inlet or a line's end."""

from typing import Final

from agent.alerts.checks.text import CheckText, PlantState

__all__ = ["UNOPENED"]

UNOPENED: Final = (
    CheckText(
        check_id="look_first",
        title="Read before you touch",
        right_first_when=(
            "Almost always: it costs ten minutes and finds a third party (a setting, a hold, a loose cap) before a "
            "part is blamed."
        ),
        state=PlantState.NOTHING_OPENED,
        cautions="F",
        caution_note="F applies near the head.",
        tools=("eyes", "this sheet", "contact thermometer"),
        steps=(
            "Is the output held, a check or a calibration running, a fault shown?",
            "Note reading, cell mV, cell temperature, set point, duty, stored offset and slope, damping time. "
            "Compare with the last sheet: who changed what, and when?",
            "Outside: supply voltage as shown; check-gas inlet capped; reference-air line on, flow indicated; "
            "glands dry; head temperature by hand; flange and packing tight.",
        ),
        if_inside="Nobody changed it: go on to the check the suspect calls for.",
        if_outside=(
            "Undo or explain the change first.",
            "A jump of the stored constants means the last calibration is in doubt: repeat it with a verified bottle "
            "(cell_on_test_gas).",
        ),
        afterwards=("measured",),
    ),
    CheckText(
        check_id="return_time",
        title="How fast flue gas comes back through the filter",
        right_first_when="Slow return is suspected and load can be held steady for ten minutes.",
        state=PlantState.NOTHING_OPENED,
        state_note="Nothing opened but the gas inlet; unit firing steadily.",
        cautions="ADEF",
        tools=("dry, oil-free air", "stopwatch or 1 s log", "hold released, damping noted"),
        steps=(
            "Note the process value before. Air for three minutes.",
            "Shut the valve. Time the reading from 90 % to one third of the way still to go (the two readings to time "
            "between are given below). That time is one time constant.",
            "Repeat twice.",
        ),
        if_inside="Under twice its own value: filter open enough.",
        if_outside=(
            "Twice: plan the filter; four times: next chance [P].",
            "First rule out damping, a leaking check valve (return never completes), moving load, or a slow cell "
            "(cell_on_test_gas).",
        ),
        next=("two_flow_air", "cell_on_test_gas"),
        afterwards=("filter", "measured"),
    ),
    CheckText(
        check_id="reference_air",
        title="Is the reference side really air?",
        right_first_when=(
            "Readings creep high at every gas, offset is negative, or a pump, regulator or hose was touched."
        ),
        state=PlantState.NOTHING_OPENED,
        state_note="Nothing opened but the reference line.",
        cautions="AEF",
        tools=("flowmeter", "clean dry air at low pressure"),
        steps=(
            "Note cell mV in steady process or on check gas. See that flow is as the manual says.",
            "Restore it or raise it gently within limits, wait five minutes, note cell mV.",
            "Shut it briefly, note the drift. Put it back.",
        ),
        if_inside="Reference good.",
        if_outside=(
            "mV rises (reading falls) on restoring: starved or fouled. Mend line, filter or pump, look for flue gas "
            "leaking to the reference side.",
            "A cracked cell also makes mV depend on reference flow.",
        ),
        next=("cell_on_air", "cell_on_test_gas"),
        afterwards=("line_repaired", "measured"),
    ),
    CheckText(
        check_id="air_ingress",
        title="Air getting in where it should not",
        right_first_when="Reading too high on one probe, duct under suction, twin reads lower.",
        state=PlantState.NOTHING_OPENED,
        cautions="ADF",
        tools=("caps and plugs", "leak spray (cool parts only)", "flue-pressure reading"),
        steps=(
            "Read the flue pressure: only a duct under suction draws air in through a leak; above atmospheric "
            "pressure a leak blows gas out and makes no reading too high [P].",
            "Cap the check-gas inlet; pinch or isolate its line downstream of the valve; wait five minutes.",
            "Seal flange and port joints temporarily as the permit allows, one at a time. Watch the reading after "
            "each.",
        ),
        if_inside="No leak at the probe: duct leakage or stratification, see second_opinion.",
        if_outside=(
            "Mend what moved it.",
            "A check valve that does not close also makes return slow and test gas wrong.",
        ),
        next=("cell_on_air", "cell_on_test_gas"),
        afterwards=("line_repaired", "measured"),
    ),
    CheckText(
        check_id="second_opinion",
        title="Another analyzer at the same place",
        right_first_when="Probes differ and both pass gas checks; before blaming the process.",
        state=PlantState.NOTHING_OPENED,
        state_note="Nothing opened but a sample port.",
        cautions="ADF",
        tools=("calibrated portable analyzer", "sample probe to the same depth"),
        steps=(
            "Sample beside the cell at steady load for ten minutes; average both.",
            "Ask whether each value is wet or dry; convert before comparing.",
            "Repeat at two depths.",
        ),
        if_inside="Both right; the duct is layered.",
        if_outside=(
            "Probe high: leak, reference, offset.",
            "Probe low: dilution of the portable's sample line, unburnt gas, positive offset. Unburnt gas lowers the "
            "probe, not a cold analyzer: 1000 ppm CO burns 0.05 % O2 at the cell [C].",
        ),
        next=("air_ingress", "cell_on_air"),
        afterwards=("no_calibration", "measured"),
    ),
    CheckText(
        check_id="line_and_cable",
        title="Nothing, or nonsense, over Modbus",
        right_first_when=(
            "No valid sample, or values from one line stop together. The control system's own signal may be perfectly "
            "good."
        ),
        state=PlantState.NOTHING_OPENED,
        state_note="Nothing opened, or the line's ends only.",
        cautions="AC",
        caution_note="A if the control system shares the line; C if terminals sit beside mains.",
        tools=("ohmmeter", "laptop"),
        steps=(
            "Who else is on this line? A serial line has ONE master: if another polls it, stop Flueward's line first.",
            "Power at the far end; unit id, speed, parity; network path and the transmitter's limit of connections.",
            "Line dead and unpowered: resistance between the pair. Screen earthed at one end.",
        ),
        if_inside="Wiring serves: look at addresses and settings with `flueward read`.",
        if_outside=("Mend the line.",),
        afterwards=("no_calibration",),
    ),
)
