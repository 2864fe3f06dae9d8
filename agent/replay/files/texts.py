"""Cells of text as numbers: what plants' historians write where there is none is missing, never 0."""

from collections.abc import Iterable
from math import nan
from typing import Final

import numpy as np

from detectors.stretch import Floats

__all__ = ["FLAG_WORDS", "MISSING_WORDS", "number_of", "numbers_of_texts"]

# Common practice: what exports say instead of a number.
MISSING_WORDS: Final = frozenset(
    {
        "", "-", "--", "nan", "na", "n/a", "#n/a", "#value!", "null", "none", "nil", "missing", "invalid", "unknown",
        "bad", "bad input", "bad data", "no data", "nodata", "no good data", "no value", "no result", "error",
        "fault", "not connected", "comm fail", "i/o timeout", "i/o error", "timeout", "out of service", "shutdown",
        "calc failed", "over range", "under range", "configure", "uncertain", "not available", "?", "*",
    }
)  # fmt: skip
FLAG_WORDS: Final = {
    "on": 1.0, "true": 1.0, "yes": 1.0, "active": 1.0, "t": 1.0, "y": 1.0,
    "off": 0.0, "false": 0.0, "no": 0.0, "inactive": 0.0, "f": 0.0, "n": 0.0,
}  # fmt: skip


def number_of(text: str, *, flag: bool = False, comma: bool = False) -> float | None:
    """The number of a cell; NaN for a word that means missing; None for one that means nothing known.

    `flag`: on, off and the like are 1 and 0. `comma`: the decimal sign; a point is then no part of a number.
    """
    try:
        if "_" not in text and text.isascii():
            return float(text.replace(".", "?").replace(",", ".") if comma else text)
    except ValueError:
        pass
    word = text.strip().strip('"').lower()
    if flag and word in FLAG_WORDS:
        return FLAG_WORDS[word]
    return nan if word in MISSING_WORDS else None


def numbers_of_texts(texts: Iterable[str | None], *, flag: bool, comma: bool = False) -> tuple[Floats, list[int]]:
    """Each text's number, NaN for none; and the places of those that mean nothing known."""
    numbers: list[float] = []
    unknown: list[int] = []
    for place, text in enumerate(texts):
        number = nan if text is None else number_of(text, flag=flag, comma=comma)
        if number is None:
            unknown.append(place)
            number = nan
        numbers.append(number)
    return np.array(numbers, np.float64), unknown
