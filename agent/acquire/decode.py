"""From registers and bits to values in engineering units, or to the reason why there is none.

A map is compiled once; decoding one poll then touches no settings object. Orders of bytes and words, for a value whose
bytes are A B C D ... from the most significant: `abcd` as they are; `cdab` the words (registers) in reverse; `badc` the
two bytes of each word swapped; `dcba` both, which is every byte in reverse. float64 follows the same pattern: `cdab`
is GH EF CD AB, `badc` is BA DC FE HG, `dcba` is HG FE DC BA. A 16-bit value has one word: `badc` and `dcba` swap its
bytes, `abcd` and `cdab` do not.
"""

from collections.abc import Callable, Iterable, Mapping
from math import isfinite
from struct import Struct
from typing import Final

from agent.acquire.plan import Block, Span, make_plan
from agent.acquire.transport import Words
from agent.config.model import Register, RegisterMap, StatusWord
from agent.register_value import value_reader
from agent.signals import SIGNALS, Kind, Reason

__all__ = ["CompiledMap", "Decode", "register_width"]

Decode = Callable[[Words, dict[str, float], dict[str, Reason]], None]

_CODES: Final = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
_WIDTHS: Final = {"int16": 1, "uint16": 1, "bool": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4}


def register_width(register: Register) -> int:
    """How many addresses the value takes."""
    return 1 if register.table in ("coil", "discrete") else _WIDTHS[register.type]


def _raw_reader(kind: str, order: str, at: int) -> Callable[[Words], float]:
    """A function from a block's registers to the raw number that starts at index `at`."""
    width = _WIDTHS[kind]
    words_reversed, bytes_swapped = order in ("cdab", "dcba"), order in ("badc", "dcba")
    if width == 1 and not bytes_swapped:
        if kind == "int16":
            return lambda words: ((words[at] & 0xFFFF) ^ 0x8000) - 0x8000
        return lambda words: words[at]
    # Packing the words little-endian swaps their bytes; unpacking is always big-endian.
    pack = Struct(f"{'<' if bytes_swapped else '>'}{width}H").pack
    unpack = Struct(f">{_CODES.get(kind, 'H')}").unpack
    end = at + width
    if width == 1:
        return lambda words: float(unpack(pack(words[at]))[0])
    if words_reversed:
        if width == 2:
            second = at + 1
            return lambda words: float(unpack(pack(words[second], words[at]))[0])
        return lambda words: float(unpack(pack(*words[at:end][::-1]))[0])
    return lambda words: float(unpack(pack(*words[at:end]))[0])


def _sentinels(register: Register) -> frozenset[float]:
    """The map's 'no value' words as the decoded raw number can show them.

    A float32 register cannot hold every decimal, so the nearest float32 is meant; a sentinel above a signed type's
    range is given by its bits (65535 in an int16 is -1).
    """
    found: set[float] = set()
    for sentinel in register.sentinels:
        if register.type == "float32":
            single = Struct(">f")
            try:
                found.add(single.unpack(single.pack(sentinel))[0])
            except OverflowError:
                found.add(sentinel)
        elif register.type in ("int16", "int32"):
            size = 1 << (16 if register.type == "int16" else 32)
            found.add(sentinel - size if size / 2 <= sentinel < size else sentinel)
        else:
            found.add(sentinel)
    return frozenset(found)


def _compile_flag(name: str, register: Register, at: int) -> Decode:
    on, off = (0.0, 1.0) if register.invert else (1.0, 0.0)
    if register.table in ("coil", "discrete"):

        def decode_coil(words: Words, values: dict[str, float], reasons: dict[str, Reason]) -> None:  # noqa: ARG001
            values[name] = on if words[at] else off

        return decode_coil

    raw_of = _raw_reader("uint16" if register.bit is not None else register.type, register.order, at)
    sentinels = _sentinels(register)
    bit = register.bit

    def decode_word(words: Words, values: dict[str, float], reasons: dict[str, Reason]) -> None:
        raw = raw_of(words)
        if raw in sentinels:
            reasons[name] = Reason.SENTINEL
        elif bit is not None:
            values[name] = on if int(raw) >> bit & 1 else off
        elif not isfinite(raw):
            reasons[name] = Reason.NOT_FINITE
        else:
            values[name] = on if raw else off  # a whole word: 0 is off, anything else is on

    return decode_word


def _compile_number(name: str, register: Register, at: int, clamp: tuple[float, float] | None) -> Decode:
    raw_of = _raw_reader(register.type, register.order, at)
    value_of, scale = value_reader(register), register.scale
    sentinels = _sentinels(register)
    low, high = register.plausible if register.plausible is not None else SIGNALS[name].possible
    floats = register.type in ("float32", "float64")
    clamp_low, clamp_high = float("-inf"), float("inf")
    if clamp is not None:
        # Scaled integers do not land on a decimal exactly: a quarter of a count is no other value. Floats: float32 eps.
        slack = 1e-6 * (clamp[1] - clamp[0]) if floats else 0.25 * abs(scale)
        clamp_low, clamp_high = clamp[0] + slack, clamp[1] - slack

    def decode(words: Words, values: dict[str, float], reasons: dict[str, Reason]) -> None:
        raw = raw_of(words)
        if raw in sentinels:
            reasons[name] = Reason.SENTINEL
            return
        value = value_of(raw)
        if low <= value <= high and clamp_low < value < clamp_high and isfinite(value):
            values[name] = value
        elif not isfinite(value):
            reasons[name] = Reason.NOT_FINITE
        elif not low <= value <= high:
            reasons[name] = Reason.IMPLAUSIBLE
        else:
            reasons[name] = Reason.CLAMPED

    return decode


