"""Does a map fit what a transmitter says? Each number by itself: order, type, scale, unit, 'no value' words."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from agent.acquire.once import Look, SignalLook
from agent.commands.expected import EXPECTED, HOT_C, WAYS, believable
from agent.commands.raw import hex_words, reading_of
from agent.commands.verdict import Fit, Verdict
from agent.commands.wide import joined, number
from agent.config.model import Register, RegisterMap
from agent.signals import SIGNALS, Kind, Reason

__all__ = ["Judged", "judge_numbers"]

_ORDERS: Final = ("abcd", "cdab", "badc", "dcba")
_TURNED: Final = {"int16": "uint16", "uint16": "int16", "int32": "uint32", "uint32": "int32"}
_NO_VALUE: Final = {  # common practice: the ends of a type stand for 'no value'
    "uint16": (0xFFFF,),
    "int16": (0x7FFF, -0x8000),
    "uint32": (0xFFFFFFFF,),
    "int32": (0x7FFFFFFF, -0x80000000),
}
_NINES: Final = frozenset({-99.0, -99.9, -999.0, -999.9, -9999.0, 999.0, 999.9, 9999.0, 9999.9, -99999.0, 99999.0})
_AIR_PCT: Final = (19.5, 22.0)
_ENDS_PCT: Final = frozenset({0.0, 25.0, 30.0, 50.0, 100.0})  # where displays usually end


@dataclass(slots=True)
class Judged:
    """Verdicts of the numbers, and the values to go on with: those of a better order in place of nonsense."""

    verdicts: list[Verdict] = field(default_factory=list)
    values: dict[str, float] = field(default_factory=dict)
    odd: set[str] = field(default_factory=set)


def judge_numbers(look: Look, register_map: RegisterMap, feeds: Mapping[str, float]) -> Judged:
    """Judge every number of a look that brought at least some. `feeds` has the values of the probe's feeds."""
    judged = Judged(values={**feeds, **look.sample.values})
    _unread(judged, look, register_map)
    orders: dict[str, dict[str, float]] = {}
    sound: list[str] = []
    for name, register in register_map.signals.items():
        signal = look.signals[name]
        if not signal.raw or register.bit is not None or SIGNALS[name].kind not in (Kind.ANALOG, Kind.COUNTER):
            continue
        if _says_nothing(judged, name, register, signal, register_map):
            continue
        value = reading_of(name, register, signal.raw)
        if value is not None and believable(name, value, register) and not _beyond_display(name, value, register_map):
            if signal.reason is Reason.IMPLAUSIBLE:
                _outside_plausible(judged, name, register, value)
            else:
                sound.append(name)
            continue
        judged.odd.add(name)
        judged.values.pop(name, None)
        better = _other_orders(name, register, signal.raw)
        if better:
            orders[name] = better
        elif value is None:
            judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, "no number now (NaN or infinity in the registers)"))
        else:
            _other_scale(judged, name, register, signal.raw, value)
    _tell_orders(judged, look, register_map, orders, sound)
    for name in sound:
        _odd_all_the_same(judged, name, register_map.signals[name], sound)
    questioned = {verdict.about for verdict in judged.verdicts}
    clean = [name for name in sound if name not in questioned]
    if clean:
        which = joined(clean) if questioned else f"all {len(clean)}" if len(clean) > 1 else clean[0]
        judged.verdicts.insert(0, Verdict("numbers", Fit.FITS, f"{which} believable as mapped"))
    return judged


def _unread(judged: Judged, look: Look, register_map: RegisterMap) -> None:
    """Registers that were refused or lost though others came, and status codes that nobody listed."""
    missing: dict[Reason, list[str]] = {}
    for name, signal in look.signals.items():
        if not signal.raw and signal.reason is not None:
            missing.setdefault(signal.reason, []).append(name)
    for reason, names in missing.items():
        advice = "check table, address and type" if reason is Reason.EXCEPTION else look.detail
        text = f"not read ({reason.value}): {look.detail}" + (f"; {advice}" if advice != look.detail else "")
        judged.verdicts.append(Verdict(joined(names), Fit.DOES_NOT_FIT, text))
    for name, word in register_map.status_words.items():
        flags = {flag for listed in word.values.values() for flag in listed}
        for flag in sorted(flags):
            signal = look.signals[flag]
            if signal.reason is Reason.UNKNOWN_CODE and signal.raw:
                listed = joined(str(code) for code in sorted(word.values))
                text = f"{word.table} {word.address} reads {signal.raw[0]}, and the map lists only {listed}"
                judged.verdicts.append(Verdict(f"status word {name}", Fit.DOES_NOT_FIT, text))
                break


