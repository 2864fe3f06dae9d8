"""Emf of a heated zirconia cell, and back. Pure: arrays in, arrays out.

E = s k(T) ln(x_ref P_ref / (x_gas P_gas)) + c,   k = R T / (4 F)   [1]

with the slope s and the offset c that make a real cell differ from the ideal one. E is positive when the gas holds less
oxygen than the reference. Holds for an open circuit, no leak, no electronic conduction, and a gas at equilibrium on hot
electrodes: where fuel is left over, x is what remains after combustion, not what a cold sampler would find.

[1] W. Nernst, "Die elektromotorische Wirksamkeit der Jonen", Z. phys. Chem. 4, 129-181, 1889.
[2] BIPM, "The International System of Units (SI)", 9th edition, 2019: the defining constants.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from detectors.probe.domain import Floats, Invalid, in_range

__all__ = [
    "AIR_O2_FRAC",
    "FARADAY",
    "GAS_CONSTANT",
    "MV_PER_K",
    "ZERO_C_IN_K",
    "Slope",
    "cell_emf_mv",
    "d_emf_d_gas_pressure",
    "d_emf_d_o2",
    "d_emf_d_temp",
    "nernst_factor_mv",
    "o2_frac_from_emf",
    "slope_from_two_points",
]

_BOLTZMANN = 1.380649e-23  # J/K, exact [2]
_AVOGADRO = 6.02214076e23  # 1/mol, exact [2]
_ELEMENTARY_CHARGE = 1.602176634e-19  # C, exact [2]
_ELECTRONS_PER_O2 = 4
GAS_CONSTANT = _BOLTZMANN * _AVOGADRO  # J/(mol K)
FARADAY = _ELEMENTARY_CHARGE * _AVOGADRO  # C/mol
MV_PER_K = 1e3 * GAS_CONSTANT / (_ELECTRONS_PER_O2 * FARADAY)  # 0.0215433 mV per ln unit and kelvin
ZERO_C_IN_K = 273.15
ABSOLUTE_ZERO_C = -273.15
HOTTEST_C = 1e6  # no ceramic is; beyond it arithmetic overflows
# Oxygen in dry air, the round figure of the trade (common practice). The US Standard Atmosphere 1976 has 0.209476:
# 0.0024 mV at 700 degC, below anything a transmitter resolves.
AIR_O2_FRAC = 0.2095


def nernst_factor_mv(cell_temp_c: ArrayLike, *, invalid: Invalid = "raise") -> Floats:
    """k = R T / (4 F), the emf for a factor e between the two oxygen pressures. [mV]

    Parameters
    ----------
    cell_temp_c : array_like
        Cell temperature, > -273.15. [degC]
    invalid : "raise" or "nan"
        What an impossible temperature becomes.

    Returns
    -------
    ndarray of float64, the input's shape
        NaN in, NaN out. [mV]

    Raises
    ------
    ProbeInputError
        At or below absolute zero, or infinite, unless `invalid="nan"`.

    Examples
    --------
    >>> round(float(nernst_factor_mv(700.0)), 3)
    20.965
    """
    return MV_PER_K * (
        in_range("cell_temp_c", cell_temp_c, above=ABSOLUTE_ZERO_C, up_to=HOTTEST_C, invalid=invalid) + ZERO_C_IN_K
    )


def cell_emf_mv(
    o2_frac: ArrayLike,
    cell_temp_c: ArrayLike,
    *,
    ref_o2_frac: ArrayLike = AIR_O2_FRAC,
    pressure_ratio: ArrayLike = 1.0,
    slope_frac: ArrayLike = 1.0,
    offset_mv: ArrayLike = 0.0,
    invalid: Invalid = "raise",
) -> Floats:
    """Emf that the cell gives in a gas. [mV]

    Parameters
    ----------
    o2_frac : array_like, broadcastable
        Oxygen mole fraction of the (wet) gas, 0 < x <= 1. [-]
    cell_temp_c : array_like, broadcastable
        [degC]
    ref_o2_frac : array_like, broadcastable
        Oxygen mole fraction of the reference, 0 < x <= 1. [-]
    pressure_ratio : array_like, broadcastable
        P_ref / P_gas, absolute pressures, > 0. [-]
    slope_frac, offset_mv : array_like, broadcastable
        1 and 0 for an ideal cell. [-], [mV]
    invalid : "raise" or "nan"
        "nan" makes every value computed from an impossible input NaN, for measured data: a displayed 0.00 % O2 has no
        emf.

    Returns
    -------
    ndarray of float64, the broadcast shape
        NaN in, NaN out. [mV]

    Raises
    ------
    ProbeInputError
        An input out of range, unless `invalid="nan"`.

    Examples
    --------
    >>> round(float(cell_emf_mv(0.01, 700.0)), 2)
    63.78
    """
    gas = in_range("o2_frac", o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    ref = in_range("ref_o2_frac", ref_o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    ratio = in_range("pressure_ratio", pressure_ratio, above=0.0, invalid=invalid)
    offset = in_range("offset_mv", offset_mv, invalid=invalid)
    factor = in_range("slope_frac", slope_frac, invalid=invalid) * nernst_factor_mv(cell_temp_c, invalid=invalid)
    return np.asarray(factor * (np.log(ref * ratio) - np.log(gas)) + offset)


def o2_frac_from_emf(
    emf_mv: ArrayLike,
    cell_temp_c: ArrayLike,
    *,
    ref_o2_frac: ArrayLike = AIR_O2_FRAC,
    pressure_ratio: ArrayLike = 1.0,
    slope_frac: ArrayLike = 1.0,
    offset_mv: ArrayLike = 0.0,
    invalid: Invalid = "raise",
) -> Floats:
    """Oxygen mole fraction of the gas from the emf: the inverse of `cell_emf_mv`. [-]

    Parameters
    ----------
    emf_mv : array_like, broadcastable
        Finite. [mV]
    cell_temp_c, ref_o2_frac, pressure_ratio, offset_mv, invalid
        As for `cell_emf_mv`.
    slope_frac : array_like, broadcastable
        > 0. [-]

    Returns
    -------
    ndarray of float64, the broadcast shape
        Not clipped: an offset below zero in pure oxygen gives more than 1. [-]

    Raises
    ------
    ProbeInputError
        An input out of range, unless `invalid="nan"`.

    Examples
    --------
    >>> round(float(o2_frac_from_emf(40.7458, 700.0)), 5)
    0.03
    """
    emf = in_range("emf_mv", emf_mv, invalid=invalid)
    ref = in_range("ref_o2_frac", ref_o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    ratio = in_range("pressure_ratio", pressure_ratio, above=0.0, invalid=invalid)
    slope = in_range("slope_frac", slope_frac, above=0.0, invalid=invalid)
    offset = in_range("offset_mv", offset_mv, invalid=invalid)
    factor = slope * nernst_factor_mv(cell_temp_c, invalid=invalid)
    with np.errstate(over="ignore"):
        found = ref * ratio * np.exp((offset - emf) / factor)
    return in_range("o2_frac from emf_mv", found, invalid=invalid)  # e.g. -30 V of a mis-scaled register


def d_emf_d_o2(
    o2_frac: ArrayLike, cell_temp_c: ArrayLike, *, slope_frac: ArrayLike = 1.0, invalid: Invalid = "raise"
) -> Floats:
    """Change of emf per change of oxygen fraction, -s k / x; divide by 100 for mV per % O2. [mV]"""
    gas = in_range("o2_frac", o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    with np.errstate(over="ignore"):
        found = -np.asarray(slope_frac) * nernst_factor_mv(cell_temp_c, invalid=invalid) / gas
    return in_range("d_emf_d_o2", found, invalid=invalid)


def d_emf_d_temp(
    o2_frac: ArrayLike,
    *,
    ref_o2_frac: ArrayLike = AIR_O2_FRAC,
    pressure_ratio: ArrayLike = 1.0,
    slope_frac: ArrayLike = 1.0,
    invalid: Invalid = "raise",
) -> Floats:
    """Change of emf per change of cell temperature, s (R/4F) ln(x_ref P_ref / (x_gas P_gas)). [mV/K]"""
    gas = in_range("o2_frac", o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    ref = in_range("ref_o2_frac", ref_o2_frac, above=0.0, up_to=1.0, invalid=invalid)
    ratio = in_range("pressure_ratio", pressure_ratio, above=0.0, invalid=invalid)
    return np.asarray(np.asarray(slope_frac) * MV_PER_K * (np.log(ref * ratio) - np.log(gas)))


def d_emf_d_gas_pressure(
    cell_temp_c: ArrayLike,
    *,
    gas_pressure_kpa: ArrayLike = 101.325,
    slope_frac: ArrayLike = 1.0,
    invalid: Invalid = "raise",
) -> Floats:
    """Change of emf per kPa more on the gas side, -s k / P: why back-pressure looks like an offset. [mV/kPa]"""
    pressure = in_range("gas_pressure_kpa", gas_pressure_kpa, above=0.0, invalid=invalid)
    return np.asarray(-np.asarray(slope_frac) * nernst_factor_mv(cell_temp_c, invalid=invalid) / pressure)


class Slope(NamedTuple):
    """A slope from two gases and its standard uncertainty, both as fractions of Nernst's."""

    frac: float
    u_frac: float


