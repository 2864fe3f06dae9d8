"""Checks on a probe that is cold and isolated, and the one with substitutes in place of the probe."""

from typing import Final

from agent.alerts.checks.text import CheckText, PlantState

__all__ = ["COLD"]

COLD: Final = (
    CheckText(
        check_id="heater_cold",
        title="Winding and insulation of the heater",
        right_first_when=(
            "Duty creeps or sits at its ceiling, temperature falls at full duty, a fuse or earth-leakage trip has gone."
        ),
        state=PlantState.COLD_AND_ISOLATED,
        cautions="ABFG",
        tools=("ohmmeter (0.1 ohm)", "insulation tester", "contact thermometer"),
        steps=(
            "Free both heater conductors from everything. Zero the leads.",
            "Measure the winding. Flex the wires gently and watch.",
            "Then, with thermocouple, cell and cold-junction wires DISCONNECTED AT THE TRANSMITTER, test winding to "
            "body at the voltage the maker allows.",
        ),
        if_inside=(
            "Winding good: rising duty then comes from heat loss, supply or a thermocouple reading low; full duty "
            "without heat from supply, fuse, switch or lead."
        ),
        if_outside=(
            "Open: replace.",
            "More than 10 % high: ageing, plan replacement before the next cold start.",
            "Low: shorted turns, replace.",
            "Changes when flexed: lead or terminal.",
            "Insulation low: dry it at reduced power per the manual and repeat; still low (under 0.1 Mohm [P]): "
            "replace.",
        ),
        next=("heater_live", "cell_on_test_gas"),
        afterwards=("heater", "terminals", "measured"),
    ),
    CheckText(
        check_id="thermocouple_cold",
        title="Loop, isolation and zero of the thermocouple",
        right_first_when=(
            "Temperature jumps, hunts or shows a burnout value; or after thermocouple_millivolts was unsteady."
        ),
        state=PlantState.COLD_AND_ISOLATED,
        cautions="ABFG",
        tools=("ohmmeter", "millivoltmeter (0.01 mV)", "thermometer"),
        steps=(
            "Disconnect both wires. Measure mV first, then resistance both ways round and take the mean.",
            "Measure each wire to the body (some designs bond the junction to the body on purpose: manual).",
            "Move the leads gently.",
            "On reheating watch that temperature rises: falling means crossed wires.",
        ),
        if_inside=("Loop is whole. It does NOT prove the calibration: only a two-point check or a second sensor does."),
        if_outside=(
            "Open or changing: replace, or remake the joint.",
            "Low loop resistance or low to body: shorted short of the tip, which reads low and makes the controller "
            "OVERHEAT THE CELL: keep it off.",
        ),
        next=("thermocouple_millivolts",),
        afterwards=("cell_or_thermocouple", "terminals", "measured"),
    ),
    CheckText(
        check_id="cold_junction",
        title="Sensor at the terminals",
        right_first_when="Head temperature is stuck, jumps, or differs from a hand reading by over 5 K [P].",
        state=PlantState.COLD_AND_ISOLATED,
        state_note="Preferred: the head's temperature must be known, not the cell cold.",
        cautions="ABFG",
        tools=("ohmmeter (0.1 ohm)", "contact thermometer"),
        steps=(
            "Disconnect the sensor, read the temperature beside it, read ohms, subtract lead resistance.",
            "Warm it by hand and see it rise.",
            "Other kinds of sensor than those below: maker's table.",
        ),
        if_inside="Sensor good; suspect its wiring or the input.",
        if_outside=("Replace. 1 K of error here is about 1 K of cell temperature and 0.1 % of slope [C].",),
        next=("transmitter_inputs",),
        afterwards=("cold_junction_or_transmitter", "measured"),
    ),
    CheckText(
        check_id="cell_isolation",
        title="Cell and its wire, cold",
        right_first_when="Reading noisy, spiky, or low at every gas; water has been in the head.",
        state=PlantState.COLD_AND_ISOLATED,
        cautions="ABFG",
        caution_note="NEVER an insulation tester on a cell: it destroys the electrodes.",
        tools=("ordinary ohmmeter; never an insulation tester on a cell",),
        steps=(
            "Disconnect the cell wires; measure between them, and each to the body unless the maker joins one to it.",
            "Repeat with the leads moved, and once dried.",
        ),
        if_inside="No leak; a cell can still be worn: judge it hot on gas.",
        if_outside=("Damp, ash bridge or chafed wire: clean, dry, re-route; if it stays low, replace.",),
        next=("cell_on_test_gas",),
        afterwards=("terminals", "cell_or_thermocouple", "measured"),
    ),
    CheckText(
        check_id="transmitter_inputs",
        title="Known signals in place of the probe",
        right_first_when=(
            "The probe measured good at its terminals and the shown value is still wrong, frozen or noisy."
        ),
        state=PlantState.HEATER_ISOLATED,
        state_note="With a false thermocouple signal the controller would drive the heater without limit.",
        cautions="ABCDG",
        tools=("mV source (0.01 mV)", "resistance box", "the cable's far end to inject at"),
        steps=(
            "Disconnect the probe's wires.",
            "Put in the cold-junction resistance, then thermocouple mV, then cell mV, at the transmitter; repeat from "
            "the probe's end of the cable.",
            "Step each and watch display, Modbus register and output agree.",
            "Remove every substitute before heater power returns.",
        ),
        if_inside="Transmitter good: cable or probe.",
        if_outside=(
            "Near end right, far end wrong: cable, screen or junction box.",
            "Both wrong: setting (type, factor, damping, hold) or transmitter.",
        ),
        next=("thermocouple_cold", "cell_isolation"),
        afterwards=("cold_junction_or_transmitter", "measured"),
    ),
)
