"""Thermocouple emf and back, by the reference functions of IEC 60584-1:2013.

The inverse solves the reference function itself (Newton, kept inside a bracket), so that forward and back agree to
rounding; the separate inverse polynomials of the tables are only good to some 0.05 K. Temperatures are ITS-90.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from detectors.probe.domain import Floats, Invalid, ProbeInputError, in_range
from detectors.probe.thermocouple_tables import REFERENCE_FUNCTIONS, TYPE_K_BUMP

__all__ = ["TYPES", "emf_mv", "range_c", "seebeck_mv_per_k", "temp_c_from_emf", "temp_c_from_terminal", "terminal_mv"]

TYPES = tuple(sorted(REFERENCE_FUNCTIONS))
# Type B falls until here and rises after; below, one emf has two temperatures and only the upper one is given back.
_TYPE_B_TURNS_AT_C = 21.020262
_TABLE_STEP_K = 10.0
_MAX_STEPS = 60
_CLOSE_MV = 1e-10  # 2.5e-9 K of type K


def range_c(type_: str = "K") -> tuple[float, float]:
    """Lowest and highest temperature of the reference function. [degC]"""
    pieces = _pieces(type_)
    return pieces[0][0], pieces[-1][1]


def emf_mv(temp_c: ArrayLike, type_: str = "K", *, invalid: Invalid = "raise") -> Floats:
    """Emf with the reference junction at 0 degC. [mV]

    Parameters
    ----------
    temp_c : array_like
        Within `range_c(type_)`. [degC]
    type_ : str
        One of B, E, J, K, N, R, S, T.
    invalid : "raise" or "nan"
        What a temperature out of range becomes.

    Returns
    -------
    ndarray of float64, the input's shape
        NaN in, NaN out. [mV]

    Raises
    ------
    ProbeInputError
        Unknown type; temperature out of range unless `invalid="nan"`.

    Examples
    --------
    >>> round(float(emf_mv(700.0, "K")), 3)
    29.129
    """
    low, high = range_c(type_)
    return _evaluate(in_range("temp_c", temp_c, at_least=low, up_to=high, invalid=invalid), type_, 0)


def seebeck_mv_per_k(temp_c: ArrayLike, type_: str = "K", *, invalid: Invalid = "raise") -> Floats:
    """Slope of the reference function, dE/dt; arguments and errors as for `emf_mv`. [mV/K]"""
    low, high = range_c(type_)
    return _evaluate(in_range("temp_c", temp_c, at_least=low, up_to=high, invalid=invalid), type_, 1)


def temp_c_from_emf(emf: ArrayLike, type_: str = "K", *, invalid: Invalid = "raise") -> Floats:
    """Temperature from an emf referred to 0 degC: the inverse of `emf_mv`. [degC]

    Parameters
    ----------
    emf : array_like
        Between the emfs at the ends of the range; for type B from its minimum at 21 degC upwards. [mV]
    type_, invalid
        As for `emf_mv`.

    Raises
    ------
    ProbeInputError
        Unknown type; emf out of range unless `invalid="nan"`. A reversed type K at work falls below the range: it is a
        fault, not a temperature.

    Examples
    --------
    >>> round(float(temp_c_from_emf(29.128974, "K")), 3)
    700.0
    """
    knots_c, knots_mv = _table(type_)
    wanted = in_range("emf_mv", emf, at_least=float(knots_mv[0]), up_to=float(knots_mv[-1]), invalid=invalid)
    shape, flat = wanted.shape, np.atleast_1d(wanted).ravel()
    place = np.clip(np.searchsorted(knots_mv, flat), 1, knots_mv.size - 1)
    low, high = knots_c[place - 1].copy(), knots_c[place].copy()
    temp = np.interp(flat, knots_mv, knots_c)
    for _ in range(_MAX_STEPS):
        miss = _evaluate(temp, type_, 0) - flat
        if not np.any(np.abs(miss) > _CLOSE_MV):
            break
        high = np.where(miss > 0, temp, high)
        low = np.where(miss < 0, temp, low)
        slope = _evaluate(temp, type_, 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            newton = temp - miss / slope
        inside = (newton >= low) & (newton <= high)  # false for NaN as well
        stepped = np.where(inside, newton, 0.5 * (low + high))
        if np.array_equal(stepped, temp, equal_nan=True):
            break
        temp = np.where(np.isnan(flat), np.nan, stepped)
    return np.asarray(temp.reshape(shape))


def terminal_mv(
    cell_temp_c: ArrayLike, head_temp_c: ArrayLike, type_: str = "K", *, invalid: Invalid = "raise"
) -> Floats:
    """What a meter shows on the thermocouple's terminals, both at `head_temp_c`: E(T_cell) - E(T_head). [mV]"""
    return np.asarray(emf_mv(cell_temp_c, type_, invalid=invalid) - emf_mv(head_temp_c, type_, invalid=invalid))


def temp_c_from_terminal(
    terminal: ArrayLike, head_temp_c: ArrayLike, type_: str = "K", *, invalid: Invalid = "raise"
) -> Floats:
    """Hot end's temperature from what a meter shows on terminals at `head_temp_c`. [degC]"""
    return temp_c_from_emf(np.asarray(terminal) + emf_mv(head_temp_c, type_, invalid=invalid), type_, invalid=invalid)


def _pieces(type_: str) -> tuple[tuple[float, float, tuple[float, ...]], ...]:
    try:
        return REFERENCE_FUNCTIONS[type_]
    except KeyError:
        raise ProbeInputError(f"thermocouple type must be one of {', '.join(TYPES)}, got {type_!r}") from None


@lru_cache(maxsize=32)
def _polynomials(type_: str, derivative: int) -> tuple[tuple[float, tuple[float, ...]], ...]:
    """(Upper end, coefficients from the highest power down) of each piece, derived as often as asked."""
    found = []
    for _, upper_c, coefficients in _pieces(type_):
        powers = np.polynomial.Polynomial(coefficients).deriv(derivative) if derivative else None
        kept = tuple(float(c) for c in powers.coef) if powers is not None else coefficients
        found.append((upper_c, kept[::-1]))
    return tuple(found)


def _evaluate(temp: Floats, type_: str, derivative: int) -> Floats:
    """The reference function or its first derivative, within its range; NaN stays NaN."""
    result = np.full(temp.shape, np.nan)
    below = -np.inf
    for upper_c, coefficients in _polynomials(type_, derivative):
        part = (temp > below) & (temp <= upper_c)
        below = upper_c
        if not part.any():
            continue
        t = temp[part]
        value = np.full(t.shape, coefficients[0])
        for coefficient in coefficients[1:]:
            value = value * t + coefficient
        if type_ == "K" and upper_c > 0:
            a0, a1, a2 = TYPE_K_BUMP
            bump = a0 * np.exp(a1 * (t - a2) ** 2)
            value = value + (bump if derivative == 0 else 2 * a1 * (t - a2) * bump)
        result[part] = value
    return result


@lru_cache(maxsize=16)
def _table(type_: str) -> tuple[Floats, Floats]:
    """Knots of the rising branch, for the first guess and its bracket."""
    low, high = range_c(type_)
    low = max(low, _TYPE_B_TURNS_AT_C) if type_ == "B" else low
    knots = np.append(np.arange(low, high, _TABLE_STEP_K), high)
    return knots, _evaluate(knots, type_, 0)
