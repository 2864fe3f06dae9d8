"""Expected values of the checks on heater, thermocouple, cold junction, insulation and inputs."""

from typing import Final

from agent.alerts.checks.conditions import Conditions, believed
from agent.alerts.checks.expect import CODATA, Expect
from detectors.finding import Finding
from detectors.probe.heater import ALLOY_CT_RANGE, ALLOY_CT_UNKNOWN, cold_resistance_ohm
from detectors.probe.nernst import cell_emf_mv
from detectors.probe.pt_sensor import resistance_ohm
from detectors.probe.thermocouple import emf_mv, range_c, terminal_mv

__all__ = ["cell_isolation", "cold_junction", "heater_cold", "heater_live", "thermocouple_cold"]
__all__ += ["thermocouple_millivolts", "transmitter_inputs"]

IEC_60584: Final = "IEC 60584-1 [S]"
IEC_60751: Final = "IEC 60751 [S]"
HEATER_TOLERANCE: Final = 0.10  # common practice
OWN_TOLERANCE_PCT: Final = 5.0  # of the winding's own value when new, common practice
OHM_PER_M: Final = ((0.5, 5.1), (0.8, 2.0), (1.0, 1.3))  # type K loop by wire diameter in mm, published wire tables


def heater_cold(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Winding and insulation, cold."""
    del finding
    alloys = f"{ALLOY_CT_RANGE[0]:.2f} to {ALLOY_CT_RANGE[1]:.2f} by alloy [S], {ALLOY_CT_UNKNOWN:.2f} if unknown [P]"
    rows = []
    if c.hot_ohm is None:
        rows.append(
            Expect(
                quantity="winding",
                value=None,
                unit="ohm",
                at=f"{c.rating}: take V^2/P from its plate, divide by {ALLOY_CT_UNKNOWN:.2f}, within 10 %",
                source=f"[C] V^2/(P x CT), CT {alloys}; tolerance [P]",
            )
        )
    else:
        cold = cold_resistance_ohm(c.hot_ohm, tolerance_frac=HEATER_TOLERANCE)
        bare = cold_resistance_ohm(c.hot_ohm)
        rows.append(
            Expect(
                quantity="winding",
                value=cold.expected,
                unit="ohm",
                low=cold.low,
                high=cold.high,
                at=f"cold, about 20 degC; {c.rating}: {c.hot_ohm:.0f} ohm hot, {bare.low:.0f} to {bare.high:.0f} cold "
                "by alloy, then 10 % either way",
                source=f"[C] V^2/(P x CT), CT {alloys}; tolerance [P]",
                digits=1,
            )
        )
    live = believed(c.now, "heater_resistance")
    if live is not None:
        cold = cold_resistance_ohm(live, tolerance_frac=HEATER_TOLERANCE)
        rows.append(
            Expect(
                quantity="winding, from live volts and amps",
                value=cold.expected,
                unit="ohm",
                low=cold.low,
                high=cold.high,
                at=f"cold, about 20 degC; V/I was {live:.0f} ohm hot",
                source=f"[C] V/I divided by CT {alloys}; tolerance [P]",
                digits=1,
            )
        )
    rows.append(
        Expect(
            quantity="winding, against its own value when new",
            value=100.0,
            unit="% of it",
            low=100.0 - OWN_TOLERANCE_PCT,
            high=100.0 + OWN_TOLERANCE_PCT,
            at="where that value was noted: it tells more than the rating; cold both times",
            source="[P]",
            digits=0,
        )
    )
    rows.append(
        Expect(
            quantity="insulation, winding to body",
            value=None,
            unit="Mohm",
            low=1.0,
            at="500 V d.c. or what the maker allows; cold and dry; thermocouple, cell and cold-junction wires off",
            source="[P]",
        )
    )
    return rows


def heater_live(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Volts and current at full on."""
    del finding
    known = believed(c.now, "supply_voltage")
    volts = c.probe.nominal_voltage if known is None else known
    which = "nominal" if known is None else "shown now"
    amps = None if c.hot_ohm is None else volts / c.hot_ohm
    rated_v = c.probe.heater.rated_voltage or c.probe.nominal_voltage
    off_a = None if c.hot_ohm is None else 0.02 * rated_v / c.hot_ohm
    return [
        Expect(
            quantity="heater current, on",
            value=amps,
            unit="A",
            low=None if amps is None else amps * (1 - HEATER_TOLERANCE),
            high=None if amps is None else amps * (1 + HEATER_TOLERANCE),
            at=f"{volts:.0f} V ({which}), full on-period; {c.rating}",
            source="[C] V / R hot; tolerance [P]",
        ),
        Expect(
            quantity="supply at the heater",
            value=rated_v,
            unit="V",
            low=0.9 * rated_v,
            high=1.1 * rated_v,
            at="heater on; power goes with V squared: 5 % low costs 10.8 % more duty, 10 % low costs 23 %",
            source="[P]; duty [C]",
            digits=0,
        ),
        Expect(
            quantity="heater current, off",
            value=0.0,
            unit="A",
            high=off_a,
            at="controller asking for nothing; below 2 % of rated is leakage of the switch",
            source="[P]",
            digits=3,
        ),
    ]


def thermocouple_cold(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Zero, loop and isolation."""
    del finding
    rows = [
        Expect(
            quantity="thermocouple, cold",
            value=0.0,
            unit="mV",
            low=-0.1,
            high=0.1,
            at="probe and head at one temperature; 0.1 mV is 2.5 K",
            source=f"[C] from {IEC_60584}",
        )
    ]
    if c.map.conventions.thermocouple == "K":
        rows += [
            Expect(
                quantity=f"loop resistance a metre, {mm:g} mm wire",
                value=ohm,
                unit="ohm/m",
                low=0.8 * ohm,
                high=1.2 * ohm,
                at="type K at 20 degC, 0.706 + 0.294 micro-ohm metre; mean of both ways round",
                source="[C] from published wire tables [S]; tolerance [P]",
            )
            for mm, ohm in OHM_PER_M
        ]
    else:
        kind = c.map.conventions.thermocouple
        rows.append(
            Expect(
                quantity="loop resistance",
                value=None,
                unit="ohm",
                at=f"type {kind}: by the wire's length and gauge from its maker's table, within 20 %",
                source="[P]",
            )
        )
    rows.append(
        Expect(
            quantity="wire to body",
            value=None,
            unit="kohm",
            low=100.0,
            at="where the junction is not bonded to the body on purpose",
            source="[P]",
            digits=0,
        )
    )
    return rows


def thermocouple_millivolts(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Terminal mV for the temperature shown and the head's."""
    del finding
    kind = c.map.conventions.thermocouple
    low_c, high_c = range_c(kind)
    if not (low_c <= c.cell_c.value <= high_c and low_c <= c.head_c.value <= high_c):
        value = None
    else:
        value = float(terminal_mv(c.cell_c.value, c.head_c.value, kind))
    return [
        Expect(
            quantity="thermocouple, live",
            value=value,
            unit="mV",
            low=None if value is None else value - 0.20,
            high=None if value is None else value + 0.20,
            at=f"type {kind}, {c.cell_c.words}, {c.head_c.words}; 0.20 mV is about 5 K",
            source=f"{IEC_60584}; tolerance [C]: head 2 K, shown value 1 K, transmitter 2 K, meter 0.03 mV",
        )
    ]


def cold_junction(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Resistance of the head's sensor."""
    del finding
    return [
        Expect(
            quantity=f"{name} at the terminals",
            value=(ohm := float(resistance_ohm(c.head_c.value, r0))),
            unit="ohm",
            low=ohm - band,
            high=ohm + band,
            at=f"{c.head_c.words}; use your own reading beside the sensor",
            source=f"{IEC_60751}; tolerance 2 K of hand reading [C]",
            digits=digits,
        )
        for name, r0, band, digits in (("Pt1000", 1000.0, 8.0, 1), ("Pt100", 100.0, 0.8, 2))
    ]


def cell_isolation(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Cold resistance of the cell and its wire."""
    del c, finding
    return [
        Expect(
            quantity="between the cell wires, and each to the body",
            value=None,
            unit="kohm",
            low=20.0,
            at="cold; dry and cold usually megohms or over-range: cold zirconia hardly conducts",
            source="[P]",
            digits=0,
        )
    ]


def transmitter_inputs(c: Conditions, finding: Finding | None) -> list[Expect]:
    """What the display should show for substitutes at stated values."""
    del finding
    kind = c.map.conventions.thermocouple
    cell_c, head_c = 700.0, 25.0
    tc_mv = float(terminal_mv(cell_c, head_c, kind))
    slope, offset = believed(c.now, "stored_slope"), believed(c.now, "stored_offset")
    cell_mv = float(cell_emf_mv(0.01, cell_c))
    stored = "as stored now" if slope is not None and offset is not None else "for 100 % slope and zero offset"
    if slope is not None and offset is not None and c.map.conventions.stored_offset_sign == "correction":
        offset = -offset
    inject = cell_mv if slope is None or offset is None else 0.01 * slope * cell_mv + offset
    return [
        Expect(
            quantity="head temperature shown",
            value=head_c,
            unit="degC",
            low=head_c - 1.0,
            high=head_c + 1.0,
            at=f"{float(resistance_ohm(head_c)):.1f} ohm for a Pt1000, a tenth of it for a Pt100",
            source=f"{IEC_60751}; tolerance [P]",
            digits=1,
        ),
        Expect(
            quantity="cell temperature shown",
            value=cell_c,
            unit="degC",
            low=cell_c - 3.0,
            high=cell_c + 3.0,
            at=f"type {kind}, {tc_mv:.2f} mV with the head at {head_c:.0f} degC "
            f"({float(emf_mv(cell_c, kind)):.2f} mV without its compensation)",
            source=f"{IEC_60584}; tolerance [P]",
            digits=1,
        ),
        Expect(
            quantity="O2 shown",
            value=1.00,
            unit="% vol",
            low=0.97,
            high=1.03,
            at=f"{inject:.2f} mV as cell, cell temperature {cell_c:.0f} degC, {stored}",
            source=f"[C] {CODATA}; from the far end within 0.1 mV of that [P]",
        ),
    ]