def _compile_status(word: StatusWord, at: int, elsewhere: frozenset[str]) -> tuple[Decode, tuple[str, ...]]:
    """The decoder of an enumerated word, and every flag that it gives; those `elsewhere` have their own register."""
    flags = tuple(sorted({flag for listed in word.values.values() for flag in listed} - elsewhere))
    table = {code: {flag: float(flag in listed) for flag in flags} for code, listed in word.values.items()}
    unknown = dict.fromkeys(flags, Reason.UNKNOWN_CODE)

    def decode(words: Words, values: dict[str, float], reasons: dict[str, Reason]) -> None:
        known = table.get(words[at])
        if known is None:
            for flag, reason in unknown.items():
                # Another word may have said that the flag is on; that it is off, only all of them together can say.
                if not values.get(flag):
                    values.pop(flag, None)
                    reasons[flag] = reason
            return
        for flag, value in known.items():
            if value:
                values[flag] = 1.0
                reasons.pop(flag, None)
            elif flag not in reasons:
                values.setdefault(flag, 0.0)

    return decode, flags


class CompiledMap:
    """A register map at one address shift, planned and ready to decode. Probes of one kind share it.

    Raises ValueError where the map cannot be read within its own limits; the message says which address.

    Attributes
    ----------
    spans : tuple of Span
        The addresses of every mapped value, shifted.
    names : tuple of str
        Every signal that the map can give, flags of status words included.
    plan : tuple of Block
        What one poll asks for.
    """

    def __init__(self, register_map: RegisterMap, address_shift: int = 0) -> None:
        self._map = register_map
        self._signals: list[tuple[Span, str, Register]] = [
            (Span(register.table, register.address + address_shift, register_width(register)), name, register)
            for name, register in register_map.signals.items()
        ]
        self._words: list[tuple[Span, StatusWord]] = [
            (Span(word.table, word.address + address_shift, 1), word) for word in register_map.status_words.values()
        ]
        self.spans: tuple[Span, ...] = tuple(
            sorted({span for span, _, _ in self._signals} | {span for span, _ in self._words})
        )
        flags = {flag for _, word in self._words for listed in word.values.values() for flag in listed}
        self.names: tuple[str, ...] = tuple(dict.fromkeys([*register_map.signals, *sorted(flags)]))
        self.plan: tuple[Block, ...] = tuple(
            make_plan(
                self.spans,
                max_registers=register_map.max_registers,
                max_bits=register_map.max_bits,
                bridge_gaps=register_map.bridge_gaps,
            )
        )
        self._compiled: dict[Block, tuple[tuple[Decode, ...], tuple[str, ...]]] = {}

    def compile_block(self, block: Block) -> tuple[tuple[Decode, ...], tuple[str, ...]]:
        """The decoders of what a block brings, and the names of those signals."""
        if block not in self._compiled:
            self._compiled[block] = self._compile_block(block)
        return self._compiled[block]

    def _compile_block(self, block: Block) -> tuple[tuple[Decode, ...], tuple[str, ...]]:
        members = set(block.spans)
        decoders: list[Decode] = []
        names: list[str] = []
        for span, word in self._words:
            if span in members:
                decode, flags = _compile_status(word, span.address - block.address, frozenset(self._map.signals))
                decoders.append(decode)
                names += flags
        for span, name, register in self._signals:
            if span in members:
                decoders.append(self._compile(name, register, span.address - block.address))
                names.append(name)
        return tuple(decoders), tuple(dict.fromkeys(names))

    def _compile(self, name: str, register: Register, at: int) -> Decode:
        kind = SIGNALS[name].kind if name in SIGNALS else Kind.ANALOG
        one_bit = register.bit is not None or register.type == "bool" or register.table in ("coil", "discrete")
        if one_bit or kind is Kind.FLAG:
            return _compile_flag(name, register, at)
        return _compile_number(name, register, at, self._map.conventions.o2_clamp if name == "o2" else None)

    def raw_words(self, results: Mapping[Block, Words]) -> dict[str, tuple[int, ...]]:
        """The registers or bits behind each signal, for people to see; a status word stands under each of its flags."""
        found: dict[str, tuple[int, ...]] = {}
        named: Iterable[tuple[Span, str]] = [
            *(
                (span, flag)
                for span, word in self._words
                for flag in {flag for listed in word.values.values() for flag in listed} - set(self._map.signals)
            ),
            *((span, name) for span, name, _ in self._signals),
        ]
        for block, words in results.items():
            for span, name in named:
                if span in block.spans:
                    at = span.address - block.address
                    found[name] = tuple(int(word) for word in words[at : at + span.width])
        return found
