"""The registers of one signal read in another way than the map says: what if order, type or scale differed?"""

from collections.abc import Sequence
from math import inf
from typing import Any

from agent.acquire.decode import CompiledMap
from agent.config.model import Register, RegisterMap
from agent.signals import Reason

__all__ = ["hex_words", "raw_number", "reading_of"]


def reading_of(name: str, register: Register, words: Sequence[int], **changes: Any) -> float | None:
    """The value of these registers, `changes` made to the map's word on them; None where they hold no finite number.

    Sentinels and the plausible range are left aside: it is for the caller to judge what comes out.
    """
    read = register.model_copy(update={"address": 0, "sentinels": (), "plausible": (-inf, inf), **changes})
    compiled = CompiledMap(RegisterMap(signals={name: read}))
    (block,) = compiled.plan
    if block.count != len(words):
        return None
    values: dict[str, float] = {}
    reasons: dict[str, Reason] = {}
    for decode in compiled.compile_block(block)[0]:
        decode(tuple(words), values, reasons)
    return values.get(name)


def raw_number(name: str, register: Register | None, words: Sequence[int]) -> float | None:
    """The number in the registers before scale and offset; a status word's code. None where there is none."""
    if not words:
        return None
    if register is None or register.bit is not None or register.table in ("coil", "discrete"):
        return float(words[0])
    return reading_of(name, register, words, scale=1.0, offset=0.0, invert=False)


def hex_words(register: Register | None, words: Sequence[int]) -> str:
    """Registers in hexadecimal as they came over the wire, a bit as it is."""
    if register is not None and register.table in ("coil", "discrete"):
        return str(words[0]) if words else ""
    return " ".join(f"{word:04X}" for word in words)
