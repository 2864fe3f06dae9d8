"""The reference of every setting, written from the models: `python -m agent.config.reference > settings.md`."""

import inspect
import re
import sys
from dataclasses import MISSING, fields
from typing import Any, get_args

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from agent.config.describe import toml_value
from agent.config.detector_settings import SYMPTOMS, settings_class
from agent.config.model import Settings
from agent.config.shape import Shape, every_key, shape_of

__all__ = ["reference_markdown"]

_TYPES = {"float": "number", "int": "whole number", "bool": "true or false", "str": "text", "Path": "path"}
_BOUNDS = ((Ge, "ge", ">="), (Gt, "gt", ">"), (Le, "le", "<="), (Lt, "lt", "<"))


def reference_markdown() -> str:
    """A section for each table with its keys: type and bounds, default, meaning."""
    lines = [
        "# Settings",
        "",
        "One TOML file. Every key can be set from the environment too: `FLUEWARD_` and its parts joined by two",
        "underscores, in capitals, a hyphen written as an underscore, as in `FLUEWARD_PROBES__B2_EAST__PERIOD_S`.",
        "`<id>` stands for a name of your choice, `[[...]]` for a list of tables.",
    ]
    for title, model in _tables():
        lines += ["", f"## {title}", "", str(model.__doc__).strip().replace("\n    ", " "), "", *_HEADER]
        for name, field in model.model_fields.items():
            lines.append(_row(name, _type(field), _default(field), field.description or ""))
    lines += ["", "## Detectors", "", _DETECTORS]
    for symptom in SYMPTOMS:
        options = settings_class(symptom)
        comments = dict(_COMMENT.findall(inspect.getsource(options)))
        about = str(options.__doc__).strip().split("\n\n")[0]
        lines += ["", f"### detectors.{symptom}", "", about, "", *_HEADER]
        for option in fields(options):
            default = "" if option.default in (MISSING, None) else f"`{toml_value(option.default)}`"
            lines.append(_row(option.name, _plain(shape_of(option.type)), default, comments.get(option.name, "")))
    return "\n".join(lines) + "\n"


_HEADER = ["| key | type | default | meaning |", "| --- | --- | --- | --- |"]
_DETECTORS = (
    "Set for the site under `[detectors.<symptom>]`, for a kind of transmitter under `[maps.<id>.detectors.<symptom>]`,"
    " for one probe under `[probes.<id>.detectors.<symptom>]`; the last word wins."
)


def _tables() -> list[tuple[str, type[BaseModel]]]:
    """Every model with the place where it stands; one that stands in several places with all of them."""
    places: dict[type[BaseModel], list[str]] = {Settings: ["the file's first lines"]}
    for key, shape in every_key():
        title, below = ".".join(key).replace("*", "<id>"), shape
        if below.item is not None:
            title, below = (f"[[{title}]]" if below.listed else f"{title}.<id>"), below.item
        for model in below.models:
            known = places.setdefault(model, [])
            if title not in known:
                known.append(title)
    return [(f"{', '.join(titles)}{_kind(model)}", model) for model, titles in places.items()]


def _kind(model: type[BaseModel]) -> str:
    field = model.model_fields.get("kind")
    choices = get_args(field.annotation) if field is not None else ()
    return f", kind {choices[0]}" if len(choices) == 1 else ""


def _type(field: FieldInfo) -> str:
    shape = shape_of(field.annotation)
    metadata: list[Any] = [*field.metadata]
    for part in _metadata(field.annotation):
        metadata += part.metadata if isinstance(part, FieldInfo) else [part]
    bounds = [f"{sign} {getattr(m, name):g}" for kind, name, sign in _BOUNDS for m in metadata if isinstance(m, kind)]
    return ", ".join([_plain(shape), *dict.fromkeys(bounds)])


def _metadata(annotation: Any) -> list[Any]:
    """What an optional's inner `Annotated` says."""
    return [part for arg in get_args(annotation) for part in getattr(arg, "__metadata__", ())]


def _plain(shape: Shape) -> str:
    if shape.choices:
        return ", ".join(f"`{toml_value(choice)}`" for choice in shape.choices)
    if shape.listed:
        return f"list of {_plain(shape.item)}" if shape.item is not None else "list"
    if shape.table or shape.models:
        return "table"
    return " or ".join(sorted(_TYPES.get(scalar.__name__, "text") for scalar in shape.scalars))


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    return "" if value is None or isinstance(value, BaseModel | dict) else f"`{toml_value(value)}`"


# What a detector's own source says behind an option.
_COMMENT = re.compile(r"^    (\w+): [^#\n]*#\s*(.+)$", re.MULTILINE)


def _row(*cells: str) -> str:
    return "| " + " | ".join(re.sub(r"\s+", " ", cell).replace("|", "\\|") for cell in cells) + " |"


if __name__ == "__main__":
    sys.stdout.write(reference_markdown())
