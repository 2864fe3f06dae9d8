"""The form of the configuration, read off its models: which keys are where, and what each may hold."""

import types
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, SecretStr
from pydantic.fields import FieldInfo

from agent.config.errors import Key
from agent.config.model import Settings

__all__ = ["HIDDEN", "ROOT", "SECRETS", "Shape", "child", "every_key", "for_kind", "shape_of", "walk"]

# The password itself, and the fields where somebody in a hurry may have put it: no message repeats their value.
SECRETS: frozenset[Key] = frozenset({("mqtt", "password")})
HIDDEN: frozenset[Key] = SECRETS | {("mqtt", "password_file"), ("mqtt", "plain_password"), ("mqtt", "key_file")}


@dataclass(frozen=True, slots=True)
class Shape:
    """What one key may hold: one of `models`, a table of `item`s by free names, a list of `item`s, or a scalar."""

    models: tuple[type[BaseModel], ...] = ()
    table: bool = False
    listed: bool = False
    item: "Shape | None" = None
    scalars: frozenset[type] = frozenset()
    choices: tuple[str | int, ...] = ()
    optional: bool = False
    description: str = ""

    def fields(self) -> dict[str, FieldInfo]:
        """The keys of its models, of all kinds where there are several."""
        return {name: field for model in self.models for name, field in model.model_fields.items()}


def shape_of(annotation: Any, description: str = "") -> Shape:
    """Read a type annotation."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return shape_of(get_args(annotation)[0], description)
    if origin in (Union, types.UnionType):
        return _union([arg for arg in get_args(annotation) if arg is not type(None)], annotation, description)
    if origin is Literal:
        choices = get_args(annotation)
        return Shape(scalars=frozenset(type(c) for c in choices), choices=choices, description=description)
    if origin is dict:
        return Shape(table=True, item=shape_of(get_args(annotation)[1]), description=description)
    if origin is tuple:
        return Shape(listed=True, item=shape_of(get_args(annotation)[0]), description=description)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return Shape(models=(annotation,), description=description)
    assert annotation in (str, int, float, bool, Path, SecretStr), annotation
    return Shape(scalars=frozenset({annotation}), description=description)


def _union(members: list[Any], annotation: Any, description: str) -> Shape:
    shapes = [shape_of(member) for member in members]
    first = shapes[0]
    return Shape(
        models=tuple(model for shape in shapes for model in shape.models),
        table=first.table,
        listed=first.listed,
        item=first.item,
        scalars=frozenset(scalar for shape in shapes for scalar in shape.scalars),
        choices=first.choices,
        optional=type(None) in get_args(annotation),
        description=description,
    )


ROOT = Shape(models=(Settings,))


@cache
def _fields(model: type[BaseModel]) -> dict[str, Shape]:
    return {name: shape_of(field.annotation, field.description or "") for name, field in model.model_fields.items()}


def child(shape: Shape, part: str | int) -> Shape | None:
    """What lies under one more part of a key; None where nothing can."""
    if shape.table or (shape.listed and isinstance(part, int)):
        return shape.item
    for model in shape.models:
        if (found := _fields(model).get(str(part))) is not None:
            return found
    return None


def walk(key: Key) -> Shape | None:
    """What lies under a whole key; None where nothing can."""
    shape: Shape | None = ROOT
    for part in key:
        shape = None if shape is None else child(shape, part)
    return shape


def every_key(shape: Shape = ROOT, at: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Shape]]:
    """Every key that the models have, `*` standing for a free name or a list's place; tables before their keys."""
    if shape.item is not None:
        yield from every_key(shape.item, (*at, "*"))
        return
    for model in shape.models:
        for name, field in _fields(model).items():
            yield (*at, name), field
            yield from every_key(field, (*at, name))


def for_kind(shape: Shape, kind: object) -> Shape:
    """Where a table is one of several kinds (a line), only the one that its `kind` says; else the shape as it is."""
    if len(shape.models) > 1:
        for model in shape.models:
            if kind in _fields(model)["kind"].choices:
                return replace(shape, models=(model,))
    return shape
