"""The probe's heater: a resistor on the mains, switched or phase-cut, that loses to the flue what it takes.

V^2 duty / R = losses. `demand` = duty (V / Vnominal)^2 takes the mains out of the duty; ageing raises R, so duty and
demand rise while watts stay.

[1] J. G. Kassakian, M. F. Schlecht, G. C. Verghese, "Principles of Power Electronics", 1991: phase control.
[2] GB/T 1234, heating alloys: R at temperature over R at 20 degC, as one supplier prints it: shape and size, no digits.
"""

from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from detectors.probe.domain import Floats, Invalid, in_range

__all__ = [
    "ALLOY_CT_RANGE",
    "ALLOY_CT_UNKNOWN",
    "ColdResistance",
    "Increment",
    "Step",
    "cold_resistance_ohm",
    "cooling_temp_c",
    "cooling_time_constant_s",
    "counter_increment",
    "demand_frac",
    "duty_for_demand",
    "hot_resistance_ohm",
    "phase_angle_to_power_frac",
    "power_w",
]

# R(700 degC) / R(20 degC) over the usual heater alloys [2], and what to take where the alloy is unknown.
ALLOY_CT_RANGE = (0.99, 1.07)
ALLOY_CT_UNKNOWN = 1.04  # common practice


def demand_frac(duty_frac: ArrayLike, voltage_v: ArrayLike, nominal_v: float, *, invalid: Invalid = "raise") -> Floats:
    """Duty that the same heat would take at nominal supply: duty (V / Vnominal)^2. [-]

    Parameters
    ----------
    duty_frac : array_like, broadcastable
        Share of full power time, 0..1. [-]
    voltage_v : array_like, broadcastable
        Supply, r.m.s., >= 0. [V]
    nominal_v : float
        > 0. [V]
    invalid : "raise" or "nan"
        What an impossible value becomes.

    Raises
    ------
    ProbeInputError
        Out of range, unless `invalid="nan"` (nominal_v is always checked).

    Examples
    --------
    >>> round(float(demand_frac(0.498765, 207.0, 230.0)), 3)
    0.404
    """
    duty = in_range("duty_frac", duty_frac, at_least=0.0, up_to=1.0, invalid=invalid)
    return np.asarray(duty * _voltage_factor(voltage_v, nominal_v, invalid))


def duty_for_demand(demand: ArrayLike, voltage_v: ArrayLike, nominal_v: float, *, invalid: Invalid = "raise") -> Floats:
    """Duty that a demand takes at a supply voltage; above 1 the heater cannot hold it. Not clipped. [-]

    Raises
    ------
    ProbeInputError
        demand below 0, or voltage not above 0, unless `invalid="nan"`.
    """
    wanted = in_range("demand", demand, at_least=0.0, invalid=invalid)
    voltage = in_range("voltage_v", voltage_v, above=0.0, invalid=invalid)
    return np.asarray(wanted / _voltage_factor(voltage, nominal_v, invalid))


def power_w(
    voltage_v: ArrayLike, resistance_ohm: ArrayLike, duty_frac: ArrayLike = 1.0, lead_ohm: ArrayLike = 0.0
) -> Floats:
    """Power in the element, duty (V / (R + R_lead))^2 R, R_lead being both cores of the cable. [W]"""
    resistance = in_range("resistance_ohm", resistance_ohm, above=0.0)
    lead = in_range("lead_ohm", lead_ohm, at_least=0.0)
    voltage = in_range("voltage_v", voltage_v, at_least=0.0)
    return np.asarray(np.asarray(duty_frac) * (voltage / (resistance + lead)) ** 2 * resistance)


def hot_resistance_ohm(rated_v: float, rated_w: float) -> float:
    """Resistance at working temperature of an element rated hot: V^2 / P. [ohm]

    Raises
    ------
    ProbeInputError
        A rating that is not above zero.
    """
    in_range("rated_v", rated_v, above=0.0)
    in_range("rated_w", rated_w, above=0.0)
    return rated_v * rated_v / rated_w


class ColdResistance(NamedTuple):
    """What an ohmmeter shows on a cold, healthy element. [ohm]"""

    low: float
    expected: float
    high: float


def cold_resistance_ohm(hot_ohm: float, ct: float | None = None, *, tolerance_frac: float = 0.0) -> ColdResistance:
    """Resistance at 20 degC from the hot one, R_hot / CT.

    Parameters
    ----------
    hot_ohm : float
        > 0. [ohm]
    ct : float, optional
        R(hot) / R(20 degC) of the alloy, > 0. Unknown: 1.04 expected, and the whole span 0.99..1.07 allowed.
    tolerance_frac : float
        Widens the range on both sides, for the element's own tolerance. [-]

    Raises
    ------
    ProbeInputError
        hot_ohm or ct not above zero, tolerance outside 0..1.
    """
    in_range("hot_ohm", hot_ohm, above=0.0)
    in_range("tolerance_frac", tolerance_frac, at_least=0.0, below=1.0)
    if ct is not None:
        in_range("ct", ct, above=0.0)
    smallest, largest = (ct, ct) if ct is not None else ALLOY_CT_RANGE
    expected = hot_ohm / (ct if ct is not None else ALLOY_CT_UNKNOWN)
    return ColdResistance(hot_ohm / largest * (1 - tolerance_frac), expected, hot_ohm / smallest * (1 + tolerance_frac))


