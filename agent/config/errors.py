"""What is wrong with a configuration: one error that carries every problem, a line for each."""

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["ConfigError", "Key", "Problem", "dotted", "shown"]

Key = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]{1,64}\Z")
_LONGEST = 60  # characters of a value or a key that a message repeats


def shown(value: object, longest: int = _LONGEST) -> str:
    """A value as its owner wrote it, on one line and short; tables, most lists and what looks like a login by kind."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):  # an absurdly long one would not print at all
        return str(value) if value.bit_length() < 200 else "a number of more than 60 digits"
    if isinstance(value, float):
        return f"{value!r}"
    if isinstance(value, str):
        if "@" in value:  # user:password@host
            return "a text with '@'"
        return _clip(json.dumps(value, ensure_ascii=not value.isprintable()), longest)
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        numbers = all(isinstance(item, int | float) for item in value)
        return "[" + ", ".join(shown(item) for item in value) + "]" if numbers and len(value) <= 8 else "a list"
    return "a date or time" if hasattr(value, "isoformat") else "a value"


def dotted(key: Key) -> str:
    """A key as TOML writes it, each part short and on one line."""
    return ".".join(str(part) if _BARE.match(str(part)) else _clip(json.dumps(str(part))) for part in key)


def _clip(text: str, longest: int = _LONGEST) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "..."


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where it was said, which key, and what would be right. Never holds a secret."""

    place: str  # the file's name, 'environment' or a secret file
    key: str  # as TOML dots it, or the environment variable; empty where the whole file is meant
    text: str

    def __str__(self) -> str:
        """One line."""
        line = f"{self.place}: {self.key}: {self.text}" if self.key else f"{self.place}: {self.text}"
        return " ".join(line.split())


class ConfigError(Exception):
    """The configuration cannot be used. `problems` has all that was found, `str()` a line for each."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
