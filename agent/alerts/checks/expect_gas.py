"""Expected values of the checks on gas, air, filter, reference and leaks."""

from math import log

from agent.alerts.checks.conditions import AirSide, Conditions
from agent.alerts.checks.expect import CODATA, Expect, factor_mv, mv_for, reading_pct, shifted_reading_pct
from agent.config.model import TestGas
from detectors.finding import Finding
from detectors.probe.nernst import AIR_O2_FRAC
from detectors.slow_recovery import DIFFUSION_EXPONENT

__all__ = ["air_ingress", "cell_on_air", "cell_on_test_gas", "reference_air", "return_time", "two_flow_air"]

GOOD_MV, ACT_MV = 2.0, 5.0  # common practice: within 2 mV good, beyond 5 mV act
CLEAR_KPA, CLOGGING_KPA = 1.0, 5.0  # common practice: clear, to be watched, clogging, at the usual flow
AIR_PCT = 100.0 * AIR_O2_FRAC


def cell_on_air(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Cell mV with air on the gas side."""
    del finding
    k = factor_mv(c)
    value, low, high = _between(c, c.check_air)
    per_kpa = k * log(1.0 + 1.0 / c.pressure_kpa)
    return [
        Expect(
            quantity="cell mV on air",
            value=value,
            unit="mV",
            low=low - GOOD_MV,
            high=high + GOOD_MV,
            at=f"{c.cell_c.words}; {c.reference.words}; {c.check_air.words}; less {per_kpa:.3f} mV a kPa behind the "
            f"filter",
            source=f"[C] {CODATA}; within {GOOD_MV:g} mV good, beyond {ACT_MV:g} mV act [P]",
        ),
        Expect(
            quantity="reading on air, nothing stored",
            value=reading_pct(c, value),
            unit="% vol",
            low=reading_pct(c, high + GOOD_MV),
            high=reading_pct(c, low - GOOD_MV),
            at="zero offset and 100 % slope stored; what the stored constants correct is on top",
            source=f"[C] {CODATA}",
        ),
    ]


def cell_on_test_gas(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Cell mV on each bottle of the site, slope, and the effect of more flow."""
    del finding
    bottles = c.probe.test_gases or (TestGas(o2=1.0),)
    stated = "" if c.probe.test_gases else " (stated: no bottle in the configuration)"
    k, rows = factor_mv(c), []
    for gas in bottles:
        x = gas.o2 / 100.0
        value, low, high = (
            mv_for(c, ref, x) for ref in (c.reference.o2_frac, c.reference.low_frac, c.reference.high_frac)
        )
        bottle_mv, temp_mv = k * gas.relative_uncertainty, 3.0 * value / (c.cell_c.value + 273.15)
        rows.append(
            Expect(
                quantity=f"cell mV on {gas.o2:g} % O2",
                value=value,
                unit="mV",
                low=low - GOOD_MV,
                high=high + GOOD_MV,
                at=f"bottle {gas.o2:g} % O2{stated}; {c.cell_c.words}; {c.reference.words}; known no better than "
                f"{(bottle_mv**2 + temp_mv**2) ** 0.5:.1f} mV (bottle {bottle_mv:.2f}, 3 K {temp_mv:.2f})",
                source=f"[C] {CODATA}; within {GOOD_MV:g} mV good, beyond {ACT_MV:g} mV act [P]",
            )
        )
    surest = max(bottles, key=lambda gas: abs(log(AIR_O2_FRAC * 100.0 / gas.o2)))
    span = abs(log(AIR_PCT / surest.o2))
    rows += [
        Expect(
            quantity="slope",
            value=100.0,
            unit="% of Nernst",
            low=95.0,
            high=105.0,
            at=f"(E gas - E air)/(k ln(x air/x gas)), k = {k:.3f} mV; from {surest.o2:g} % uncertain by "
            f"{100.0 * surest.relative_uncertainty / span:.1f} %",
            source="[P]; uncertainty [C]",
            digits=1,
        ),
        Expect(
            quantity="change of cell mV with half as much flow again",
            value=0.0,
            unit="mV",
            low=-0.5,
            high=0.5,
            at="same gas, settled at both flows",
            source="[P]",
        ),
    ]
    return rows


def two_flow_air(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Pressure behind the filter from two flows. Every row's range is the same verdict: clear."""
    del finding
    k = factor_mv(c)
    clear_mv, clogging_mv = (k * log(1.0 + p / c.pressure_kpa) for p in (CLEAR_KPA, CLOGGING_KPA))
    clear_pct, clogging_pct = (AIR_PCT * (1.0 + p / c.pressure_kpa) for p in (CLEAR_KPA, CLOGGING_KPA))
    return [
        Expect(
            quantity="E2 - E1, F2 twice F1",
            value=0.0,
            unit="mV",
            low=-clear_mv,
            high=0.2,
            at=f"{c.cell_c.words}; {_zones(f'-{clear_mv:.2f}', f'-{clogging_mv:.2f} mV')}; the filter's own value when "
            f"new is better",
            source=f"[C] -k ln(1 + dp/P), {CODATA}; limits [P]",
        ),
        Expect(
            quantity="pressure behind the filter at F1",
            value=None,
            unit="kPa",
            low=0.0,
            high=CLEAR_KPA,
            at=f"P = {c.pressure_kpa:.1f} kPa, k = {k:.3f} mV; {_zones(f'{CLEAR_KPA:g}', f'{CLOGGING_KPA:g} kPa')}; "
            f"pressure taken as proportional to flow",
            source="[C]; limits [P]",
        ),
        Expect(
            quantity="reading in air, nothing stored",
            value=AIR_PCT,
            unit="% vol",
            high=clear_pct,
            at=f"at F1; {CLEAR_KPA:g} kPa reads {clear_pct:.2f} %, {CLOGGING_KPA:g} kPa {clogging_pct:.2f} %: "
            f"{_zones(f'{clear_pct:.2f}', f'{clogging_pct:.2f} %')}",
            source=f"[C] {CODATA}; limits [P]",
        ),
    ]


def return_time(c: Conditions, finding: Finding | None) -> list[Expect]:
    """Between which readings to time, and how long it should take."""
    x = c.o2_pct.value
    start, end = x + 0.9 * (AIR_PCT - x), x + (AIR_PCT - x) / 3.0
    baseline = finding.baseline if finding is not None and finding.symptom == "slow_recovery" else None
    colder = ((400.0 + 273.15) / (250.0 + 273.15)) ** DIFFUSION_EXPONENT
    damping = c.damping_s
    own_damping = "not configured" if damping is None else f"{damping:g} s"
    if baseline is not None:
        tau, low, high, whose = baseline, None, 2.0 * baseline, "its own when the filter was new"
    elif (as_new := c.map.as_new.tau_s) is not None:
        tau, low, high, whose = as_new, None, 2.0 * as_new, "of this kind of probe as new"
    else:
        tau, low, high, whose = (
            None,
            3.0,
            20.0,
            "not learnt: usual range, longer with a flame arrester ([P], from memory)",
        )
    words = f"{c.o2_pct.words}, air {AIR_PCT:.2f} %"
    return [
        Expect(
            quantity="start timing at",
            value=start,
            unit="% vol",
            at=f"{words}; 90 % of the way still to go",
            source="[C] first-order exchange in O2 fraction",
            digits=1,
        ),
        Expect(
            quantity="stop timing at",
            value=end,
            unit="% vol",
            at=f"{words}; one third of the way still to go: ln(0.9 x 3) = 0.993 time constants",
            source="[C] first-order exchange in O2 fraction",
            digits=1,
        ),
        Expect(
            quantity="return time (one time constant)",
            value=tau,
            unit="s",
            low=low,
            high=high,
            at=f"{whose}; at like load and flue temperature: with flue gas at 250 instead of 400 degC the same filter "
            f"takes {colder:.2f} times as long; damping of the display ({own_damping}) is timed along with it: a 5 s "
            f"probe behind 5 s of damping reads 9 to 10 s",
            source="the probe's own baseline; twice = plan, four times = next chance [P]; diffusion with T^1.75, "
            "time constants add [C]",
            digits=1,
        ),
    ]


def reference_air(c: Conditions, finding: Finding | None) -> list[Expect]:
    """What restoring the reference flow should change."""
    del finding
    k, x = factor_mv(c), c.o2_pct.value
    rows = [
        Expect(
            quantity="change of cell mV when reference flow is restored or raised",
            value=0.0,
            unit="mV",
            low=-0.5,
            high=0.5,
            at=f"steady process or check gas, five minutes; {c.cell_c.words}",
            source="[P]",
        )
    ]
    for short in (0.05, 0.10):
        lost = -k * log(1.0 - short)
        rows.append(
            Expect(
                quantity=f"rise of cell mV if the reference had been short of {100 * short:.0f} % of its oxygen",
                value=lost,
                unit="mV",
                at=f"{c.cell_c.words}; {x:.2f} % would have shown as {shifted_reading_pct(c, x, -lost):.2f} %",
                source=f"[C] {CODATA}",
            )
        )
    squeezed = k * log(1.0 + 1.0 / c.pressure_kpa)
    rows.append(
        Expect(
            quantity="rise of cell mV for 1 kPa too much pressure on the reference",
            value=squeezed,
            unit="mV",
            at=f"{c.cell_c.words}; the other way round, it reads low: {x:.2f} % shows as "
            f"{shifted_reading_pct(c, x, squeezed):.2f} %",
            source=f"[C] k ln(1 + dp/P), {CODATA}",
            digits=3,
        )
    )
    return rows


def air_ingress(c: Conditions, finding: Finding | None) -> list[Expect]:
    """What capping and sealing should change."""
    del finding
    x = c.o2_pct.value
    return [
        Expect(
            quantity="change of the reading when capped or sealed",
            value=0.0,
            unit="% vol",
            low=-0.1,
            high=0.1,
            at=f"steady load; {c.o2_pct.words}; 1 % of room air in it reads {x + 0.01 * (AIR_PCT - x):.2f} %",
            source="[P]; 1 % of air [C]",
        )
    ]


def _zones(clear: str, clogging: str) -> str:
    """The one verdict on a filter, in the unit of a row."""
    return f"clear to {clear}, watch it from there to {clogging}, clogging beyond"


def _between(c: Conditions, gas: AirSide) -> tuple[float, float, float]:
    """Cell mV on air: expected, and the ends that what is unknown of the two airs allows. [mV]"""
    return (
        mv_for(c, c.reference.o2_frac, gas.o2_frac),
        mv_for(c, c.reference.low_frac, gas.high_frac),
        mv_for(c, c.reference.high_frac, gas.low_frac),
    )
