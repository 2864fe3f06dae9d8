"""Settings from the environment and from a folder of secrets, by the names of their keys.

`FLUEWARD_` and the key's parts joined by `__`, in capitals, a hyphen written as an underscore:
`FLUEWARD_PROBES__B2_EAST__PERIOD_S` is `probes.b2-east.period_s` (or `probes.b2_east.period_s`; where both are there,
the name is refused). Tables and lists are JSON; `null` takes an optional key away. A variable changes a table that is
in the file, under its id; a new id wants the whole table as JSON one level up.
"""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from agent.config.errors import Key, Problem
from agent.config.nearest import closest, did_you_mean
from agent.config.shape import ROOT, Shape, child, for_kind, walk
from agent.config.toml_file import read_small_file, too_deep

__all__ = ["CREDENTIALS", "PREFIX", "SECRETS_DIR", "Layer", "read_environment", "read_secrets", "variable"]

PREFIX = "FLUEWARD_"
SECRETS_DIR = "FLUEWARD_SECRETS_DIR"
CREDENTIALS = "CREDENTIALS_DIRECTORY"  # systemd.exec(5), LoadCredential=
_LARGEST_SECRET = 64 * 1024
_WORDS = {"true": True, "yes": True, "on": True, "1": True, "false": False, "no": False, "off": False, "0": False}
_WHOLE = re.compile(r"[+-]?[0-9]{1,300}\Z")


@dataclass(slots=True)
class Layer:
    """Values from one source as nested tables, who said which key, and what was wrong."""

    values: dict[str, Any] = field(default_factory=dict, repr=False)
    origins: dict[Key, str] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def variable(key: Key) -> str:
    """The environment variable of a key."""
    return PREFIX + "__".join(_fold(str(part)) for part in key).upper()


def read_environment(environ: Mapping[str, str], file: Mapping[str, Any]) -> Layer:
    """What the variables say. `file` has the ids that they may name."""
    layer = Layer()
    names = (name for name in environ if name.upper().startswith(PREFIX) and name.upper() != SECRETS_DIR)
    for name in sorted(names, key=lambda name: (name.count("__"), name)):  # whole tables before keys in them
        _take(layer, file, name[len(PREFIX) :], environ[name], place="environment", name=name)
    return layer


def read_secrets(environ: Mapping[str, str], file: Mapping[str, Any]) -> Layer:
    """What the files of the secrets folder say, each named like a variable: `mqtt__password`.

    The folder may hold other people's files too: only those whose name begins with a table of ours and `__` count.
    """
    layer = Layer()
    wanted = SECRETS_DIR if environ.get(SECRETS_DIR) else CREDENTIALS
    if not environ.get(wanted):
        return layer
    folder = Path(environ[wanted])
    try:
        paths = sorted(path for path in folder.iterdir() if _is_ours(path.name))
    except (OSError, ValueError):
        if wanted == SECRETS_DIR:  # the other may be inherited from a service that is not us
            layer.problems.append(Problem("environment", SECRETS_DIR, "is no folder that this user can read"))
        return layer
    for path in paths:
        text = read_secret(path)
        if text.problem:
            layer.problems.append(Problem("secrets", path.name, text.problem))
        else:
            rest = path.name[len(PREFIX) :] if path.name.upper().startswith(PREFIX) else path.name
            _take(layer, file, rest, text.value, place="secrets", name=path.name)
    return layer


@dataclass(frozen=True, slots=True)
class Secret:
    """The one line of a secret file, or what is wrong with the file. Its repr shows neither."""

    value: str = field(default="", repr=False)
    problem: str = ""


def read_secret(path: Path) -> Secret:
    """Read a file of one line; only the line's end is taken off, since a secret may end with a space."""
    content = read_small_file(path, _LARGEST_SECRET)
    if isinstance(content, str):
        return Secret(problem=content)
    try:
        text = content.decode()
    except UnicodeDecodeError:
        return Secret(problem="is not UTF-8 text")
    text = text.removesuffix("\n").removesuffix("\r")
    if not text:
        return Secret(problem="is empty")
    if "\n" in text or "\0" in text:
        return Secret(problem="holds more than one line")
    return Secret(value=text)


def _is_ours(name: str) -> bool:
    head, separator, _ = name.lower().removeprefix(PREFIX.lower()).partition("__")
    return bool(separator) and head in ROOT.fields()


def _take(layer: Layer, file: Mapping[str, Any], rest: str, text: str, *, place: str, name: str) -> None:
    found = list(_keys(rest.lower(), ROOT, (file, layer.values), ()))
    if len(found) != 1:
        why = _ambiguous(found) if found else _unknown(rest.lower(), (file, layer.values), prefix=name[: -len(rest)])
        layer.problems.append(Problem(place, name, why))
        return
    key = found[0]
    if key in layer.origins:
        other = layer.origins[key]
        layer.problems.append(Problem(place, name, f"sets the same key as {other}: keep one"))
        return
    shape = walk(key)
    assert shape is not None  # `_keys` found it there
    try:
        value = _parse(shape, text)
    except ValueError as error:
        layer.problems.append(Problem(place, name, str(error)))
        return
    if _put(layer.values, file, key, value):
        layer.origins[key] = name


