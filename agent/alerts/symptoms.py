"""Every symptom: whom it concerns, how fast it moves, what it means for the device, and which check comes first.

Status signals are those of NAMUR NE 107. Which check comes first is settled in the hands-on checks' own table. Delays:
where the time is part of the evidence (two minutes of full duty, 14 days of demand) the detector holds it and the
on-delay here is zero; an on-delay is what the alert adds.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

__all__ = [
    "DAY_S",
    "FAST_OFF_DELAY_S",
    "SLOW_OFF_DELAY_S",
    "SYMPTOMS",
    "Audience",
    "Priority",
    "Speed",
    "StatusSignal",
    "Symptom",
    "symptom",
    "worst_signal",
]

DAY_S: Final = 86_400.0
FAST_OFF_DELAY_S: Final = 3_600.0
SLOW_OFF_DELAY_S: Final = 7 * DAY_S


class Audience(StrEnum):
    """Whom an alert is for."""

    OPERATOR = "operator"
    TECHNICIAN = "technician"
    PLANT_IT = "plant_it"


class Speed(StrEnum):
    """Whether a symptom moves in minutes or in weeks."""

    FAST = "fast"
    SLOW = "slow"


class Priority(StrEnum):
    """By consequence, lowest first."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"

    def raised(self, steps: int = 1) -> "Priority":
        """So many steps higher, the highest at most."""
        order = list(Priority)
        return order[min(order.index(self) + steps, len(order) - 1)]


class StatusSignal(StrEnum):
    """NAMUR NE 107, worst first: invalid, invalid for now because of work, uncertain, valid with wear near its end."""

    FAILURE = "failure"
    FUNCTION_CHECK = "function_check"
    OUT_OF_SPECIFICATION = "out_of_specification"
    MAINTENANCE_REQUIRED = "maintenance_required"


