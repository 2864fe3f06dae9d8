"""The conditions at one probe that a check's values are computed for: known ones, and stated ones where unknown."""

from dataclasses import dataclass
from typing import Final

from agent.config.model import Air, Probe, RegisterMap
from agent.reconstruct.now import ProbeNow
from detectors.probe.heater import hot_resistance_ohm
from detectors.probe.humidity import damp_air_o2_frac
from detectors.probe.nernst import AIR_O2_FRAC

__all__ = ["AirSide", "Conditions", "Known", "believed", "conditions_at", "number_words"]

STATED_CELL_C: Final = 700.0  # common practice: the working temperature of most in-situ cells
STATED_HEAD_C: Final = 25.0  # a room
STATED_O2_PCT: Final = 3.0  # a usual excess-air reading, common practice
STATED_ROOM: Final = (25.0, 50.0)  # degC and % RH
DAMP_LIMIT: Final = (40.0, 70.0)  # degC and % RH: a hot damp boiler house, the far end when the air is not known
HOT_CELL_C: Final = (400.0, 1200.0)  # outside, a shown temperature is not that of a cell at work
# What can be believed of the signals that values are computed from; else the stated value serves, and is said to.
BELIEVED: Final = {
    "cell_temp": HOT_CELL_C,
    "cell_temp_setpoint": HOT_CELL_C,
    "head_temp": (-40.0, 200.0),
    "o2": (0.05, 20.0),
    "barometric_pressure": (50.0, 110.0),
    "supply_voltage": (1.0, 1000.0),
    "heater_resistance": (0.1, 10_000.0),
    "cell_emf": (-200.0, 1500.0),
    "stored_offset": (-200.0, 200.0),
    "stored_slope": (50.0, 150.0),
}


@dataclass(frozen=True, slots=True)
class Known:
    """A number and whether it is the probe's own or stated for want of one."""

    value: float
    own: bool
    words: str  # "cell 702 degC (now)" or "cell 700 degC (stated: not known now)"


@dataclass(frozen=True, slots=True)
class AirSide:
    """Air on one side of the cell: oxygen fractions as expected, and between which they may lie. [-]"""

    o2_frac: float
    low_frac: float
    high_frac: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What the values are computed for."""

    cell_c: Known
    setpoint_c: Known
    head_c: Known
    o2_pct: Known
    pressure_kpa: float
    reference: AirSide
    check_air: AirSide
    hot_ohm: float | None  # of the heater, from its rating
    rating: str  # in words
    damping_s: float | None  # of the display, where somebody configured it: the default is nobody's knowledge
    probe: Probe
    map: RegisterMap
    now: ProbeNow


def conditions_at(probe: Probe, map_: RegisterMap, now: ProbeNow) -> Conditions:
    """Conditions of a probe now; what is not known is stated and said to be."""
    setpoint = _known(now, "cell_temp_setpoint", STATED_CELL_C, "set point", "degC")
    cell = _known(now, "cell_temp", setpoint.value, "cell", "degC")
    pressure = believed(now, "barometric_pressure")
    pressure_kpa = probe.barometric_kpa if pressure is None else pressure
    volts, watts = probe.heater.rated_voltage, probe.heater.rated_power
    rated = volts is not None and watts is not None
    conventions = map_.conventions
    return Conditions(
        cell_c=cell,
        setpoint_c=setpoint,
        head_c=_known(now, "head_temp", STATED_HEAD_C, "head", "degC"),
        o2_pct=_known(now, "o2", STATED_O2_PCT, "reading", "% O2"),
        pressure_kpa=pressure_kpa,
        reference=_air(probe.reference_air, pressure_kpa, "reference"),
        check_air=_air(probe.check_air, pressure_kpa, "check air"),
        hot_ohm=hot_resistance_ohm(volts, watts) if volts is not None and watts is not None else None,
        damping_s=conventions.o2_damping_s if "o2_damping_s" in conventions.model_fields_set else None,
        rating=f"rated {volts:g} V, {watts:g} W" if rated else "heater rating not in the configuration",
        probe=probe,
        map=map_,
        now=now,
    )


def believed(now: ProbeNow, name: str) -> float | None:
    """A signal's value now; None where it is not known or cannot be (`BELIEVED`)."""
    value = now.value(name)
    low, high = BELIEVED[name]
    return value if value is not None and low <= value <= high else None


def number_words(value: float, digits: int) -> str:
    """To so many decimals; a wild one short."""
    return f"{value:.{digits}f}" if abs(value) < 1e6 else f"{value:.3g}"


def _known(now: ProbeNow, name: str, stated: float, word: str, unit: str) -> Known:
    shown, value = now.value(name), believed(now, name)
    digits = 2 if unit == "% O2" else 0
    if value is not None:
        return Known(value, True, f"{word} {value:.{digits}f} {unit} (now)")
    why = "not known now" if shown is None else f"shows {number_words(shown, digits)} {unit} now"
    return Known(stated, False, f"{word} {stated:.{digits}f} {unit} (stated: {why})")


def _air(air: Air, pressure_kpa: float, word: str) -> AirSide:
    dry = AIR_O2_FRAC
    if air.kind == "instrument":
        return AirSide(dry, dry, dry, f"{word} dry, 20.95 % O2")
    temp_c = STATED_ROOM[0] if air.temp_c is None else air.temp_c
    rh_pct = STATED_ROOM[1] if air.humidity is None else air.humidity
    room = float(damp_air_o2_frac(temp_c, rh_pct, pressure_kpa))
    wettest = min(room, float(damp_air_o2_frac(*DAMP_LIMIT, pressure_kpa)))
    if air.kind == "unknown":
        return AirSide(
            dry, wettest, dry, f"{word} taken as dry (not configured: room air would shift the value, allowed for)"
        )
    air_words = f"{word} room air {temp_c:.0f} degC {rh_pct:.0f} % RH, {100 * room:.2f} % O2"
    if air.temp_c is not None and air.humidity is not None:
        return AirSide(room, room, room, air_words)
    return AirSide(room, wettest, dry, f"{air_words} (stated: not configured)")