def _says_nothing(judged: Judged, name: str, register: Register, signal: SignalLook, register_map: RegisterMap) -> bool:
    """Words for 'no value', the map's own and others that look like one; the end of a display."""
    raw = reading_of(name, register, signal.raw, scale=1.0, offset=0.0)
    if signal.reason is Reason.SENTINEL:
        judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, "says 'no value' now, by the map's own sentinel"))
        return True
    value = reading_of(name, register, signal.raw)
    words = raw in _NO_VALUE.get(register.type, ())
    nines = raw in _NINES and value is not None and not _usual(name, value)
    if raw is not None and (words or nines):
        judged.odd.add(name)
        judged.values.pop(name, None)
        text = (
            f"{hex_words(register, signal.raw)} ({raw:.0f}) looks like the transmitter's word for 'no value'; "
            f"if so, sentinels = [{raw:.6g}]"
        )
        judged.verdicts.append(Verdict(name, Fit.DOES_NOT_FIT, text))
        return True
    if signal.reason is Reason.CLAMPED and not (value is not None and _beyond_display(name, value, register_map)):
        shown = "" if value is None else f" ({number(value)})"
        text = f"stands at the end of the display's range{shown}, as in air or in a check: the gas is beyond it"
        judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, text))
        return True
    return False


def _beyond_display(name: str, value: float, register_map: RegisterMap) -> bool:
    """Whether the value is well outside the range that the map says the display ends at: no display shows that."""
    clamp = register_map.conventions.o2_clamp
    if name != "o2" or clamp is None:
        return False
    slack = 0.01 * (clamp[1] - clamp[0])
    return not clamp[0] - slack <= value <= clamp[1] + slack


def _outside_plausible(judged: Judged, name: str, register: Register, value: float) -> None:
    low, high = register.plausible or (0.0, 0.0)
    text = f"{number(value)} is outside the map's own plausible range, {number(low)} to {number(high)}"
    judged.verdicts.append(Verdict(name, Fit.DOES_NOT_FIT, text))


def _usual(name: str, value: float) -> bool:
    low, high = EXPECTED[name].usual if name in EXPECTED else (-1e6, 1e6)
    return low <= value <= high


def _other_orders(name: str, register: Register, words: tuple[int, ...]) -> dict[str, float]:
    """Orders of bytes and words in which the registers hold a believable number other than 0."""
    found: dict[str, float] = {}
    for order in _ORDERS if len(words) > 1 else ("abcd", "badc"):
        if order == register.order or (len(words) == 1 and {order, register.order} <= {"abcd", "cdab"}):
            continue
        value = reading_of(name, register, words, order=order)
        if value and believable(name, value, register) and (len(words) > 1 or _usual(name, value)):
            found[order] = value
    # Of 16 bits nearly every order is some number: a scale that explains it goes first.
    return {} if len(words) == 1 and _candidates(name, register, words) else found


def _tell_orders(
    judged: Judged,
    look: Look,
    register_map: RegisterMap,
    orders: Mapping[str, Mapping[str, float]],
    sound: list[str],
) -> None:
    """Signals of one type that one order would mend are told together: together they leave no doubt."""
    groups: dict[tuple[str, str], list[str]] = {}
    for name in orders:
        register = register_map.signals[name]
        groups.setdefault((register.type, register.order), []).append(name)
    for kind, names in groups.items():
        shared = [each for each in _ORDERS if all(each in orders[name] for name in names)]
        for group in [names] if shared else [[name] for name in names]:
            ways = shared or list(orders[group[0]])
            seen = {name: orders[name][ways[0]] for name in group}
            if len(ways) == 1:
                seen |= _by_chance(look, register_map, kind, ways[0], len(group), sound)
                judged.values.update(seen)
            others = f" (or {joined(ways[1:])})" if len(ways) > 1 else ""
            values = ", ".join(f"{name} {number(value)}" for name, value in seen.items())
            text = f'{kind[0]} in order "{kind[1]}" is no believable number; '
            text += f'order = "{ways[0]}"{others} would be: {values}'
            judged.verdicts.append(Verdict(joined(seen), Fit.DOES_NOT_FIT, text))


