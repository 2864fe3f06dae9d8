"""How text stands on a terminal: wrapped at 80 columns, ASCII only, so that a log or a mail carries it as well."""

from collections.abc import Iterable
from datetime import UTC, datetime
from textwrap import wrap

__all__ = ["WIDTH", "joined", "number", "paragraph", "row", "when"]

WIDTH = 80


def paragraph(text: str, *, indent: int = 0, hang: int = 0) -> list[str]:
    """A text as lines of at most 80 columns; those after the first start `hang` columns further in."""
    first, later = " " * indent, " " * (indent + hang)
    return wrap(text, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False) or [first.rstrip()]


def row(name: str, text: str, *, indent: int = 2, width: int = 20) -> list[str]:
    """A name and what is to be said of it, in two columns."""
    return paragraph(f"{name:<{width}} {text}", indent=indent, hang=width + 1)


def number(value: float) -> str:
    """A value for people: six significant digits, no exponent where a plain number does."""
    if value == 0:
        return "0"
    if not 1e-4 <= abs(value) < 1e9:
        return f"{value:.3g}"
    text = f"{value:.{max(0, 5 - int(f'{value:e}'.split('e')[1]))}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def when(time_s: float) -> str:
    """UTC seconds as a date and time to the second."""
    try:
        return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%d %H:%M:%S} UTC"
    except (OverflowError, OSError, ValueError):
        return "an impossible time"


def joined(words: Iterable[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    rest = list(words)
    return rest[0] if len(rest) == 1 else f"{', '.join(rest[:-1])} and {rest[-1]}" if rest else ""
