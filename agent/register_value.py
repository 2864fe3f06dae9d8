"""The number that a register stands for: the decimal that its maker meant, not what binary arithmetic leaves of it.

703 counts of 0.1 are 70.3, and a float32 that shows 2.9876 is 2.9876: the float64 nearest to that decimal, whose
shortest text is the decimal again. So what detectors see live and what a file gives back are the same to the last bit,
and a file of history needs a few digits a value instead of seventeen.
"""

from collections.abc import Callable
from decimal import Decimal
from functools import partial
from math import isfinite
from struct import Struct
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Scaling", "step_of", "value_reader", "values_of"]

_FLOAT32: Final = Struct("<f")
_FLOAT32_MOST: Final = 1e38  # beyond it rounding to seven digits may leave the type's range
_DIGITS_MAX: Final = 22  # 10**22 is the largest power of ten that a float64 holds exactly
_EXACT: Final = 2.0**53
_NO_MEASUREMENT: Final = 1e-6  # so small is what a wrong word order gives, and no 0 may come of it; but for 0 itself


class Scaling(Protocol):
    """What of a register's description its value depends on."""

    @property
    def type(self) -> str:
        """As in a map: int16 ... float64."""

    @property
    def scale(self) -> float:
        """Value = raw x scale + offset."""

    @property
    def offset(self) -> float:
        """Value = raw x scale + offset."""

    @property
    def decimals(self) -> int | None:
        """Floats only: digits after the point that mean something."""


def step_of(register: Scaling | None) -> float:
    """The smallest step of a register's value, 0 where it is too fine to matter or unknown."""
    if register is None:
        return 0.0
    if register.type.startswith("float"):
        return 0.0 if register.decimals is None else float(10.0**-register.decimals)
    return abs(register.scale)


def value_reader(register: Scaling) -> Callable[[float], float]:
    """A function from the raw number to the value in engineering units."""
    scale, offset = register.scale, register.offset
    plain = scale == 1.0 and offset == 0.0
    if register.type.startswith("float"):
        if register.decimals is not None:
            return partial(_rounded, scale, offset, 10.0**register.decimals)
        read = _shortest32 if register.type == "float32" else float
        return read if plain else lambda raw: read(raw) * scale + offset
    if plain:
        return float
    parts = _whole(scale, offset)
    if parts is None:
        return lambda raw: raw * scale + offset
    times, plus, over = parts
    return lambda raw: (int(raw) * times + plus) / over  # whole numbers, and one division that rounds correctly


def values_of(register: Scaling, raw: NDArray[np.float64]) -> NDArray[np.float64]:
    """As `value_reader`, for an array, bit for bit; NaN stays NaN."""
    scale, offset = register.scale, register.offset
    plain = scale == 1.0 and offset == 0.0
    if register.type.startswith("float"):
        if register.decimals is not None:
            ten, value = 10.0**register.decimals, raw * scale + offset
            return np.where(np.abs(value) < _NO_MEASUREMENT, value, np.rint(value * ten) / ten)
        read = _shortest32_of(raw) if register.type == "float32" else raw
        return read if plain else read * scale + offset
    parts = None if plain else _whole(scale, offset)
    if parts is None:
        return raw if plain else raw * scale + offset
    times, plus, over = parts
    if raw.size and times and abs(times) * float(np.nanmax(np.abs(raw), initial=0.0)) + abs(plus) >= _EXACT:
        one = value_reader(register)
        return np.array([one(x) if isfinite(x) else np.nan for x in raw.tolist()], np.float64)
    return (raw * float(times) + float(plus)) / float(over)


def _whole(scale: float, offset: float) -> tuple[int, int, int] | None:
    """Whole numbers (t, p, q) with value = (raw x t + p) / q by the decimals that the map shows; None if outlandish."""
    slope, start = Decimal(repr(scale)), Decimal(repr(offset))
    digits = max(0, *(-int(found.as_tuple().exponent) for found in (slope, start)))
    if digits > _DIGITS_MAX or abs(scale) > _EXACT or abs(offset) > _EXACT:
        return None
    over = 10**digits
    return int(slope * over), int(start * over), over


def _rounded(scale: float, offset: float, ten: float, raw: float) -> float:
    value = raw * scale + offset
    if abs(value) < _NO_MEASUREMENT or not isfinite(value * ten):
        return value
    return round(value * ten) / ten


def _shortest32(raw: float) -> float:
    """The short decimal that this float32, and no other, is nearest to. Seven digits nearly always do, nine always.

    A whole number is its own decimal.
    """
    if not -_FLOAT32_MOST < raw < _FLOAT32_MOST or raw.is_integer():
        return float(raw)
    pack, unpack = _FLOAT32.pack, _FLOAT32.unpack
    found = float(f"{raw:.7g}")
    if unpack(pack(found))[0] == raw:
        return found
    found = float(f"{raw:.8g}")
    return found if unpack(pack(found))[0] == raw else float(f"{raw:.9g}")


def _shortest32_of(raw: NDArray[np.float64]) -> NDArray[np.float64]:
    size = np.abs(raw)
    whole = np.rint(raw) == raw
    easy = (
        ~whole & (size >= 1e-6) & (size < 1e9)
    )  # powers of ten up to 10**15 and products below 2**53: exact but for one step
    power = np.where(easy, 6 - np.floor(np.log10(np.where(easy, size, 1.0))), 0.0)
    out = np.array(raw, np.float64)
    left = easy.copy()
    for more in (0, 1, 2):
        ten = np.power(10.0, np.abs(power + more))
        up = power + more >= 0
        scaled = np.rint(np.where(up, raw * ten, raw / ten))
        found = np.where(up, scaled / ten, scaled * ten)
        good = left & (found.astype(np.float32) == raw)
        out[good] = found[good]
        left &= ~good
    odd: Any = np.flatnonzero(left | (~easy & ~whole & ~np.isnan(raw)))
    out[odd] = [_shortest32(x) for x in raw[odd].tolist()]
    return out
