"""Expected values of the checks around the probe: the first look, another analyzer, the line."""

from agent.alerts.checks.conditions import Conditions, believed, number_words
from agent.alerts.checks.expect import CODATA, Expect, mv_for, reading_pct
from detectors.finding import Finding
from detectors.probe.nernst import AIR_O2_FRAC

__all__ = ["line_and_cable", "look_first", "second_opinion"]


def look_first(c: Conditions, finding: Finding | None) -> list[Expect]:
    """What can be read off without touching anything."""
    del finding
    now, rows = c.now, []
    rows.append(
        Expect(
            quantity="cell temperature",
            value=c.setpoint_c.value,
            unit="degC",
            low=c.setpoint_c.value - 5.0,
            high=c.setpoint_c.value + 5.0,
            at=c.setpoint_c.words,
            source="[P]",
            digits=0,
        )
    )
    rows.append(
        Expect(
            quantity="supply voltage",
            value=c.probe.nominal_voltage,
            unit="V",
            low=0.9 * c.probe.nominal_voltage,
            high=1.1 * c.probe.nominal_voltage,
            at=_now_words(c, "supply_voltage", "V", 0) + "; 10 % low costs 23 % more duty",
            source="[P]; duty [C]",
            digits=0,
        )
    )
    emf = believed(now, "cell_emf")
    offset, slope = believed(now, "stored_offset"), believed(now, "stored_slope")
    cell_offset = -offset if offset is not None and c.map.conventions.stored_offset_sign == "correction" else offset
    if emf is not None and now.signals["cell_emf"].source == "measured":
        used = (cell_offset or 0.0, 100.0 if slope is None else slope)
        shown = reading_pct(c, emf, offset_mv=used[0], slope_pct=used[1])
        words = f"{emf:.2f} mV, {c.cell_c.words}, offset {used[0]:.1f} mV, slope {used[1]:.1f} %, dry reference"
    else:
        emf = mv_for(c, AIR_O2_FRAC, c.o2_pct.value / 100.0)
        shown = c.o2_pct.value
        words = f"{emf:.2f} mV, {c.cell_c.words}, zero offset, 100 % slope: an example, read the cell's own mV"
    band = max(0.1, 0.03 * shown)
    rows.append(
        Expect(
            quantity="reading, from its own mV",
            value=shown,
            unit="% vol",
            low=max(0.0, shown - band),
            high=shown + band,
            at=words,
            source=f"[C] x = 20.95 exp(-(E - offset)/(slope k)), {CODATA}; agreement 0.1 % O2 or 3 % [P]",
        )
    )
    for name, value, unit, band, digits in (
        ("stored offset, against the last sheet", offset, "mV", 3.0, 1),
        ("stored slope, against the last sheet", slope, "% of Nernst", 4.0, 1),
    ):
        rows.append(
            Expect(
                quantity=name,
                value=value,
                unit=unit,
                low=None if value is None else value - band,
                high=None if value is None else value + band,
                at=f"moved less than {band:g} at the last calibration"
                + ("" if value is not None else "; not known now"),
                source="[P]",
                digits=digits,
            )
        )
    damping = c.damping_s
    rows.append(
        Expect(
            quantity="damping time of the display",
            value=damping,
            unit="s",
            low=damping,
            high=damping,
            at="as on the last sheet" + ("; not configured" if damping is None else " and in the configuration"),
            source="the site's own settings",
            digits=1,
        )
    )
    return rows


def second_opinion(c: Conditions, finding: Finding | None) -> list[Expect]:
    """The portable's dry reading for the probe's wet one, natural gas."""
    del finding
    x = c.o2_pct.value
    wet = c.map.conventions.o2_basis == "wet"
    dry_pct = _dry_for_wet(x) if wet else x
    water = 1.0 - _wet_for_dry(dry_pct) / dry_pct
    return [
        Expect(
            quantity="portable, dry",
            value=dry_pct,
            unit="% vol",
            low=dry_pct - 0.3,
            high=dry_pct + 0.3,
            at=f"{c.o2_pct.words}, {'wet' if wet else 'dry'}; natural gas taken as methane, {100 * water:.1f} % water: "
            f"other fuels differ",
            source="[C] combustion of methane in dry air; agreement [P]",
        )
    ]


def line_and_cable(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Resistance and idle voltage of the pair."""
    del c, finding
    return [
        Expect(
            quantity="resistance of the pair",
            value=60.0,
            unit="ohm",
            low=54.0,
            high=66.0,
            at="serial line, dead and unpowered, two 120 ohm terminators; 120: one missing, far less: short or a third",
            source="[C] from the Modbus serial-line guide [S]; within 10 % [P]",
            digits=0,
        ),
        Expect(
            quantity="idle voltage of the pair",
            value=None,
            unit="V",
            low=0.2,
            at="serial line, powered, nobody sending",
            source="receiver threshold, TIA-485-A [S]",
            digits=1,
        ),
    ]


def _now_words(c: Conditions, name: str, unit: str, digits: int) -> str:
    value = c.now.value(name)
    return "not known now: measure it" if value is None else f"shows {number_words(value, digits)} {unit} now"


def _wet_for_dry(dry_pct: float) -> float:
    """CH4 burnt in dry air: wet O2 for dry O2, both in %. Nitrogen comes with oxygen as 79.05 to 20.95."""
    d, nitrogen = dry_pct / 100.0, (1.0 - AIR_O2_FRAC) / AIR_O2_FRAC
    excess = d * (1.0 + 2.0 * nitrogen) / (1.0 - d * (1.0 + nitrogen))
    dry = 1.0 + excess + nitrogen * (2.0 + excess)
    return 100.0 * excess / (dry + 2.0)


def _dry_for_wet(wet_pct: float) -> float:
    low, high = wet_pct, min(20.9, 2.0 * wet_pct + 0.01)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _wet_for_dry(middle) < wet_pct else (low, middle)
    return 0.5 * (low + high)