def slope_from_two_points(
    *,
    gas_emf_mv: float,
    gas_o2_frac: float,
    gas_cell_temp_c: float,
    air_emf_mv: float,
    air_o2_frac: float,
    air_cell_temp_c: float,
    gas_u_mv: float = 0.0,
    air_u_mv: float = 0.0,
    gas_o2_rel_u: float = 0.0,
    temp_u_k: float = 0.0,
) -> Slope:
    """Slope from a test gas and air, whatever the offset in the two emfs does in common.

    s = (E_gas / k(T_gas) - E_air / k(T_air)) / ln(x_air / x_gas). The offset cancels exactly only at equal
    temperatures; the few kelvin between two gases leave c (1/k_gas - 1/k_air), 0.1 % of slope for 5 mV and 10 K at 8 %.

    Parameters
    ----------
    gas_emf_mv, air_emf_mv : float
        Settled values. [mV]
    gas_o2_frac, air_o2_frac : float
        0 < x <= 1, and not equal. [-]
    gas_cell_temp_c, air_cell_temp_c : float
        [degC]
    gas_u_mv, air_u_mv, gas_o2_rel_u, temp_u_k : float
        Standard uncertainties: of each emf, of the bottle relative to its value, of the temperature (common to both).
        The bottle counts most: 2 % of a 1 % bottle is 0.7 % of slope, of an 8 % bottle 2.1 %.

    Raises
    ------
    ProbeInputError
        An input out of range, or two gases too alike (|ln ratio| < 0.1) to tell a slope.
    """
    gas = float(in_range("gas_o2_frac", gas_o2_frac, above=0.0, up_to=1.0))
    air = float(in_range("air_o2_frac", air_o2_frac, above=0.0, up_to=1.0))
    span = float(np.log(air / gas))
    in_range("abs(ln(air_o2_frac / gas_o2_frac))", abs(span), at_least=0.1)
    k_gas, k_air = float(nernst_factor_mv(gas_cell_temp_c)), float(nernst_factor_mv(air_cell_temp_c))
    slope = (gas_emf_mv / k_gas - air_emf_mv / k_air) / span
    parts = (
        gas_u_mv / (k_gas * span),
        air_u_mv / (k_air * span),
        slope * gas_o2_rel_u / span,
        slope * temp_u_k * MV_PER_K / k_gas,
    )
    return Slope(slope, float(np.sqrt(sum(part * part for part in parts))))
