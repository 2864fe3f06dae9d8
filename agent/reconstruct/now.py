"""What is known of one probe at this moment: what alerts, checks, `condition` and `read` speak from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

__all__ = ["Mode", "ProbeNow", "Trust", "Value"]


class Mode(StrEnum):
    """What a probe is doing."""

    IN_SERVICE = "in_service"
    WARMING_UP = "warming_up"
    AIR_CHECK = "air_check"
    TEST_GAS = "test_gas"
    BLOWBACK = "blowback"
    FURNACE_PURGE = "furnace_purge"
    RECOVERY = "recovery"
    IDLE_HOT = "idle_hot"
    OFF = "off"
    OUT_OF_SERVICE = "out_of_service"
    NO_DATA = "no_data"
    UNKNOWN = "unknown"


class Trust(StrEnum):
    """Whether the displayed reading can be believed now."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BAD = "bad"
    HELD = "held"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Value:
    """One known signal. `uncertainty` is standard, in the same unit; None where none is known."""

    value: float
    unit: str
    uncertainty: float | None = None
    source: Literal["measured", "reconstructed"] = "measured"
    at_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeNow:
    """The probe's present state. A signal that is not known is absent from `signals`.

    Names in `signals` are those of the contract: measured (`o2`, `cell_temp`, `head_temp`, `supply_voltage` ...) and
    reconstructed (`cell_emf`, `emf_residual`, `heater_duty` 0..1, `heater_demand`, `heater_watts`, `heater_resistance`,
    `raw_offset`, `remaining_offset`, `tau`).
    """

    probe: str
    at_s: float
    sample_at_s: float | None = None  # of the last valid sample
    mode: Mode = Mode.UNKNOWN
    trust: Trust = Trust.UNKNOWN
    steady_trust: Trust | None = None  # as it is in steady service: hold, checks and recoveries aside
    error_estimate: float | None = None  # % O2, displayed minus true
    error_direction: Literal["high", "low"] | None = None  # None: no known error
    signals: Mapping[str, Value] = field(default_factory=dict)

    def value(self, name: str) -> float | None:
        """A signal's value, None where it is not known."""
        found = self.signals.get(name)
        return None if found is None else found.value
