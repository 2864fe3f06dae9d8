"""The words for what a transmitter exposes: every measured signal with its unit and kind, and one sample of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf
from typing import Final

__all__ = ["FLAGS", "SIGNALS", "Kind", "Reason", "Sample", "Signal"]


class Kind(StrEnum):
    """How a signal's numbers behave."""

    ANALOG = "analog"
    FLAG = "flag"  # 0 or 1
    COUNTER = "counter"  # runs up, wraps or resets
    INTEGER = "integer"  # a code: never averaged


class Reason(StrEnum):
    """Why a value is missing. A closed set: every failure on the way from the wire is folded into one."""

    TIMEOUT = "timeout"  # no answer in time
    CONNECT = "connect"  # the endpoint or the port cannot be opened
    CLOSED = "closed"  # the connection ended while a request was out
    BACK_OFF = "back_off"  # not asked: the unit is dead and waits for its next try
    EXCEPTION = "exception"  # a Modbus exception reply
    MISMATCH = "mismatch"  # an answer to another request, of another unit or function
    LENGTH = "length"  # fewer or more registers than asked
    GARBLED = "garbled"  # not a Modbus frame, or a wrong checksum
    FOREIGN_MASTER = "foreign_master"  # somebody else speaks on this serial line
    SENTINEL = "sentinel"  # the map's own word for 'no value'
    NOT_FINITE = "not_finite"  # NaN or infinity in a float register
    IMPLAUSIBLE = "implausible"  # outside the map's plausible range
    CLAMPED = "clamped"  # at the end of the display's range: the true value is beyond it
    UNKNOWN_CODE = "unknown_code"  # a status word that the map does not list
    STALE = "stale"  # older than its source allows


@dataclass(frozen=True, slots=True)
class Signal:
    """One measured quantity of the contract.

    `possible`: what such a quantity can be at all, in its unit. A register that says otherwise holds no measurement: a
    wrong address, a wrong type, or a word for 'no value' that the map does not list. A map may set narrower limits.
    """

    name: str
    unit: str
    kind: Kind = Kind.ANALOG
    possible: tuple[float, float] = (-inf, inf)


def _signals(*rows: Signal) -> Mapping[str, Signal]:
    return {row.name: row for row in rows}


SIGNALS: Final = _signals(
    Signal("o2", "% vol", possible=(0, 100)),
    Signal("cell_emf", "mV", possible=(-1000, 2000)),
    Signal("cell_temp", "degC", possible=(-60, 1700)),
    Signal("cell_temp_setpoint", "degC", possible=(0, 1700)),
    Signal("head_temp", "degC", possible=(-60, 400)),
    Signal("thermocouple_emf", "mV", possible=(-20, 100)),
    Signal("heater_output", "%", possible=(-1, 101)),
    Signal("heater_on", "0/1", Kind.FLAG),
    Signal("heater_on_time", "s", Kind.COUNTER),
    Signal("heater_energy", "Wh", Kind.COUNTER),
    Signal("heater_current", "A", possible=(-0.1, 1000)),
    Signal("supply_voltage", "V", possible=(-0.1, 1000)),
    Signal("cell_resistance", "ohm", possible=(0, 1e12)),
    Signal("stored_offset", "mV", possible=(-1000, 1000)),
    Signal("stored_slope", "% of Nernst", possible=(0, 1000)),
    Signal("flue_temp", "degC", possible=(-60, 2000)),
    Signal("load", "%", possible=(-50, 300)),
    Signal("firing", "0/1", Kind.FLAG),
    Signal("flue_pressure", "kPa gauge", possible=(-100, 1000)),
    Signal("barometric_pressure", "kPa absolute", possible=(30, 120)),
    Signal("test_gas_o2", "% vol", possible=(0, 100)),
    Signal("test_gas_flow", "L/min", possible=(0, 1000)),
    Signal("reference_air_flow", "L/min", possible=(0, 1000)),
    Signal("blowback_active", "0/1", Kind.FLAG),
    Signal("furnace_purge_active", "0/1", Kind.FLAG),
    Signal("air_check_active", "0/1", Kind.FLAG),
    Signal("test_gas_active", "0/1", Kind.FLAG),
    Signal("calibrating", "0/1", Kind.FLAG),
    Signal("output_held", "0/1", Kind.FLAG),
    Signal("warming_up", "0/1", Kind.FLAG),
    Signal("fault", "0/1", Kind.FLAG),
    Signal("fault_code", "code", Kind.INTEGER),
    Signal("calibration_result", "code", Kind.INTEGER),
)

FLAGS: Final = tuple(name for name, signal in SIGNALS.items() if signal.kind is Kind.FLAG)


@dataclass(frozen=True, slots=True)
class Sample:
    """The signals of one probe at one instant.

    `values` holds what is known, in the units of `SIGNALS`; a missing value is absent here, never 0. `reasons` says
    why a mapped signal is absent; a poll that failed whole has no values and one reason for each mapped signal.
    """

    probe: str
    time_s: float  # UTC, seconds since 1970
    values: Mapping[str, float]
    reasons: Mapping[str, Reason] = field(default_factory=dict)
