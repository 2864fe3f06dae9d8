"""Textbook physics of a hot zirconia probe, for the invented plant: arrays in, arrays out, no state.

Written on its own, so that what the plant does and what the detectors assume are two opinions and not one.

[1] W. Nernst, "Die elektromotorische Wirksamkeit der Jonen", Z. phys. Chem. 4, 129-181, 1889.
[2] O. A. Alduchov, R. E. Eskridge, "Improved Magnus form approximation of saturation vapor pressure",
    J. Appl. Meteorol. 35, 601-609, 1996. (coefficients from memory)
[3] F. P. Incropera, D. P. DeWitt, "Fundamentals of Heat and Mass Transfer": lumped capacitance (ch. 5), cylinder in
    cross flow, Nu about Re^0.5..0.6 (ch. 7). (from memory)
[4] R. C. Reid, J. M. Prausnitz, B. E. Poling, "The Properties of Gases and Liquids": gas diffusivity about T^1.75
    (Fuller). (from memory)
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "AIR_O2",
    "Floats",
    "cooling_c",
    "damp_air_o2",
    "diffusion_tau_s",
    "first_order",
    "first_order_twice",
    "full_power_w",
    "gas_losses_w",
    "head_losses_w",
    "nernst_factor_mv",
    "o2_from_emf",
    "saturation_vapour_kpa",
    "zirconia_emf_mv",
]

Floats = NDArray[np.float64]

GAS_CONSTANT = 8.314462618  # J/(mol K), exact since the SI of 2019
FARADAY = 96485.33212  # C/mol, exact since the SI of 2019
ELECTRONS_PER_O2 = 4
ZERO_CELSIUS_K = 273.15
AIR_O2 = 0.2095  # mole fraction of O2 in dry air, the round figure
STANDARD_KPA = 101.325


def _array(value: ArrayLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def nernst_factor_mv(cell_temp_c: ArrayLike) -> Floats:
    """RT/4F [1] of a cell at `cell_temp_c` [degC], in mV per unit of the natural logarithm."""
    return (_array(cell_temp_c) + ZERO_CELSIUS_K) * (GAS_CONSTANT / (ELECTRONS_PER_O2 * FARADAY) * 1e3)


def zirconia_emf_mv(
    o2_gas: ArrayLike,
    cell_temp_c: ArrayLike,
    *,
    o2_reference: ArrayLike = AIR_O2,
    overpressure: ArrayLike = 0.0,
    slope: float = 1.0,
    offset_mv: ArrayLike = 0.0,
) -> Floats:
    """Terminal emf [mV], slope x (RT/4F) ln(p_ref / p_gas) + offset [1]; positive in gas leaner than the reference.

    `o2_gas`, `o2_reference` are mole fractions, `overpressure` the gas side's pressure over the reference's, as a
    fraction of the reference's, `slope` a fraction of Nernst. NaN in, NaN out.
    """
    ratio = _array(o2_reference) / (_array(o2_gas) * (1.0 + _array(overpressure)))
    return slope * nernst_factor_mv(cell_temp_c) * np.log(ratio) + _array(offset_mv)


def o2_from_emf(
    emf_mv: ArrayLike, cell_temp_c: ArrayLike, *, stored_slope: float = 1.0, stored_offset_mv: ArrayLike = 0.0
) -> Floats:
    """What a transmitter shows [mole fraction]: equation [1] solved for the gas, with dry air and stored constants."""
    span = stored_slope * nernst_factor_mv(cell_temp_c)
    return AIR_O2 * np.exp(-(_array(emf_mv) - _array(stored_offset_mv)) / span)


def saturation_vapour_kpa(temp_c: ArrayLike) -> Floats:
    """Vapour pressure of water at saturation [kPa], Magnus form [2]; good to 0.4 % between -40 and 50 degC."""
    temp = _array(temp_c)
    return 0.61094 * np.exp(17.625 * temp / (temp + 243.04))


def damp_air_o2(temp_c: ArrayLike, humidity_pct: ArrayLike, pressure_kpa: float = STANDARD_KPA) -> Floats:
    """O2 mole fraction of air with its water left in: 0.2095 (1 - p_w / P)."""
    vapour_kpa = saturation_vapour_kpa(temp_c) * _array(humidity_pct) / 100.0
    return AIR_O2 * (1.0 - vapour_kpa / pressure_kpa)


def gas_losses_w(
    cell_temp_c: ArrayLike, flue_temp_c: ArrayLike, load_pct: ArrayLike, *, still_w_per_k: float, moving_w_per_k: float
) -> Floats:
    """Heat from the cell to the flue gas [W]: conductance grows with the root of gas flow, and so of load [3]."""
    conductance = still_w_per_k + moving_w_per_k * np.sqrt(_array(load_pct) / 100.0)
    return conductance * (_array(cell_temp_c) - _array(flue_temp_c))


def head_losses_w(cell_temp_c: ArrayLike, head_temp_c: ArrayLike, *, w_per_k: float) -> Floats:
    """Heat along the probe to its head [W], conduction only."""
    return w_per_k * (_array(cell_temp_c) - _array(head_temp_c))


def full_power_w(supply_v: ArrayLike, resistance_ohm: ArrayLike) -> Floats:
    """Power of the heater when on all the time [W], V^2/R; the duty is the losses over this."""
    return _array(supply_v) ** 2 / _array(resistance_ohm)


def cooling_c(elapsed_s: ArrayLike, *, from_c: ArrayLike, to_c: ArrayLike, tau_s: float) -> Floats:
    """Temperature of a lumped body `elapsed_s` after it was left to itself [degC], Newton's law of cooling [3]."""
    to = _array(to_c)
    return to + (_array(from_c) - to) * np.exp(-np.maximum(_array(elapsed_s), 0.0) / tau_s)


def diffusion_tau_s(tau_s: float, gas_temp_c: ArrayLike, *, at_temp_c: float) -> Floats:
    """Time constant of a filter at another gas temperature [s]: inverse to diffusivity, about T^1.75 [4]."""
    ratio = (_array(gas_temp_c) + ZERO_CELSIUS_K) / (at_temp_c + ZERO_CELSIUS_K)
    return np.asarray(tau_s * ratio**-1.75)


def first_order(elapsed_s: ArrayLike, tau_s: ArrayLike) -> Floats:
    """What is left of a step `elapsed_s` after it, in one mixed volume of time constant `tau_s`: 1 falling to 0."""
    return np.exp(-_array(elapsed_s) / _array(tau_s))


def first_order_twice(elapsed_s: ArrayLike, tau_s: ArrayLike, damping_s: float) -> Floats:
    """What a display filter of time constant `damping_s` adds to its own decay while its input decays with `tau_s`.

    The solution of D y' = x - y for x = exp(-t/tau), y(0) = 0: tau/(tau - D) (exp(-t/tau) - exp(-t/D)). Where tau is
    D within a hundred-thousandth, and the formula would divide by zero, they are drawn apart by that much.
    """
    tau = _array(tau_s)
    tau = np.where(np.abs(tau - damping_s) < 1e-5 * damping_s, (1 + 1e-5) * damping_s, tau)
    elapsed = _array(elapsed_s)
    left = np.exp(-elapsed / tau) - np.exp(-elapsed / damping_s)
    return np.asarray(tau / (tau - damping_s) * left)
