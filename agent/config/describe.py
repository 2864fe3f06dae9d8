"""Every setting as it takes effect, and where it came from; secrets masked."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from pydantic import BaseModel, SecretStr

from agent.config.detector_settings import SYMPTOMS, settings_class
from agent.config.errors import Key, dotted
from agent.config.load import Loaded

__all__ = ["Effective", "describe", "toml_value"]

_MASKED = '"********"'


@dataclass(frozen=True, slots=True)
class Effective:
    """One key: its value as TOML writes it (empty where there is none), and who gave it."""

    key: str
    value: str
    origin: str  # default, derived, the file's name, 'environment NAME' or 'secrets NAME'

    def __str__(self) -> str:
        """One line, as `validate` prints it."""
        return f"{self.key} = {self.value or '(none)'}  # {self.origin}"


def describe(loaded: Loaded) -> list[Effective]:
    """Every effective key in the order of the model, then each detector's options for the site.

    Options that a map or a probe sets are listed under that map or probe; the rest there is as for the site.
    """
    found = [
        Effective(dotted(key), toml_value(value), _origin(loaded, key, is_default))
        for key, value, is_default in _leaves(loaded.settings, ())
        if key[:1] != ("detectors",)
    ]
    for symptom in sorted(SYMPTOMS):
        given = loaded.settings.detectors.get(symptom, {})
        for option in fields(settings_class(symptom)):
            key: Key = ("detectors", symptom, option.name)
            value = given.get(option.name, option.default)
            found.append(Effective(dotted(key), toml_value(value), _origin(loaded, key, option.name not in given)))
    return found


def toml_value(value: object) -> str:
    """A value as TOML writes it; a secret as stars; nothing for None, which TOML cannot say."""
    if value is None:
        return ""
    if isinstance(value, SecretStr):
        return _MASKED
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, str | Path):
        text = str(value).replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text) + '"'
    return "{}"


def _leaves(value: object, at: Key, is_default: bool = False) -> Iterator[tuple[Key, object, bool]]:
    """Each key with a plain value under `value`, and whether that is the model's own default."""
    if isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            below = getattr(value, name)
            is_own = not field.is_required() and below == field.get_default(call_default_factory=True)
            yield from _leaves(below, (*at, name), is_own)
    elif isinstance(value, Mapping):
        for name, item in value.items():
            yield from _leaves(item, (*at, name))
    elif isinstance(value, tuple) and any(isinstance(item, BaseModel) for item in value):
        for place, item in enumerate(value):
            yield from _leaves(item, (*at, place))
    else:
        yield at, value, is_default


def _origin(loaded: Loaded, key: Key, is_default: bool) -> str:
    place, name, _ = loaded.places.origin(key)
    if name:
        return f"{place} {name}"
    if loaded.places.said(key) is not None:
        return place
    return "default" if is_default else "derived"
