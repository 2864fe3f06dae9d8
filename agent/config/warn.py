"""What a configuration may say and yet hardly mean: for a person to look at, no fault."""

from typing import Final

from agent.config.errors import dotted
from agent.config.maps import RegisterMap
from agent.config.model import Settings

__all__ = ["manual_address_hint", "warnings"]

# Manuals often print a register as its table's digit and a number from 1, as in 40201. The Modbus application protocol
# (V1.1b3, 4.4) puts addresses from 0 on the wire, and those are what a map holds.
TABLE_BY_DIGIT: Final = {1: "discrete", 3: "input", 4: "holding"}
FIRST_SUSPECT: Final = 10_001


def warnings(settings: Settings) -> list[str]:
    """A line for each map whose addresses look like a manual's register numbers; empty where nothing does."""
    return [line for name, kind in settings.maps.items() if (line := _addresses(name, kind))]


def manual_address_hint(number: int) -> str:
    """What a manual's register number of five or six digits usually means, as a clause; empty for other numbers."""
    for per_table in (10_000, 100_000):
        digit, register = divmod(number, per_table)
        if digit in TABLE_BY_DIGIT and register >= 1:
            table = TABLE_BY_DIGIT[digit]
            return f"{number} in a manual is usually address {register - 1} of table {table}"
    return ""


def _addresses(name: str, kind: RegisterMap) -> str:
    places = {("signals", signal): register.address for signal, register in kind.signals.items()}
    places |= {("status_words", word): status.address for word, status in kind.status_words.items()}
    odd = {key: address for key, address in places.items() if address >= FIRST_SUSPECT}
    if not odd:
        return ""
    hinted = {key: hint for key, address in odd.items() if (hint := manual_address_hint(address))}
    key = next(iter(hinted or odd))
    many = "" if len(odd) == 1 else f" (and {len(odd) - 1} more of this map)"
    hint = hinted.get(key, "is it a number from a manual?")
    return f"{dotted(('maps', name, *key))}.address: {odd[key]}{many}: addresses are 0-based; {hint}"
