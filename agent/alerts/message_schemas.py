"""The JSON Schemas that ship with the package: one for each kind of message."""

import json
from functools import cache
from importlib import resources
from typing import Any, Final

__all__ = ["SCHEMA_NAMES", "load_schema"]

SCHEMA_NAMES: Final = ("alert", "check", "condition", "status", "sample", "request", "response")


@cache
def load_schema(name: str) -> dict[str, Any]:
    """The schema of `flueward.{name}/1`; ValueError for a name that there is not. Not to be changed by the caller."""
    if name not in SCHEMA_NAMES:
        raise ValueError(f"there is no schema {name!r}; known are {', '.join(SCHEMA_NAMES)}")
    text = resources.files("agent.alerts.schemas").joinpath(f"{name}.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
