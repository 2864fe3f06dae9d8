"""Water vapour in air: a damp reference holds less oxygen, and the emf falls by k ln(1 - p_w / P).

[1] R. W. Hyland, A. Wexler, "Formulations for the thermodynamic properties of the saturated phases of H2O from 173.15 K
    to 473.15 K", ASHRAE Transactions 89(2A), 500-519, 1983; printed as equations 5 and 6 of chapter 1 of the ASHRAE
    Handbook, Fundamentals, 2017.
[2] ISO 8573-1:2010, compressed air: purity class 4 for water is a pressure dew point of at most +3 degC.
"""

from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from detectors.probe.domain import Floats, Invalid, ProbeInputError, in_range
from detectors.probe.nernst import AIR_O2_FRAC, ZERO_C_IN_K, nernst_factor_mv

__all__ = [
    "STANDARD_PRESSURE_KPA",
    "AirKind",
    "Shift",
    "damp_air_o2_frac",
    "reference_shift_mv",
    "saturation_pressure_kpa",
    "water_frac",
]

AirKind = Literal["ambient", "instrument", "unknown"]

STANDARD_PRESSURE_KPA = 101.325
_TRIPLE_POINT_C = 0.01
# ln(p_ws / Pa) = c_-1 / T + c_0 + c_1 T + c_2 T^2 + c_3 T^3 + c_4 T^4 + c_ln ln T, T in kelvin [1]
_OVER_ICE = (
    -5.6745359e03,
    6.3925247,
    -9.6778430e-03,
    6.2215701e-07,
    2.0747825e-09,
    -9.4840240e-13,
    4.1635019,
)
_OVER_WATER = (-5.8002206e03, 1.3914993, -4.8640239e-02, 4.1764768e-05, -1.4452093e-08, 0.0, 6.5459673)

# What the air around a transmitter may be when nobody measured it: boiler houses, summer and winter (common practice).
_AMBIENT_TEMP_C = (5.0, 40.0)
_AMBIENT_RH_PCT = (30.0, 80.0)
# Instrument air dried to class 4 [2] at 7 bar gauge, or better: water at most p_ws(3 degC) / 0.8 MPa.
_INSTRUMENT_DEW_POINT_C = 3.0
_INSTRUMENT_PRESSURE_KPA = 801.0


class Shift(NamedTuple):
    """A shift of the emf and its standard uncertainty. [mV]"""

    mv: float
    u_mv: float


def saturation_pressure_kpa(temp_c: ArrayLike, *, invalid: Invalid = "raise") -> Floats:
    """Vapour pressure over water, below the triple point over ice [1]. [kPa]

    Parameters
    ----------
    temp_c : array_like
        -100 to 200. [degC]
    invalid : "raise" or "nan"
        What a temperature out of range becomes.

    Returns
    -------
    ndarray of float64, the input's shape
        NaN in, NaN out. [kPa]

    Raises
    ------
    ProbeInputError
        Out of range, unless `invalid="nan"`.

    Examples
    --------
    >>> round(float(saturation_pressure_kpa(20.0)), 4)
    2.3388
    """
    temp = in_range("temp_c", temp_c, at_least=-100.0, up_to=200.0, invalid=invalid)
    kelvin = temp + ZERO_C_IN_K
    logarithm = np.log(kelvin)
    over_water = _ln_pascal(kelvin, logarithm, _OVER_WATER)
    cold = temp < _TRIPLE_POINT_C
    if np.any(cold):
        over_water = np.where(cold, _ln_pascal(kelvin, logarithm, _OVER_ICE), over_water)
    return np.asarray(1e-3 * np.exp(over_water))


def water_frac(
    temp_c: ArrayLike,
    rh_pct: ArrayLike,
    pressure_kpa: ArrayLike = STANDARD_PRESSURE_KPA,
    *,
    invalid: Invalid = "raise",
) -> Floats:
    """Mole fraction of water in air, p_w / P; relative humidity is over water, ice below 0.01 degC. [-]

    Raises
    ------
    ProbeInputError
        rh_pct outside 0..100, pressure_kpa <= 0, or air that would boil (p_w >= P), unless `invalid="nan"`.
    """
    rh = in_range("rh_pct", rh_pct, at_least=0.0, up_to=100.0, invalid=invalid)
    pressure = in_range("pressure_kpa", pressure_kpa, above=0.0, invalid=invalid)
    vapour = 0.01 * rh * saturation_pressure_kpa(temp_c, invalid=invalid)
    return in_range("water_frac (p_w / P)", vapour / pressure, below=1.0, invalid=invalid)


