"""What is wrong with a register map though each key alone is right: types, flags, overlaps, conventions."""

from collections.abc import Iterator

from agent.config.errors import Key, dotted
from agent.config.maps import Register, RegisterMap
from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.signals import FLAGS, SIGNALS, Kind

__all__ = ["FLOAT32_MAX", "WIDTHS", "check_maps", "width"]

Faults = Iterator[tuple[Key, str]]

WIDTHS = {"int32": 2, "uint32": 2, "float32": 2, "float64": 4}  # registers of 16 bit; all others take one
FLOAT32_MAX = 3.4028234663852886e38  # (2 - 2**-23) * 2**127, IEEE 754
_RANGES = {
    "int16": (-(2**15), 2**15 - 1),
    "uint16": (0, 2**16 - 1),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
    "float32": (-FLOAT32_MAX, FLOAT32_MAX),
}
_ONE_BIT = ("coil", "discrete")


def width(register: Register) -> int:
    """How many addresses a register's value takes."""
    return WIDTHS.get(register.type, 1)


def check_maps(settings: Settings) -> Faults:
    """All faults of all maps."""
    for name, kind in settings.maps.items():
        at = ("maps", name)
        if not kind.signals and not kind.status_words:
            yield (*at, "signals"), "is empty: nothing would be read"
        for signal, register in kind.signals.items():
            key = (*at, "signals", signal)
            if signal not in SIGNALS:
                yield key, f"unknown signal{did_you_mean(signal, SIGNALS, few=len(SIGNALS))}"
                continue
            yield from _check_register(key, SIGNALS[signal].kind, register, kind.max_registers)
        yield from _check_words(at, kind)
        yield from _check_overlaps(at, kind)
        yield from _check_conventions(at, kind)


def _check_register(at: Key, kind: Kind, register: Register, max_registers: int) -> Faults:
    wide = width(register)
    if register.address + wide - 1 > 65535:
        yield (*at, "address"), f"got {register.address}, a {register.type} there would run beyond 65535"
    if wide > max_registers:
        yield (*at, "type"), f"{register.type} takes {wide} registers, more than max_registers {max_registers} allows"
    yield from (_check_flag if kind is Kind.FLAG else _check_number)(at, kind, register)
    yield from _check_sentinels(at, register)


def _check_flag(at: Key, _kind: Kind, register: Register) -> Faults:
    if register.table in _ONE_BIT and register.type != "bool":
        yield (*at, "type"), f"a {register.table} is one bit: must be bool, or left out"
    elif register.type not in ("bool", "int16", "uint16"):
        yield (*at, "type"), f"a flag is 0 or 1: must be bool, uint16 or int16, got {register.type}"
    if register.table in _ONE_BIT and register.bit is not None:
        yield (*at, "bit"), f"a {register.table} is one bit: leave bit out"
    for name in ("scale", "offset"):
        if getattr(register, name) != Register.model_fields[name].default:
            yield (*at, name), "a flag is 0 or 1 and has no scale or offset"
    if register.plausible is not None:
        yield (*at, "plausible"), "a flag is 0 or 1: leave plausible out"
    if register.wraps_at is not None:
        yield (*at, "wraps_at"), "only a counter wraps: leave it out"
    if register.decimals is not None:
        yield (*at, "decimals"), "a flag is 0 or 1: leave decimals out"


def _check_number(at: Key, kind: Kind, register: Register) -> Faults:
    signal = f"{at[-1]} is no flag"
    if register.table in _ONE_BIT:
        yield (*at, "table"), f"{signal}: a {register.table} cannot hold it"
        return
    if register.type == "bool":
        yield (*at, "type"), f"{signal}: bool cannot hold it"
    if register.bit is not None:
        yield (*at, "bit"), f"{signal}: one bit cannot hold it"
    if register.invert:
        yield (*at, "invert"), f"{signal}: only a flag is inverted"
    if register.scale == 0:
        yield (*at, "scale"), "got 0, every value would be the same"
    if kind is Kind.INTEGER and (register.scale != 1 or register.offset != 0):
        yield (*at, "scale" if register.scale != 1 else "offset"), f"{at[-1]} is a code, which is not scaled"
    yield from _check_plausible(at, register)
    if register.decimals is not None and not register.type.startswith("float"):
        yield (*at, "decimals"), f"{register.type} has the digits of its scale: leave it out"
    elif register.decimals is not None and kind is not Kind.ANALOG:
        yield (*at, "decimals"), f"{at[-1]} is a count or a code, which is not rounded: leave it out"
    if register.wraps_at is not None:
        if kind is not Kind.COUNTER:
            yield (*at, "wraps_at"), f"{at[-1]} is no counter: leave it out"
        elif (held := _held(register)) is not None and register.wraps_at > held[1] + abs(register.scale):
            yield (
                (*at, "wraps_at"),
                f"got {register.wraps_at:g}, but the register holds no more than {held[1]:g}",
            )


def _check_plausible(at: Key, register: Register) -> Faults:
    if register.plausible is None:
        return
    low, high = register.plausible
    if low >= high:
        yield (*at, "plausible"), f"got [{low:g}, {high:g}], the first must be the lower one"
    elif (held := _held(register)) is not None and (high < held[0] or low > held[1]):
        yield (
            (*at, "plausible"),
            f"got [{low:g}, {high:g}], but the register holds {held[0]:g} to {held[1]:g}: nothing would ever be valid",
        )