def worst_signal(signals: list[StatusSignal]) -> StatusSignal | None:
    """The one to show when several hold; None when none does. Order F, C, S, M (NE 107)."""
    return min(signals, key=list(StatusSignal).index, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """One row of the table. Delays in seconds."""

    name: str
    title: str  # a few words, for headlines and lists
    audience: Audience
    speed: Speed
    status_signal: StatusSignal
    priority: Priority
    first_check: str
    then_checks: tuple[str, ...] = ()
    suspects: tuple[str, ...] = ()  # parts usually at fault, the commonest first
    on_delay_s: float = 0.0
    suppressible: bool = True  # False: never hidden inside or behind another alert, nor shelved
    may_be_alarm: bool = False  # may be opted in as an alarm; everything else is an alert

    @property
    def off_delay_s(self) -> float:
        """How long the symptom must stay away before its alert ends."""
        return FAST_OFF_DELAY_S if self.speed is Speed.FAST else SLOW_OFF_DELAY_S


_O, _T, _I = Audience.OPERATOR, Audience.TECHNICIAN, Audience.PLANT_IT
_F, _S, _M = StatusSignal.FAILURE, StatusSignal.OUT_OF_SPECIFICATION, StatusSignal.MAINTENANCE_REQUIRED
_FAST, _SLOW = Speed.FAST, Speed.SLOW
_LOW, _MEDIUM, _HIGH = Priority.LOW, Priority.MEDIUM, Priority.HIGH


def _row(
    name: str,
    title: str,
    audience: Audience,
    speed: Speed,
    signal: StatusSignal,
    priority: Priority,
    checks: str,
    suspects: str,
    *,
    on_delay_s: float = 0.0,
    suppressible: bool = True,
    may_be_alarm: bool = False,
) -> Symptom:
    first, *then = checks.split()
    return Symptom(
        name=name,
        title=title,
        audience=audience,
        speed=speed,
        status_signal=signal,
        priority=priority,
        first_check=first,
        then_checks=tuple(then),
        suspects=tuple(suspects.split()),
        on_delay_s=on_delay_s,
        suppressible=suppressible,
        may_be_alarm=may_be_alarm,
    )


# fmt: off
_ROWS: Final = (
    _row("heater_duty_creep", "heater works harder than it used to", _T, _SLOW, _M, _LOW,
         "look_first heater_cold cell_on_test_gas", "heater wiring supply"),
    _row("heater_exhausted", "heater at its limit, cell below set point", _O, _FAST, _S, _MEDIUM,
         "look_first heater_cold heater_live", "heater supply wiring"),
    _row("heater_open", "full heater output, cell cooling down", _O, _FAST, _F, _MEDIUM,
         "heater_cold heater_live", "heater wiring supply"),
    _row("heater_uncontrolled", "hot with the controller at zero, or far over set point", _O, _FAST, _F, _HIGH,
         "heater_cold transmitter_inputs", "transmitter wiring", suppressible=False, may_be_alarm=True),
    _row("warm_up_failed", "cell did not reach its set point", _O, _FAST, _F, _MEDIUM,
         "look_first heater_cold heater_live", "heater supply wiring"),
    _row("temperature_hunting", "cell temperature swings", _T, _SLOW, _S, _LOW,
         "thermocouple_cold transmitter_inputs", "thermocouple transmitter"),
    _row("cell_offset_drift", "cell zero has drifted", _T, _SLOW, _M, _LOW,
         "reference_air cell_on_air two_flow_air", "cell reference_air filter"),
    _row("cell_slope_drift", "cell slope has drifted", _T, _SLOW, _S, _LOW,
         "cell_on_test_gas air_ingress thermocouple_cold", "cell thermocouple"),
    _row("cell_slow_response", "cell slow on test gas", _T, _SLOW, _M, _LOW,
         "cell_on_test_gas", "cell"),
    _row("slow_recovery", "slow to return to flue gas", _T, _SLOW, _M, _LOW,
         "look_first return_time two_flow_air", "filter cell transmitter"),
    _row("filter_back_pressure", "pressure builds behind the filter", _T, _SLOW, _M, _LOW,
         "two_flow_air", "filter"),
    _row("thermocouple_mismatch", "millivolts, head and shown temperature disagree", _T, _SLOW, _S, _LOW,
         "thermocouple_millivolts cold_junction transmitter_inputs", "cold_junction_sensor transmitter wiring"),
    _row("thermocouple_open", "thermocouple gives a burnout value", _O, _FAST, _F, _MEDIUM,
         "thermocouple_cold transmitter_inputs", "thermocouple wiring"),
    _row("thermocouple_shorted", "temperature falls too fast at full duty", _O, _FAST, _F, _HIGH,
         "thermocouple_cold transmitter_inputs", "thermocouple wiring"),
    _row("cold_junction_implausible", "head temperature cannot be right", _T, _FAST, _S, _LOW,
         "look_first cold_junction transmitter_inputs", "cold_junction_sensor wiring transmitter"),
    _row("reading_frozen", "reading stands still", _O, _FAST, _F, _MEDIUM,
         "look_first line_and_cable transmitter_inputs", "transmitter wiring"),
    _row("reading_noisy", "reading noisy", _T, _SLOW, _S, _LOW,
         "look_first cell_isolation transmitter_inputs", "wiring cell"),
    _row("reads_air_while_firing", "reads air while the unit fires", _O, _FAST, _F, _HIGH,
         "look_first air_ingress reference_air second_opinion", "process reference_air wiring", may_be_alarm=True),
    _row("fuel_rich_reading", "reads fuel-rich", _O, _FAST, _S, _HIGH,
         "look_first second_opinion", "process"),
    _row("probe_disagreement", "disagrees with its twin", _O, _FAST, _S, _MEDIUM,
         "second_opinion air_ingress", "process cell reference_air"),
    _row("constants_inconsistent", "reading does not follow from its own millivolts", _T, _FAST, _S, _LOW,
         "look_first cell_on_test_gas", "transmitter"),
    _row("calibration_suspect", "last calibration in doubt", _T, _FAST, _S, _MEDIUM,
         "look_first cell_on_test_gas", "test_gas transmitter"),
    _row("transmitter_fault", "transmitter reports a fault", _T, _FAST, _F, _MEDIUM,
         "look_first transmitter_inputs", "transmitter", on_delay_s=60.0),
    _row("check_without_effect", "a check moved nothing", _T, _FAST, _S, _LOW,
         "look_first cell_on_test_gas", "test_gas transmitter"),
    # On-delay: the time in which the silence of a line's other probes is gathered, so that a dead line is one alert.
    _row("no_communication", "no communication", _I, _FAST, _F, _MEDIUM,
         "line_and_cable", "line transmitter", on_delay_s=60.0),
    _row("check_overdue", "check overdue", _T, _SLOW, _M, _LOW,
         "cell_on_air", "cell"),
    _row("calibration_due", "calibration due after a repair", _T, _SLOW, _M, _LOW,
         "cell_on_test_gas cell_on_air", "cell"),
)
# fmt: on

SYMPTOMS: Final[Mapping[str, Symptom]] = {row.name: row for row in _ROWS}


def symptom(name: str) -> Symptom:
    """The row of a symptom; ValueError naming it when there is none."""
    try:
        return SYMPTOMS[name]
    except KeyError:
        raise ValueError(f"there is no symptom {name!r}; known are {', '.join(SYMPTOMS)}") from None
