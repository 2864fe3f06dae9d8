"""Values to registers, as a transmitter would hold them: the way back from what a map says about decoding.

Also what is left of a value after that way and back, for a history that carries what the registers would have said.
"""

import struct
from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from agent.config.model import Register, RegisterMap, StatusWord
from agent.register_value import values_of
from agent.simulate.physics import Floats

__all__ = ["Image", "as_read", "image_of", "raw_of", "words_of"]

Image = dict[str, dict[int, int]]  # table -> 0-based address -> 16-bit word, or bit in `coil` and `discrete`

FORMATS: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
LIMITS: Final = {"int16": (-(1 << 15), (1 << 15) - 1), "uint16": (0, (1 << 16) - 1)} | {
    "int32": (-(1 << 31), (1 << 31) - 1),
    "uint32": (0, (1 << 32) - 1),
}
BIT_TABLES: Final = ("coil", "discrete")


def is_bit(register: Register) -> bool:
    """Whether the register holds 0 or 1 and no number."""
    return register.table in BIT_TABLES or register.bit is not None or register.type == "bool"


def raw_of(register: Register, value: Floats) -> Floats:
    """The number in the register, shape of `value`: NaN where there is none.

    Integers are rounded, saturate at the ends of their type and step aside from a sentinel; counters wrap.
    """
    if is_bit(register):
        bit = np.where(np.isnan(value), np.nan, (value != 0) ^ register.invert)
        return np.asarray(bit, dtype=np.float64)
    if register.wraps_at is not None:
        value = value % register.wraps_at
    raw = (value - register.offset) / register.scale
    if register.type == "float32":
        return raw.astype(np.float32).astype(np.float64)
    if register.type == "float64":
        return raw
    low, high = LIMITS[register.type]
    raw = np.clip(np.rint(raw), low, high)
    for sentinel in register.sentinels:
        raw = np.where(raw == sentinel, sentinel - 1 if sentinel > 0 else sentinel + 1, raw)
    return raw


def as_read(register: Register, value: Floats) -> Floats:
    """What a reader that follows the map gets back, in engineering units; missing stays NaN."""
    raw = raw_of(register, value)
    if is_bit(register):
        return np.where(np.isnan(raw), np.nan, np.abs(raw - 1.0) if register.invert else raw)
    return values_of(register, raw)


def words_of(register: Register, value: float) -> tuple[int, ...]:
    """The 16-bit words of one number, in the order of their addresses. Missing is the first sentinel, or NaN.

    Raises ValueError for a missing value where the register has no way to say so.
    """
    raw = float(raw_of(register, np.array([value]))[0])
    if np.isnan(raw):
        if register.sentinels:
            raw = register.sentinels[0]
        elif not register.type.startswith("float"):
            raise ValueError(f"{register.type} at {register.address} has no sentinel to say that a value is missing")
    packed = struct.pack(FORMATS[register.type], raw if register.type.startswith("float") else int(raw))
    if len(packed) == 2:  # the order is that of wide values
        return struct.unpack(">H", packed)
    if register.order in ("cdab", "dcba"):  # least significant word first
        packed = b"".join(packed[i : i + 2] for i in range(len(packed) - 2, -1, -2))
    if register.order in ("badc", "dcba"):  # least significant byte of a word first
        packed = b"".join(packed[i : i + 2][::-1] for i in range(0, len(packed), 2))
    return struct.unpack(f">{len(packed) // 2}H", packed)


def status_code(word: StatusWord, values: Mapping[str, float]) -> int:
    """The code whose flags are those that are on; where there is none, the one that hides and adds fewest."""
    named = {flag for flags in word.values.values() for flag in flags}
    on = {flag for flag in named if values.get(flag, 0.0) == 1.0}
    return min(word.values, key=lambda code: (len(on - set(word.values[code])), len(word.values[code]), code))


def image_of(
    register_map: RegisterMap, values: Mapping[str, float], *, shift: int = 0, into: Image | None = None
) -> Image:
    """The registers of one probe; a signal that `values` lacks is missing. Flags that are missing read 0.

    `shift` is the probe's address_shift; with `into` the registers join those of other probes of one transmitter.
    """
    image: Image = {} if into is None else into
    for name, register in register_map.signals.items():
        table, address = image.setdefault(register.table, {}), register.address + shift
        value = values.get(name, np.nan)
        if is_bit(register):
            raw = float(raw_of(register, np.array([0.0 if np.isnan(value) else value]))[0])
            table[address] = table.get(address, 0) | int(raw) << (register.bit or 0)
        else:
            _put(table, address, words_of(register, value))
    for word in register_map.status_words.values():
        image.setdefault(word.table, {})[word.address + shift] = status_code(word, values)
    return image


def _put(table: dict[int, int], address: int, words: Iterable[int]) -> None:
    for k, word in enumerate(words):
        table[address + k] = word
