"""The conditions at one probe that a check's values are computed for: known ones, and stated ones where unknown."""

from dataclasses import dataclass
from typing import Final

from agent.config.model import Air, Probe, RegisterMap
from agent.reconstruct.now import ProbeNow
from detectors.probe.heater import hot_resistance_ohm
from detectors.probe.humidity import damp_air_o2_frac
from detectors.probe.nernst import AIR_O2_FRAC

__all__ = ["AirSide", "Conditions", "Known", "conditions_at"]

STATED_CELL_C: Final = 700.0  # common practice: the working temperature of most in-situ cells
STATED_HEAD_C: Final = 25.0  # a room
STATED_O2_PCT: Final = 3.0  # a usual excess-air reading, common practice
STATED_ROOM: Final = (25.0, 50.0)  # degC and % RH
DAMP_LIMIT: Final = (40.0, 70.0)  # degC and % RH: a hot damp boiler house, the far end when the air is not known
HOT_CELL_C: Final = 400.0  # below this a shown temperature is that of a cell being off, not of a check on a hot one


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
    probe: Probe
    map: RegisterMap
    now: ProbeNow


def conditions_at(probe: Probe, map_: RegisterMap, now: ProbeNow) -> Conditions:
    """Conditions of a probe now; what is not known is stated and said to be."""
    setpoint = _known(now, "cell_temp_setpoint", STATED_CELL_C, "set point", "degC")
    shown = now.value("cell_temp")
    if shown is not None and shown >= HOT_CELL_C:
        cell = Known(shown, True, f"cell {shown:.0f} degC (now)")
    else:
        why = "not known now" if shown is None else f"shows {shown:.0f} degC now, the check is for a hot cell"
        cell = Known(setpoint.value, False, f"cell {setpoint.value:.0f} degC (stated: {why})")
    pressure = now.value("barometric_pressure")
    pressure_kpa = probe.barometric_kpa if pressure is None else pressure
    volts, watts = probe.heater.rated_voltage, probe.heater.rated_power
    rated = volts is not None and watts is not None
    return Conditions(
        cell_c=cell,
        setpoint_c=setpoint,
        head_c=_known(now, "head_temp", STATED_HEAD_C, "head", "degC"),
        o2_pct=_known(now, "o2", STATED_O2_PCT, "reading", "% O2", above=0.05),
        pressure_kpa=pressure_kpa,
        reference=_air(probe.reference_air, pressure_kpa, "reference"),
        check_air=_air(probe.check_air, pressure_kpa, "check air"),
        hot_ohm=hot_resistance_ohm(volts, watts) if volts is not None and watts is not None else None,
        rating=f"rated {volts:g} V, {watts:g} W" if rated else "heater rating not in the configuration",
        probe=probe,
        map=map_,
        now=now,
    )


def _known(now: ProbeNow, name: str, stated: float, word: str, unit: str, *, above: float | None = None) -> Known:
    value = now.value(name)
    digits = 2 if unit == "% O2" else 0
    if value is None or (above is not None and value <= above):
        return Known(stated, False, f"{word} {stated:.{digits}f} {unit} (stated: not known now)")
    return Known(value, True, f"{word} {value:.{digits}f} {unit} (now)")


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
