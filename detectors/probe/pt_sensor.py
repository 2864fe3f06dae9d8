"""Platinum resistance sensors at the cold junction: IEC 60751:2022.

R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C only below 0 degC; -200 to 850 degC.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from detectors.probe.domain import Floats, Invalid, ProbeInputError, in_range

__all__ = ["PtClass", "dr_dt_ohm_per_k", "resistance_ohm", "temp_c_from_resistance", "tolerance_k"]

PtClass = Literal["AA", "A", "B", "C"]

_A = 3.9083e-3  # 1/K
_B = -5.775e-7  # 1/K^2
_C = -4.183e-12  # 1/K^4
LOWEST_C = -200.0
HIGHEST_C = 850.0
# Constant [K] and share of |t| [-], table 2 of the standard; the same for wire-wound and film.
_TOLERANCE: dict[str, tuple[float, float]] = {
    "AA": (0.1, 0.0017),
    "A": (0.15, 0.002),
    "B": (0.3, 0.005),
    "C": (0.6, 0.01),
}
_NEWTON_STEPS = 8


def resistance_ohm(temp_c: ArrayLike, r0: float = 1000.0, *, invalid: Invalid = "raise") -> Floats:
    """Resistance at a temperature. [ohm]

    Parameters
    ----------
    temp_c : array_like
        -200 to 850. [degC]
    r0 : float
        Resistance at 0 degC, > 0: 1000 for a Pt1000, 100 for a Pt100. [ohm]
    invalid : "raise" or "nan"
        What a temperature out of range becomes.

    Raises
    ------
    ProbeInputError
        Out of range, unless `invalid="nan"`; r0 not above zero.

    Examples
    --------
    >>> round(float(resistance_ohm(25.0, 1000.0)), 4)
    1097.3466
    """
    in_range("r0", r0, above=0.0)
    return np.asarray(r0 * _ratio(in_range("temp_c", temp_c, at_least=LOWEST_C, up_to=HIGHEST_C, invalid=invalid)))


def dr_dt_ohm_per_k(temp_c: ArrayLike, r0: float = 1000.0, *, invalid: Invalid = "raise") -> Floats:
    """Slope of the characteristic; arguments and errors as for `resistance_ohm`. [ohm/K]"""
    in_range("r0", r0, above=0.0)
    return np.asarray(r0 * _slope(in_range("temp_c", temp_c, at_least=LOWEST_C, up_to=HIGHEST_C, invalid=invalid)))


def temp_c_from_resistance(resistance: ArrayLike, r0: float = 1000.0, *, invalid: Invalid = "raise") -> Floats:
    """Temperature at a resistance: the inverse of `resistance_ohm`, exact to rounding. [degC]

    Parameters
    ----------
    resistance : array_like
        Between the resistances at -200 and 850 degC. [ohm]
    r0, invalid
        As for `resistance_ohm`.

    Raises
    ------
    ProbeInputError
        Out of range (a broken or shorted sensor), unless `invalid="nan"`.
    """
    in_range("r0", r0, above=0.0)
    low, high = (float(r0 * _ratio(np.asarray(end))) for end in (LOWEST_C, HIGHEST_C))
    ohm = in_range("resistance_ohm", resistance, at_least=low, up_to=high, invalid=invalid)
    ratio = ohm / r0
    # Exact above 0 degC, and a start below it that is never more than 2.5 K off.
    temp = np.asarray((-_A + np.sqrt(_A * _A - 4 * _B * (1 - ratio))) / (2 * _B))
    if np.any(ratio < 1):
        for _ in range(_NEWTON_STEPS):
            step = np.where(ratio < 1, (_ratio(temp) - ratio) / _slope(temp), 0.0)
            temp = temp - step
            if not np.any(np.abs(step) > 1e-10):
                break
    return temp


def tolerance_k(temp_c: ArrayLike, class_: PtClass = "B", *, invalid: Invalid = "raise") -> Floats:
    """Half-width of the tolerance band of a class, AA, A, B or C. [K]

    Raises
    ------
    ProbeInputError
        Unknown class; temperature out of range unless `invalid="nan"`.
    """
    if class_ not in _TOLERANCE:
        raise ProbeInputError(f"class_ must be one of {', '.join(_TOLERANCE)}, got {class_!r}")
    constant, share = _TOLERANCE[class_]
    temp = in_range("temp_c", temp_c, at_least=LOWEST_C, up_to=HIGHEST_C, invalid=invalid)
    return np.asarray(constant + share * np.abs(temp))


def _ratio(temp: Floats) -> Floats:
    cold = np.minimum(temp, 0.0)
    return np.asarray(1 + temp * (_A + temp * _B) + _C * (cold - 100) * cold**3)


def _slope(temp: Floats) -> Floats:
    cold = np.minimum(temp, 0.0)
    return np.asarray(_A + 2 * _B * temp + _C * (4 * cold - 300) * cold**2)
