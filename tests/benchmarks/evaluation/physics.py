"""Published physics of a hot zirconia cell, its heater and its filter, written anew for the evaluation.

Nothing here is shared with what is judged: constants come from the sources named at each.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

__all__ = [
    "AIR",
    "GAS_CONSTANT_OVER_4F",
    "ar1",
    "decayed",
    "diffusion_factor",
    "emf_mv",
    "firing_share",
    "lag",
    "nernst_mv_per_ln",
    "o2_from_emf",
    "phase_output",
    "water_vapour_pa",
]

Floats = NDArray[np.float64]

AIR = 0.2095  # O2 in dry air, mole fraction: the round figure of the trade (US Standard Atmosphere 1976: 0.209476)
# R / 4F, mV/K: R = 8.314462618 J/(mol K), F = 96485.33212 C/mol, exact since the SI of 2019.
GAS_CONSTANT_OVER_4F = 8.314462618 / (4.0 * 96485.33212) * 1e3


def nernst_mv_per_ln(temp_c: ArrayLike) -> Floats:
    """RT/4F [mV] at `temp_c` [degC]."""
    return GAS_CONSTANT_OVER_4F * (np.asarray(temp_c, np.float64) + 273.15)


def emf_mv(
    x_gas: ArrayLike, temp_c: ArrayLike, *, x_ref: ArrayLike = AIR, gas_over_ref_pressure: ArrayLike = 1.0
) -> Floats:
    """Ideal emf [mV] of gas with O2 fraction `x_gas` against `x_ref` (Nernst 1889), positive for leaner gas."""
    ratio = np.asarray(x_ref) / (np.maximum(x_gas, 1e-9) * np.asarray(gas_over_ref_pressure))
    return np.asarray(nernst_mv_per_ln(temp_c) * np.log(ratio))


def o2_from_emf(emf: ArrayLike, temp_c: ArrayLike, *, offset_mv: ArrayLike, slope: ArrayLike) -> Floats:
    """What a transmitter shows [O2 fraction] that takes its reference as dry air."""
    exponent = (np.asarray(emf) - offset_mv) / (np.asarray(slope) * nernst_mv_per_ln(temp_c))
    return np.asarray(AIR * np.exp(-np.clip(exponent, -3.0, 60.0)))


def water_vapour_pa(temp_c: ArrayLike, humidity_pct: ArrayLike) -> Floats:
    """Partial pressure of water [Pa]; Magnus formula with the constants of WMO-No. 8 (2008), -45 to 60 degC."""
    t = np.asarray(temp_c, np.float64)
    return np.asarray(611.2 * np.exp(17.62 * t / (243.12 + t)) * np.asarray(humidity_pct) / 100.0)


def firing_share(output: ArrayLike) -> Floats:
    """Share of full power of a resistive load fired for the last `output` (0..1) of each half wave.

    P / P_full = u - sin(2 pi u) / (2 pi) with u the conduction angle over 180 degrees: integral of sin^2.
    """
    u = np.asarray(output, np.float64)
    return np.asarray(u - np.sin(2.0 * np.pi * u) / (2.0 * np.pi))


_U = np.linspace(0.0, 1.0, 2001)
_SHARE = firing_share(_U)


def phase_output(share: ArrayLike) -> Floats:
    """The conduction angle over 180 degrees that gives a `share` (0..1) of full power."""
    return np.interp(share, _SHARE, _U)


def diffusion_factor(temp_c: ArrayLike, ref_c: float) -> Floats:
    """Time constant of exchange by diffusion relative to that at `ref_c`: D grows with T^1.75 (Fuller et al. 1966)."""
    return np.asarray(((ref_c + 273.15) / (np.asarray(temp_c, np.float64) + 273.15)) ** 1.75)


def ar1(rng: np.random.Generator, n: int, sd: float, tau_steps: float, shape: Floats | None = None) -> Floats:
    """A stationary AR(1) series of `n` values; `shape` multiplies the innovations and gives the tails weight."""
    a = float(np.exp(-1.0 / max(tau_steps, 1e-6)))
    steps = rng.standard_normal(n) * (sd * np.sqrt(1.0 - a * a))
    if shape is not None:
        steps *= shape
    return np.asarray(lfilter([1.0], [1.0, -a], steps, zi=[a * rng.normal(0.0, sd)])[0])


def lag(x: Floats, tau_steps: float, start: float | None = None) -> Floats:
    """First-order lag of `x`, starting at rest at `start` (its first value when None)."""
    if tau_steps < 0.02 or x.size == 0:
        return x.copy()
    a = float(np.exp(-1.0 / tau_steps))
    first = x[0] if start is None else start
    return np.asarray(lfilter([1.0 - a], [1.0, -a], x, zi=[a * first])[0])


def decayed(u: Floats, tau_s: Floats, then_s: float | Floats) -> Floats:
    """exp(-u/tau) seen through another lag `then_s` that was at its start value 1 at u = 0; 1 for u < 0.

    Step response of two lags in series (textbook); with then_s = 0 the exponential itself.
    """
    u = np.maximum(u, 0.0)
    first = np.exp(-u / tau_s)
    second = np.broadcast_to(np.asarray(then_s, np.float64), u.shape)
    if not second.any():
        return np.asarray(first)
    like = np.abs(second - tau_s) < 0.01 * tau_s  # equal lags are the limit of unequal ones
    second = np.where(like, 0.9 * tau_s, second)
    late = np.exp(-u / np.maximum(second, 1e-3))
    unlike = (tau_s * first - second * late) / (tau_s - second)
    return np.asarray(np.where(like, (1.0 + u / tau_s) * first, unlike))
