"""The table of what one look brought: registers, number, value, unit, or the reason why there is no value."""

from typing import Any

from agent.acquire.once import Look
from agent.commands.raw import hex_words, raw_number
from agent.commands.wide import number, paragraph
from agent.config.model import RegisterMap
from agent.signals import SIGNALS

__all__ = ["look_json", "look_lines"]

_HEAD = f"  {'signal':<20} {'registers':<9} {'number':>10} {'value':>10}  unit"


def look_lines(look: Look, register_map: RegisterMap) -> list[str]:
    """The look as lines of text. One that brought nothing at all is told in words."""
    if not any(signal.raw for signal in look.signals.values()):
        return paragraph(f"did not answer: {look.detail or 'no reason known'}", indent=2, hang=2)
    lines = [_HEAD]
    for name, signal in look.signals.items():
        register = register_map.signals.get(name)
        raw = raw_number(name, register, signal.raw)
        value = "missing" if signal.value is None else number(signal.value)
        unit = SIGNALS[name].unit if signal.reason is None else signal.reason.value
        lines.append(
            f"  {name:<20} {hex_words(register, signal.raw):<9} {'' if raw is None else number(raw):>10} "
            f"{value:>10}  {unit}"
        )
    if look.detail:
        lines += paragraph(f"not all was read: {look.detail}", indent=2, hang=2)
    return lines


def look_json(look: Look, register_map: RegisterMap) -> dict[str, Any]:
    """The look as JSON-able data.

    `answered`; `at` (UTC seconds since 1970); `detail` (words, empty when all went well); `signals`: by name
    `registers` (list of hexadecimal words), `number` (before scale and offset, null where none), `value`, `unit`,
    `reason` (null where there is a value).
    """
    return {
        "answered": any(signal.raw for signal in look.signals.values()),
        "at": look.sample.time_s,
        "detail": look.detail,
        "signals": {
            name: {
                "registers": hex_words(register_map.signals.get(name), signal.raw).split(),
                "number": raw_number(name, register_map.signals.get(name), signal.raw),
                "value": signal.value,
                "unit": SIGNALS[name].unit,
                "reason": None if signal.reason is None else signal.reason.value,
            }
            for name, signal in look.signals.items()
        },
    }
