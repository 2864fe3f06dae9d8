"""How well the values of one look are known: what registers round away, and what two polls can say of a counter."""

from collections.abc import Mapping
from math import hypot, sqrt
from typing import Final

from agent.config.model import RegisterMap
from agent.register_value import step_of
from detectors.probe.nernst import nernst_factor_mv

__all__ = ["duty_u", "uncertainty_of"]

_SQRT12: Final = sqrt(12.0)
_TICK_S: Final = 1.0  # of an on-time counter in a float, whose step does not show (common practice)


def uncertainty_of(name: str, values: Mapping[str, float], register_map: RegisterMap) -> float | None:
    """Standard uncertainty from rounding alone of a reconstructed value, in its unit; None where it cannot be told."""

    def step(signal: str) -> float:
        return step_of(register_map.signals.get(signal))

    def relative(signal: str) -> float:
        value = values.get(signal, 0.0)
        return step(signal) / _SQRT12 / abs(value) if value else 0.0

    if name == "cell_emf":
        return step("cell_emf") / _SQRT12 or None
    if name == "emf_residual" and values.get("o2", 0.0) > 0 and "cell_temp" in values:
        k_mv = float(nernst_factor_mv(values["cell_temp"], invalid="nan"))
        o2_step = register_map.conventions.o2_resolution or step("o2")
        kelvin = abs(values.get("cell_emf", 0.0)) / (values["cell_temp"] + 273.15) * step("cell_temp")
        return hypot(k_mv * o2_step / values["o2"], step("cell_emf"), kelvin) / _SQRT12 or None
    if name == "heater_resistance" and values.get(name):
        return abs(values[name]) * hypot(relative("supply_voltage"), relative("heater_current")) or None
    return None


def duty_u(duty: float, register_map: RegisterMap, span_s: float) -> float:
    """Standard uncertainty of a duty from a counter read twice, `span_s` apart: its steps, and a cycle cut short."""
    register = register_map.signals["heater_on_time"]
    step_s = _TICK_S if register.type.startswith("float") else abs(register.scale)
    cycle_s = register_map.conventions.heater_cycle_s
    if cycle_s is None:
        cut_s = duty * (1.0 - duty) * span_s  # the whole span may lie within one cycle
    else:
        left_s = abs(span_s - cycle_s * round(span_s / cycle_s))
        cut_s = min(left_s, duty * (1.0 - duty) * cycle_s)
    return hypot(step_s / sqrt(6.0), cut_s / sqrt(3.0)) / span_s