def _by_chance(
    look: Look, register_map: RegisterMap, kind: tuple[str, str], order: str, odd: int, sound: list[str]
) -> dict[str, float]:
    """Signals of the same type that were believable in the wrong order too; none where those are the greater part."""
    found: dict[str, float] = {}
    for name in sound:
        register = register_map.signals[name]
        if (register.type, register.order) == kind and _not_zero(name, register, look):
            value = reading_of(name, register, look.signals[name].raw, order=order)
            if value is not None and believable(name, value, register):
                found[name] = value
    return found if len(found) <= odd else {}


def _not_zero(name: str, register: Register, look: Look) -> bool:
    """Whether the registers hold something other than 0, which is 0 in any order."""
    return bool(reading_of(name, register, look.signals[name].raw))


def _candidates(name: str, register: Register, words: tuple[int, ...]) -> list[tuple[str, float]]:
    """Other signedness, scales and units that give a usual value: the map's key as it would be, and the value."""
    found: list[tuple[str, float]] = []
    turned = _TURNED.get(register.type)
    if turned is not None:
        value = reading_of(name, register, words, type=turned)
        if value is not None and value != reading_of(name, register, words) and _usual(name, value):
            found.append((f'type = "{turned}"', value))
    value = reading_of(name, register, words)
    if value is not None:
        for way in WAYS.get(name, ()):
            if _usual(name, way.convert(value)):
                setting = way.setting(register)
                told = f"{setting} ({way.text})" if not way.text.endswith("the value") else setting
                if all(setting != known.split(" (")[0] for known, _ in found):
                    found.append((told, way.convert(value)))
    return found


def _other_scale(judged: Judged, name: str, register: Register, words: tuple[int, ...], value: float) -> None:
    found = _candidates(name, register, words)[:2]
    unit = SIGNALS[name].unit
    text = f"{number(value)} {unit} is not believable"
    if found:
        told = " or ".join(f"{setting} for {number(other)}" for setting, other in found)
        text += f"; {told} {unit} would be"
    else:
        text += "; no order, type, scale or unit tried makes it so: check table and address"
    judged.verdicts.append(Verdict(name, Fit.DOES_NOT_FIT, text))


def _odd_all_the_same(judged: Judged, name: str, register: Register, sound: list[str]) -> None:
    """Numbers that may be, and yet make one look twice."""
    value = judged.values[name]
    temp_c = judged.values.get("cell_temp")
    hot = temp_c is not None and "cell_temp" in sound and HOT_C[0] <= temp_c <= HOT_C[1]
    calm = judged.values.get("firing", 1.0) == 1.0
    if name == "heater_output" and 0 < value <= 1.0 and hot:
        text = (
            f"{number(value)} % can hardly keep the cell at {number(temp_c or 0)} degC; it looks like 0 to 1: "
            f"scale = {100 * register.scale:g}"
        )
        judged.verdicts.append(Verdict(name, Fit.DOES_NOT_FIT, text))
    elif name == "o2" and value in _ENDS_PCT:
        text = f"exactly {number(value)}: if the display ends there, say so with o2_clamp"
        judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, text))
    elif name == "o2" and "cell_emf" not in judged.values and calm:
        if 0 < value < 0.3:
            text = f"{number(value)} % is very little; were it a fraction, it would be {number(100 * value)} %"
            judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, text))
        elif _AIR_PCT[0] <= value <= _AIR_PCT[1]:
            text = f"{number(value)} % is air: a check, a purge, or a scale ten times too large. Look again in service"
            judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, text))
    elif name == "load" and 0 < value <= 1.2 and judged.values.get("firing") == 1.0:
        text = f"{number(value)} % while firing: were it 0 to 1, it would be {number(100 * value)} %"
        judged.verdicts.append(Verdict(name, Fit.CANNOT_TELL, text))
