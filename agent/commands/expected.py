"""What each signal may be, and what it usually is: to notice a map that reads the right registers in the wrong way.

All limits are common practice of in-situ zirconia probes, wide on purpose: outside `believable` a value is taken for a
mistake of the map, not for a plant in trouble.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from agent.config.model import Register

__all__ = ["EXPECTED", "HOT_C", "WAYS", "Expected", "Way", "believable", "scaled"]

HOT_C: Final = (550.0, 900.0)  # a working cell

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Expected:
    """Limits in the unit of the signal. What another reading of the registers gives must be `usual` to be proposed."""

    believable: Range
    usual: Range


EXPECTED: Final = {
    "o2": Expected((-0.5, 26.0), (0.5, 22.0)),
    "cell_emf": Expected((-60.0, 1300.0), (-30.0, 200.0)),
    "cell_temp": Expected((-40.0, 900.0), HOT_C),
    "cell_temp_setpoint": Expected((300.0, 900.0), HOT_C),
    "head_temp": Expected((-40.0, 150.0), (-20.0, 90.0)),
    "thermocouple_emf": Expected((-2.0, 60.0), (15.0, 40.0)),
    "heater_output": Expected((-1.0, 101.0), (1.0, 100.0)),
    "heater_current": Expected((-0.1, 30.0), (0.05, 10.0)),
    "supply_voltage": Expected((0.0, 300.0), (20.0, 260.0)),
    "cell_resistance": Expected((0.0, 1e8), (1.0, 1e5)),
    "stored_offset": Expected((-60.0, 60.0), (-30.0, 30.0)),
    "stored_slope": Expected((60.0, 140.0), (80.0, 120.0)),
    "flue_temp": Expected((-40.0, 1400.0), (50.0, 900.0)),
    "load": Expected((-5.0, 150.0), (5.0, 120.0)),
    "flue_pressure": Expected((-20.0, 20.0), (-5.0, 5.0)),
    "barometric_pressure": Expected((50.0, 115.0), (70.0, 110.0)),
    "test_gas_o2": Expected((0.0, 100.0), (0.1, 21.0)),
    "test_gas_flow": Expected((0.0, 50.0), (0.1, 10.0)),
    "reference_air_flow": Expected((0.0, 50.0), (0.05, 10.0)),
    "heater_on_time": Expected((0.0, 1.6e9), (0.0, 1.6e9)),  # fifty years
    "heater_energy": Expected((0.0, 1e9), (0.0, 1e9)),
}

_TINY: Final = 1e-6  # a float with its words exchanged is most often some 1e-40


def believable(name: str, value: float, register: Register) -> bool:
    """Whether a number may be this signal's; a signal without limits believes everything but tiny floats."""
    if register.type.startswith("float") and 0 < abs(value) < _TINY:
        return False
    if register.wraps_at is not None and value > register.wraps_at:
        return False
    return name not in EXPECTED or EXPECTED[name].believable[0] <= value <= EXPECTED[name].believable[1]


@dataclass(frozen=True, slots=True)
class Way:
    """Another unit or scale in which a transmitter may give a signal."""

    text: str  # "in degF"
    convert: Callable[[float], float]
    factor: float  # on the map's scale
    shift: float = 0.0  # then on its offset

    def setting(self, register: Register) -> str:
        """The map's keys as they would be."""
        offset = register.offset * self.factor + self.shift
        told = f"scale = {register.scale * self.factor:.6g}"
        return f"{told}, offset = {offset:.6g}" if offset else told


def scaled(factor: float, text: str = "") -> Way:
    """The same unit, the scale another."""
    times = f"{factor:g} times" if factor > 1 else f"1/{1 / factor:g} of"
    return Way(text or f"{times} the value", lambda value: value * factor, factor)


_FAHRENHEIT: Final = Way("in degF", lambda value: (value - 32.0) / 1.8, 1 / 1.8, -32.0 / 1.8)
_KELVIN: Final = Way("in kelvin", lambda value: value - 273.15, 1.0, -273.15)
_TENS: Final = tuple(scaled(factor) for factor in (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0))
_TEMPERATURES: Final = (_FAHRENHEIT, _KELVIN, *_TENS)

WAYS: Final[dict[str, tuple[Way, ...]]] = {
    "o2": (scaled(100.0, "a fraction, not %"), scaled(1e-4, "in ppm"), *_TENS),
    "cell_emf": (scaled(1000.0, "in V, not mV"), scaled(0.001, "in uV, not mV"), *_TENS),
    "thermocouple_emf": (scaled(1000.0, "in V, not mV"), scaled(0.001, "in uV, not mV"), *_TENS),
    "heater_output": (scaled(100.0, "0 to 1, not %"), *_TENS),
    "stored_slope": (scaled(100.0, "a fraction, not %"), *_TENS),
    "load": (scaled(100.0, "0 to 1, not %"), *_TENS),
    "barometric_pressure": (scaled(0.1, "in hPa"), scaled(0.001, "in Pa"), *_TENS),
    "flue_pressure": (scaled(0.1, "in hPa"), scaled(0.001, "in Pa"), *_TENS),
    **dict.fromkeys(("cell_temp", "cell_temp_setpoint", "head_temp", "flue_temp"), _TEMPERATURES),
    **dict.fromkeys(
        ("heater_current", "supply_voltage", "stored_offset", "test_gas_o2", "test_gas_flow", "reference_air_flow"),
        _TENS,
    ),
}