def phase_angle_to_power_frac(angle_frac: ArrayLike, *, invalid: Invalid = "raise") -> Floats:
    """Share of full power of a resistor that conducts for the last `angle_frac` of each half wave [1]. [-]

    With the firing angle a = pi (1 - angle_frac): P / Pmax = 1 - a/pi + sin(2a) / (2 pi).

    Parameters
    ----------
    angle_frac : array_like
        Conduction angle over pi, 0..1. [-]
    invalid : "raise" or "nan"
        What a value out of range becomes.

    Examples
    --------
    >>> float(phase_angle_to_power_frac(0.5))
    0.5
    """
    angle = in_range("angle_frac", angle_frac, at_least=0.0, up_to=1.0, invalid=invalid)
    return np.asarray(np.clip(angle - np.sin(2 * np.pi * angle) / (2 * np.pi), 0.0, 1.0))  # clips rounding only


class Step(StrEnum):
    """How a running counter came from one value to the next."""

    FORWARD = "forward"
    WRAPPED = "wrapped"
    RESET = "reset"
    UNKNOWN = "unknown"


class Increment(NamedTuple):
    """What a counter gained. `amount` is NaN where it cannot be told."""

    amount: float
    step: Step


def counter_increment(
    prev: float, now: float, wraps_at: float | None = None, *, largest_step: float | None = None
) -> Increment:
    """What a running counter gained between two readings, telling a wrap from a reset.

    Parameters
    ----------
    prev, now : float
        Readings; NaN is missing.
    wraps_at : float, optional
        The value at which the counter starts again from 0 (65536 for 16 bits of seconds). None: it never does.
    largest_step : float, optional
        The most it can have gained, for on-time the seconds between the readings, with some margin. Without it half of
        `wraps_at` is the most that is believed.

    Returns
    -------
    Increment
        `forward` and `wrapped` carry the gain. After a `reset` the counter lost what it had: what it shows now is the
        least it gained, but the true gain is not known, so NaN. More than it can have gained, or a missing reading, is
        `unknown`.
    """
    if not (np.isfinite(prev) and np.isfinite(now)) or prev < 0 or now < 0:
        return Increment(float("nan"), Step.UNKNOWN)
    gain = now - prev
    most = largest_step if largest_step is not None else (wraps_at / 2 if wraps_at is not None else np.inf)
    if gain >= 0:
        return Increment(gain, Step.FORWARD) if gain <= most else Increment(float("nan"), Step.UNKNOWN)
    if wraps_at is not None and prev < wraps_at and gain + wraps_at <= most:
        return Increment(gain + wraps_at, Step.WRAPPED)
    return Increment(float("nan"), Step.RESET)


def cooling_temp_c(elapsed_s: ArrayLike, start_c: ArrayLike, end_c: ArrayLike, tau_s: ArrayLike) -> Floats:
    """Temperature of an unheated cell: end + (start - end) exp(-t / tau), first order. [degC]

    Raises
    ------
    ProbeInputError
        tau_s not above zero, elapsed_s below zero.
    """
    tau = in_range("tau_s", tau_s, above=0.0)
    elapsed = in_range("elapsed_s", elapsed_s, at_least=0.0)
    start, end = np.asarray(start_c, dtype=np.float64), np.asarray(end_c, dtype=np.float64)
    return np.asarray(end + (start - end) * np.exp(-elapsed / tau))


def cooling_time_constant_s(time_s: ArrayLike, temp_c: ArrayLike, end_c: float) -> float:
    """Time constant of a fall towards a known end, by a straight line through ln(T - end). [s]

    The end has to be known (the flue): fitted freely on a short record it is worthless.

    Parameters
    ----------
    time_s, temp_c : array_like, shape (n,)
        NaN and what is not above `end_c` is left out.

    Returns
    -------
    float
        NaN where the temperature does not fall, or with fewer than three samples.
    """
    time, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        use = np.isfinite(time) & np.isfinite(temp) & (temp > end_c)
    if np.count_nonzero(use) < 3:
        return float("nan")
    excess = temp[use] - end_c
    weight = excess**2  # equal noise in T is noise of 1/excess in its logarithm
    t = time[use] - float(np.average(time[use], weights=weight))
    spread = float(np.sum(weight * t * t))
    slope = float(np.sum(weight * t * np.log(excess))) / spread if spread > 0 else 0.0
    return -1.0 / slope if slope < 0 else float("nan")


def _voltage_factor(voltage_v: ArrayLike, nominal_v: float, invalid: Invalid) -> Floats:
    in_range("nominal_v", nominal_v, above=0.0)
    voltage = in_range("voltage_v", voltage_v, at_least=0.0, invalid=invalid)
    return np.asarray((voltage / nominal_v) ** 2)
