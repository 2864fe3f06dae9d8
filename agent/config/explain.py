"""Pydantic's errors in our words: one line each, what came and what would be right, and never a secret."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from agent.config.errors import Key, Problem, dotted, shown
from agent.config.nearest import did_you_mean
from agent.config.shape import HIDDEN, Shape, child, for_kind, walk
from agent.config.warn import manual_address_hint

__all__ = ["Places", "explain"]

_WITH_PORT = re.compile(r"([A-Za-z0-9_.-]+|\[[0-9A-Fa-f:.]+\]):[0-9]{1,5}")
_ID = "an id is 1 to 32 of a-z, 0-9, _ and -"
_WORDS: Mapping[str, str] = {
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_parsing_size": "must be a smaller whole number",
    "float_parsing": "must be a number",
    "finite_number": "must be a finite number",
    "bool_type": "must be true or false",
    "string_type": "must be a text",
    "path_type": "must be a text, the name of a file or folder",
    "tuple_type": "must be a list",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "greater_than_equal": "must be at least {ge:g}",
    "greater_than": "must be more than {gt:g}",
    "less_than_equal": "must be at most {le:g}",
    "less_than": "must be less than {lt:g}",
    "string_too_short": "must have at least {min_length} characters",
    "string_too_long": "must have at most {max_length} characters",
    "string_unicode": "must be text",
}


@dataclass(frozen=True, slots=True)
class Places:
    """Where each key was said: in the file, or by a variable or a secret file that names it or a table around it."""

    file: str
    environment: Mapping[Key, str] = field(default_factory=dict)
    secrets: Mapping[Key, str] = field(default_factory=dict)
    in_file: Mapping[str, Any] = field(default_factory=dict, repr=False)

    def origin(self, key: Key) -> tuple[str, str, Key]:
        """Place, name of the variable or secret (empty for the file), and what of the key lies below that name."""
        if not self.environment and not self.secrets:
            return self.file, "", key
        by_place = (("environment", self.environment), ("secrets", self.secrets))
        for end in range(len(key), 0, -1):
            for place, names in by_place:
                if (name := names.get(key[:end])) is not None:
                    return place, name, key[end:]
        if self.said(key) is None:  # a table that is there only because of a key in it
            for place, names in by_place:
                for longer, name in names.items():
                    if longer[: len(key)] == key:
                        return place, name, ()
        return self.file, "", key

    def said(self, key: Key) -> Any:
        """What the file says under a key; None where it says nothing."""
        said: Any = self.in_file
        for part in key:
            if isinstance(said, Mapping):
                said = said.get(str(part))
            elif isinstance(said, list) and isinstance(part, int) and part < len(said):
                said = said[part]
            else:
                return None
        return said

    def problem(self, key: Key, text: str) -> Problem:
        """A problem of a key, told where it was said."""
        place, name, below = self.origin(key)
        if not name:
            return Problem(place, dotted(key), text)
        return Problem(place, name, f"{dotted(below)}: {text}" if below else text)


def explain(errors: Iterable[Mapping[str, Any]], places: Places, values: Mapping[str, Any]) -> list[Problem]:
    """A problem for each of pydantic's errors (`ValidationError.errors()`), in their order, doubles left out."""
    problems: dict[Problem, None] = {}
    for error in errors:
        loc: tuple[str | int, ...] = tuple(error["loc"])
        if loc[:1] == ("lines",) and len(loc) > 2:
            loc = loc[:2] + loc[3:]  # the union of kinds puts the kind there
        if "detectors" in loc:
            loc = loc[: loc.index("detectors") + 3]  # the union of scalars puts a type's name behind
        problems[_one(error, loc, places, values)] = None
    return list(problems)


def _one(error: Mapping[str, Any], loc: Key, places: Places, values: Mapping[str, Any]) -> Problem:
    kind: str = error["type"]
    given, context = error["input"], error.get("ctx", {})
    if loc[-1:] == ("[key]",):
        key = loc[:-1]
        text = _ID if kind == "string_pattern_mismatch" else "must be a whole number in plain digits"
        return places.problem(key, text)
    shape = walk(loc)
    if kind == "missing":
        return places.problem(loc, _missing(loc, shape))
    if kind == "extra_forbidden":
        return places.problem(loc, _unknown(loc, values))
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        choices = tuple(c for model in shape.models for c in _kinds(shape, model)) if shape is not None else ()
        if kind == "union_tag_not_found":
            return places.problem((*loc, "kind"), f"missing, must be {_one_of(choices)}")
        tag = given.get("kind") if isinstance(given, dict) else None
        return places.problem((*loc, "kind"), _choice(tag, choices))
    if kind == "literal_error" and shape is not None:
        return places.problem(loc, _choice(None if loc in HIDDEN else given, shape.choices))
    if kind in ("too_long", "too_short") and shape is not None:
        return places.problem(loc, f"got {shown(given)}, must be a list of two")
    if kind == "string_pattern_mismatch":
        must = _host_words(given) if loc[-1:] == ("host",) else _ID
        return places.problem(loc, f"got {shown(given)}, {must}")
    if "detectors" in loc and loc.index("detectors") == len(loc) - 3:
        return places.problem(loc, f"got {shown(given)}, must be a number, true or false, or a text")
    must = _WORDS[kind].format(**context) if kind in _WORDS else f"cannot be used ({kind.replace('_', ' ')})"
    return places.problem(loc, must if loc in HIDDEN else f"got {shown(given)}, {must}{_aside(kind, loc, given)}")


def _host_words(given: object) -> str:
    """A port behind the host is what people write most; not where the text may hold a login."""
    port = isinstance(given, str) and "@" not in given and _WITH_PORT.fullmatch(given) is not None
    return "must be a host name or an address alone" + (": write the port in `port`" if port else "")


def _aside(kind: str, loc: Key, given: object) -> str:
    """What else helps where a number is outside its range."""
    if loc[-1:] == ("unit",) and given == 0 and kind == "greater_than_equal":
        return "; 0 is broadcast and is never used"
    if loc[-1:] == ("address",) and kind == "less_than_equal" and isinstance(given, int):
        hint = manual_address_hint(given)
        return f"; addresses are 0-based: {hint}" if hint else ""
    return ""


def _missing(loc: Key, shape: Shape | None) -> str:
    if isinstance(loc[-1], int):
        return "missing, must be a list of two"
    return f"missing: {shape.description}" if shape is not None and shape.description else "missing"


def _unknown(loc: Key, values: Mapping[str, Any]) -> str:
    parent = walk(loc[:-1])
    word = str(loc[-1])
    if parent is None:
        return "unknown key"
    table: Any = values
    for part in loc[:-1]:
        table = table.get(part, {}) if isinstance(table, dict) else {}
    kind = table.get("kind") if isinstance(table, dict) else None
    known = for_kind(parent, kind)
    if len(parent.models) > 1 and word in parent.fields():
        return f"unknown key for kind = {shown(kind)}"
    return f"unknown key{did_you_mean(word, known.fields())}"


def _kinds(shape: Shape, model: type) -> tuple[str | int, ...]:
    one = Shape(models=tuple(m for m in shape.models if m is model))
    found = child(one, "kind")
    return found.choices if found is not None else ()


def _choice(given: object, choices: tuple[str | int, ...]) -> str:
    must = f"must be {_one_of(choices)}"
    return must if given is None else f"got {shown(given)}, {must}"


def _one_of(choices: tuple[str | int, ...]) -> str:
    words = [shown(choice) for choice in choices if choice != ""]
    return words[0] if len(words) == 1 else "one of " + ", ".join(words)
