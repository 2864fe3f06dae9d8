"""What every detector's saved state has in common: a version, and JSON's lack of NaN."""

from collections.abc import Mapping
from math import isfinite
from typing import Any

__all__ = ["check_version", "plain", "unplain"]


def check_version(saved: Mapping[str, Any], name: str, version: int) -> None:
    """Raise ValueError unless `saved` is a state of this detector that this code can read."""
    found = saved.get("version")
    if found != version:
        raise ValueError(f"{name}: saved state has version {found!r}, this program reads version {version}")


def plain(value: float | None) -> float | None:
    """A number as JSON can hold it: None for NaN and infinities."""
    return None if value is None or not isfinite(value) else float(value)


def unplain(value: float | None) -> float:
    """The number back: NaN for None."""
    return float("nan") if value is None else float(value)
