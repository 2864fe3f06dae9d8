"""The evidence table: rules that speak for or against a part, read from TOML and checked."""

import operator
import string
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

from agent.alerts.symptoms import SYMPTOMS

__all__ = ["PARTS", "EvidenceError", "Fact", "Rule", "parse_rules", "shipped_rules"]

Fact = float | str | bool
PARTS: Final = (
    "heater",
    "supply",
    "thermocouple",
    "cold_junction_sensor",
    "cell",
    "filter",
    "reference_air",
    "test_gas",
    "wiring",
    "transmitter",
    "line",
    "process",
)
_ORDERED: Final[Mapping[str, Callable[[Any, Any], bool]]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


class EvidenceError(ValueError):
    """The evidence table cannot be used; the message says which rule, what is wrong and what would be right."""


@dataclass(frozen=True, slots=True)
class Test:
    """One line of `when`."""

    __test__ = False  # not a test, whatever its name

    name: str
    op: str  # known, unknown, or a comparison
    value: Fact | None = None

    def holds(self, facts: Mapping[str, Fact]) -> bool:
        """Whether it holds; a comparison with something not known, or of another type, does not."""
        fact = facts.get(self.name)
        if self.op in ("known", "unknown"):
            return (fact is not None) == (self.op == "known")
        if fact is None or self.value is None:
            return False
        if self.op in ("==", "!="):
            return (fact == self.value) == (self.op == "==")
        numbers = not isinstance(fact, str | bool) and not isinstance(self.value, str | bool)
        return numbers and _ORDERED[self.op](fact, self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule: a part with a weight and a reason, or a note of what is missing."""

    symptom: str
    when: tuple[Test, ...]
    part: str | None = None
    weight: float = 0.0
    because: str = ""
    missing: str = ""

    def applies(self, facts: Mapping[str, Fact]) -> bool:
        """Whether every line of `when` holds, and everything that the reason quotes is known."""
        return all(test.holds(facts) for test in self.when) and all(name in facts for name in self.quotes())

    def quotes(self) -> list[str]:
        """Names in braces in the reason."""
        return [name for _, name, _, _ in string.Formatter().parse(self.because) if name]


def parse_rules(text: str) -> tuple[Rule, ...]:
    """Rules from the table's text; EvidenceError for anything that could not work."""
    try:
        tables = tomllib.loads(text).get("rule", [])
    except tomllib.TOMLDecodeError as error:
        raise EvidenceError(f"the evidence table is not TOML: {error}") from None
    return tuple(_rule(number, table) for number, table in enumerate(tables, start=1))


@cache
def shipped_rules() -> tuple[Rule, ...]:
    """The table that ships with the package."""
    return parse_rules(resources.files("agent.alerts").joinpath("evidence.toml").read_text("utf-8"))


def _rule(number: int, table: Mapping[str, Any]) -> Rule:
    where = f"evidence rule {number}"
    if unknown := table.keys() - {"symptom", "part", "weight", "when", "because", "missing"}:
        raise EvidenceError(f"{where}: unknown key {', '.join(sorted(unknown))}")
    if table.get("symptom") not in SYMPTOMS:
        raise EvidenceError(f"{where}: symptom must be one of {', '.join(SYMPTOMS)}, got {table.get('symptom')!r}")
    when = tuple(_test(where, line) for line in table.get("when", []))
    if "missing" in table:
        return Rule(symptom=table["symptom"], when=when, missing=str(table["missing"]))
    if table.get("part") not in PARTS:
        raise EvidenceError(f"{where}: part must be one of {', '.join(PARTS)}, got {table.get('part')!r}")
    weight = table.get("weight")
    if isinstance(weight, bool) or not isinstance(weight, int | float):
        raise EvidenceError(f"{where}: weight must be a number, got {weight!r}")
    because = str(table.get("because", ""))
    if not because:
        raise EvidenceError(f"{where}: because is missing: a rule says why, in words")
    return Rule(symptom=table["symptom"], when=when, part=table["part"], weight=float(weight), because=because)


def _test(where: str, line: str) -> Test:
    match line.split():
        case [name, ("known" | "unknown") as op]:
            return Test(name, op)
        case [name, ("==" | "!=") as op, word]:
            return Test(name, op, _literal(word))
        case [name, op, word] if op in _ORDERED and isinstance(value := _literal(word), float):
            return Test(name, op, value)
    raise EvidenceError(f"{where}: cannot read {line!r}; write NAME OP VALUE, NAME known or NAME unknown")


def _literal(word: str) -> Fact:
    if word in ("true", "false"):
        return word == "true"
    try:
        return float(word)
    except ValueError:
        return word
