"""Checks of a detector's settings, each refusing NaN and naming the field, what was wanted and what came."""

from math import isfinite

__all__ = ["above", "at_least", "between", "whole"]


def above(name: str, value: float, limit: float) -> None:
    """Raise ValueError unless `value` is finite and above `limit`."""
    if not (isfinite(value) and value > limit):
        raise ValueError(f"{name} must be above {limit:g}, got {value!r}")


def at_least(name: str, value: float, limit: float) -> None:
    """Raise ValueError unless `value` is finite and at least `limit`."""
    if not (isfinite(value) and value >= limit):
        raise ValueError(f"{name} must be at least {limit:g}, got {value!r}")


def between(name: str, value: float, low: float, high: float) -> None:
    """Raise ValueError unless low <= value <= high."""
    if not low <= value <= high:
        raise ValueError(f"{name} must be between {low:g} and {high:g}, got {value!r}")


def whole(name: str, value: float, at_least: int) -> None:
    """Raise ValueError unless `value` is a whole number of at least `at_least`."""
    if not (isfinite(value) and value == int(value) and value >= at_least):
        raise ValueError(f"{name} must be a whole number of at least {at_least}, got {value!r}")