def damp_air_o2_frac(
    temp_c: ArrayLike,
    rh_pct: ArrayLike,
    pressure_kpa: ArrayLike = STANDARD_PRESSURE_KPA,
    *,
    invalid: Invalid = "raise",
) -> Floats:
    """Oxygen mole fraction of damp air, 0.2095 (1 - p_w / P). Arguments and errors as for `water_frac`. [-]

    Examples
    --------
    >>> round(float(damp_air_o2_frac(25.0, 50.0, 101.325)), 4)
    0.2062
    """
    return np.asarray(AIR_O2_FRAC * (1.0 - water_frac(temp_c, rh_pct, pressure_kpa, invalid=invalid)))


def reference_shift_mv(
    cell_temp_c: float,
    kind: AirKind,
    *,
    temp_c: float | None = None,
    rh_pct: float | None = None,
    pressure_kpa: float = STANDARD_PRESSURE_KPA,
    temp_u_k: float = 2.0,
    rh_u_pct: float = 5.0,
) -> Shift:
    """What damp reference air adds to the emf, against dry; never positive. Damp gas on the other side subtracts it.

    Parameters
    ----------
    cell_temp_c : float
        [degC]
    kind : "ambient", "instrument" or "unknown"
        Where the air comes from. "unknown" may be either: half of the ambient shift, and wide.
    temp_c, rh_pct : float, optional
        Of ambient air, where known; NaN counts as unknown. The one that is unknown is spread over what a boiler house
        sees in a year (5..40 degC, 30..80 %; common practice).
    pressure_kpa : float
        Absolute. [kPa]
    temp_u_k, rh_u_pct : float
        Standard uncertainties of the known ones.

    Returns
    -------
    Shift
        Expected value and standard uncertainty. [mV]

    Raises
    ------
    ProbeInputError
        Unknown kind, or an input out of range.
    """
    factor = float(nernst_factor_mv(cell_temp_c))
    known_temp = None if temp_c is None or np.isnan(temp_c) else float(temp_c)
    known_rh = None if rh_pct is None or np.isnan(rh_pct) else float(rh_pct)
    ambient_mean, ambient_sd = _ambient_log(known_temp, known_rh, float(pressure_kpa), float(temp_u_k), float(rh_u_pct))
    dry_worst = float(np.log1p(-saturation_pressure_kpa(_INSTRUMENT_DEW_POINT_C) / _INSTRUMENT_PRESSURE_KPA))
    dry_mean, dry_sd = dry_worst / 2, abs(dry_worst) / np.sqrt(12.0)
    if kind == "ambient":
        mean, sd = ambient_mean, ambient_sd
    elif kind == "instrument":
        mean, sd = dry_mean, dry_sd
    elif kind == "unknown":  # an even mixture of the two
        mean = (ambient_mean + dry_mean) / 2
        sd = float(np.sqrt((ambient_sd**2 + dry_sd**2) / 2 + ((ambient_mean - dry_mean) / 2) ** 2))
    else:
        raise ProbeInputError(f"kind must be ambient, instrument or unknown, got {kind!r}")
    return Shift(factor * mean, float(factor * sd))


def _ln_pascal(kelvin: Floats, logarithm: Floats, c: tuple[float, ...]) -> Floats:
    polynomial = c[1] + kelvin * (c[2] + kelvin * (c[3] + kelvin * (c[4] + kelvin * c[5])))
    return np.asarray(c[0] / kelvin + polynomial + c[6] * logarithm)


@lru_cache(maxsize=64)
def _ambient_log(
    temp_c: float | None, rh_pct: float | None, pressure_kpa: float, temp_u_k: float, rh_u_pct: float
) -> tuple[float, float]:
    """Mean and standard deviation of ln(1 - p_w/P), over flat spreads of what is known and what is not."""
    temps = _spread(temp_c, temp_u_k, _AMBIENT_TEMP_C, lowest=-60.0, highest=80.0)
    rhs = _spread(rh_pct, rh_u_pct, _AMBIENT_RH_PCT, lowest=0.0, highest=100.0)
    values = np.log1p(-water_frac(temps[:, np.newaxis], rhs[np.newaxis, :], pressure_kpa))
    return float(values.mean()), float(values.std())


def _spread(
    known: float | None, u: float, unknown: tuple[float, float], *, lowest: float, highest: float, points: int = 41
) -> Floats:
    """Mid-points of equal steps over known +- u sqrt(3), or over the range of the unknown."""
    if known is None:
        low, high = unknown
    else:
        in_range("ambient temp_c or rh_pct", known, at_least=lowest, up_to=highest)
        low, high = known - u * np.sqrt(3.0), known + u * np.sqrt(3.0)
    steps = (np.arange(points) + 0.5) / points
    return np.clip(low + (high - low) * steps, lowest, highest)