def _held(register: Register) -> tuple[float, float] | None:
    """The lowest and highest value that an integer register can hold, in the signal's unit; None for floats."""
    if register.type not in ("int16", "uint16", "int32", "uint32"):
        return None
    ends = sorted(raw * register.scale + register.offset for raw in _RANGES[register.type])
    return ends[0], ends[1]


def _check_sentinels(at: Key, register: Register) -> Faults:
    if register.sentinels and (register.type == "bool" or register.bit is not None):
        yield (*at, "sentinels"), "a single bit has no room for one: leave it out"
    elif register.type in _RANGES:
        low, high = _RANGES[register.type]
        whole = not register.type.startswith("float")
        for sentinel in register.sentinels:
            if not low <= sentinel <= high or (whole and sentinel != int(sentinel)):
                bounds = f"a whole number from {low} to {high}" if whole else f"between {low:g} and {high:g}"
                signed = sentinel - (high - low + 1)  # a manual may print the same bits as an unsigned number
                hint = f": write {signed:.0f}" if whole and low < 0 and low <= signed < 0 else ""
                yield (*at, "sentinels"), f"got {sentinel:.15g}, a raw {register.type} is {bounds}{hint}"


def _check_words(at: Key, kind: RegisterMap) -> Faults:
    sayers: dict[str, Key] = {flag: ("signals", flag) for flag in kind.signals}
    places: dict[tuple[str, int], str] = {}
    for name, word in kind.status_words.items():
        key = (*at, "status_words", name)
        if (other := places.setdefault((word.table, word.address), name)) != name:
            yield (*key, "address"), f"{word.table} {word.address} is status word {other} already"
        if not word.values:
            yield (*key, "values"), "is empty: the word would say nothing"
        for code, flags in word.values.items():
            if not 0 <= code <= 65535:
                yield (*key, "values", code), f"got {code}, a word is 0 to 65535"
            for flag in flags:
                if flag not in FLAGS:
                    yield (
                        (*key, "values", code),
                        f"unknown flag {_quoted(flag)}{did_you_mean(flag, FLAGS, few=len(FLAGS))}",
                    )
                elif sayers.setdefault(flag, key) != key:
                    yield (*key, "values", code), f"{flag} is said by {dotted((*at, *sayers[flag][-2:]))} already"


def _quoted(flag: str) -> str:
    return dotted((flag,))


def _check_overlaps(at: Key, kind: RegisterMap) -> Faults:
    """Two values in one register. Bits of a word and flags may share it; nothing else may, whole or in part."""
    spans = [
        (r.table, r.address, r.address + width(r), (*at, "signals", name), _shares(name, r))
        for name, r in kind.signals.items()
    ]
    spans += [
        (w.table, w.address, w.address + 1, (*at, "status_words", name), True) for name, w in kind.status_words.items()
    ]
    reached: dict[str, tuple[str, int, int, Key, bool]] = {}  # by table, the value that reaches furthest so far
    for span in sorted(spans, key=lambda span: span[:3]):
        table, low, end, key, shares = span
        before = reached.setdefault(table, span)
        if before is not span and low < before[2] and not (shares and before[4] and low == before[1]):
            yield (*key, "address"), f"{table} {low} is part of {dotted(before[3][2:])} already"
        if end > before[2]:
            reached[table] = span


def _shares(name: str, register: Register) -> bool:
    """Several bits, flags and codes may be read from one word."""
    signal = SIGNALS.get(name)
    return signal is not None and signal.kind in (Kind.FLAG, Kind.INTEGER) and width(register) == 1


def _check_conventions(at: Key, kind: RegisterMap) -> Faults:
    says = kind.conventions
    key = (*at, "conventions")
    o2 = kind.signals.get("o2")
    if says.o2_clamp is not None:
        low, high = says.o2_clamp
        if low >= high:
            yield (*key, "o2_clamp"), f"got [{low:g}, {high:g}], the first must be the lower one"
            return
        if o2 is not None and o2.plausible is not None and (o2.plausible[1] < low or o2.plausible[0] > high):
            yield (
                (*key, "o2_clamp"),
                f"got [{low:g}, {high:g}], but o2 is plausible only in [{o2.plausible[0]:g}, {o2.plausible[1]:g}]",
            )
        if says.o2_resolution is not None and says.o2_resolution >= high - low:
            yield (*key, "o2_resolution"), f"got {says.o2_resolution:g}, coarser than the whole of o2_clamp"
    if o2 is None or (held := _held(o2)) is None:
        return
    step = abs(o2.scale)
    if says.o2_resolution is not None and says.o2_resolution < step * (1 - 1e-9):
        yield (*key, "o2_resolution"), f"got {says.o2_resolution:g}, but the register's own step is {step:g}"
    if says.o2_clamp is not None and not held[0] <= says.o2_clamp[1] <= held[1]:
        yield (
            (*key, "o2_clamp"),
            f"got {says.o2_clamp[1]:g} at the upper end, but the register holds {held[0]:g} to {held[1]:g}",
        )