def _keys(rest: str, shape: Shape, views: tuple[Any, ...], at: Key) -> Iterator[Key]:
    """Every key that the name may mean; several only where ids differ by no more than a hyphen."""
    for part, below, under in _parts(rest, shape, views):
        if under is None:
            yield (*at, part)
        else:
            yield from _keys(under, below, tuple(_in(view, part) for view in views), (*at, part))


def _parts(rest: str, shape: Shape, views: tuple[Any, ...]) -> Iterator[tuple[str, Shape, str | None]]:
    """The names at this place that `rest` begins with, what lies there, and what then remains of it."""
    known = _names(shape, views)
    if shape.table and _free(shape) and not any(_begins(rest, name) for name in known):
        known = [rest.split("__")[0] if shape.item is not None and shape.item.table else rest]
    for name in known:
        if (below := child(shape, name)) is not None and _begins(rest, name):
            under = rest[len(name) + 2 :]
            yield name, below, under or None


def _begins(rest: str, name: str) -> bool:
    return rest == _fold(name) or (rest.startswith(_fold(name) + "__") and len(rest) > len(name) + 2)


def _free(shape: Shape) -> bool:
    """Whether names that the file does not have may be added: options of detectors, which hold only scalars."""
    return shape.item is not None and (_free(shape.item) if shape.item.table else bool(shape.item.scalars))


def _names(shape: Shape, views: tuple[Any, ...]) -> list[str]:
    if shape.table:
        return sorted({str(name) for view in views if isinstance(view, dict) for name in view})
    return list(for_kind(shape, next((_in(view, "kind") for view in views if _in(view, "kind")), None)).fields())


def _in(view: Any, part: str) -> Any:
    return view.get(part) if isinstance(view, dict) else None


def _fold(name: str) -> str:
    return name.lower().replace("-", "_")


def _ambiguous(found: list[Key]) -> str:
    keys = " and ".join(".".join(str(part) for part in key) for key in found)
    return f"may mean {keys}: rename one, since a variable cannot tell a hyphen from an underscore"


def _unknown(rest: str, views: tuple[Any, ...], *, prefix: str) -> str:
    """Why a name means nothing, with the nearest that does."""
    squeezed = _squeeze(rest)
    for key in _all_names(ROOT, views, ""):
        if _squeeze(key) == squeezed:
            return f"unknown setting, did you mean {prefix}{key.upper()}? Parts are joined by two underscores"
    done, shape = "", ROOT
    while True:
        step = max(_parts(rest, shape, views), key=lambda part: len(part[0]), default=None)
        if step is None or step[2] is None:
            break
        part, shape, rest = step[0], step[1], step[2]
        done, views = f"{done}{_fold(part)}__", tuple(_in(view, part) for view in views)
    word, separator, under = rest.partition("__")
    names = [_fold(name) for name in _names(shape, views)]
    if (near := closest(word, names)) is not None:
        return f"unknown setting, did you mean {prefix}{(done + near + separator + under).upper()}?"
    return f"unknown setting, no {word!r} in {done.rstrip('_') or 'the settings'}{did_you_mean(word, names)}"


def _all_names(shape: Shape, views: tuple[Any, ...], at: str) -> Iterator[str]:
    for name in _names(shape, views):
        yield at + _fold(name)
        if (below := child(shape, name)) is not None and (below.table or below.models):
            yield from _all_names(below, tuple(_in(view, name) for view in views), f"{at}{_fold(name)}__")


def _squeeze(name: str) -> str:
    return re.sub("_+", "_", name).strip("_")


def _parse(shape: Shape, text: str) -> Any:
    """A variable's text as the key's own type; what does not fit stays text and is told of by the model."""
    if shape.optional and text == "null":
        return None
    if shape.models or shape.table or shape.listed:
        return _parse_json(shape, text)
    bare = text.strip()
    if bool in shape.scalars and bare.lower() in _WORDS and (len(shape.scalars) == 1 or bare.isalpha()):
        return _WORDS[bare.lower()]
    if int in shape.scalars and _WHOLE.match(bare):
        return int(bare)
    if float in shape.scalars:
        try:
            return float(bare)
        except ValueError:
            return text
    return text


def _parse_json(shape: Shape, text: str) -> Any:
    example = '["a", "b"]' if shape.listed else '{"key": 1}'
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):  # its text may quote the value
        value = None
    if not isinstance(value, list if shape.listed else dict) or too_deep(value):
        raise ValueError(f"must be {'a list' if shape.listed else 'a table'} in JSON, such as {example}")
    return value


def _put(values: dict[str, Any], file: Mapping[str, Any], key: Key, value: Any) -> bool:
    """Set a key; not inside what the file says is no table, so that the file's own mistake is told of."""
    seen: Any = file
    for part in key[:-1]:
        seen = seen.get(str(part), {})
        if not isinstance(seen, dict):
            return False
    for part in key[:-1]:
        below = values.setdefault(str(part), {})
        if not isinstance(below, dict):
            return False
        values = below
    old = values.get(str(key[-1]))
    values[str(key[-1])] = {**old, **value} if isinstance(old, dict) and isinstance(value, dict) else value
    return True
