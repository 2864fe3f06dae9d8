"""One expected value of a check, and the small arithmetic that several checks share.

A source is a mark and a name: [S] standard or published reference, [C] computed from one, [P] common practice.
"""

from dataclasses import asdict, dataclass
from math import exp, isfinite, log
from typing import Any, Final

from agent.alerts.checks.conditions import Conditions
from detectors.probe.nernst import nernst_factor_mv

__all__ = ["CODATA", "Expect", "factor_mv", "mv_for", "reading_pct", "rounded", "shifted_reading_pct"]

CODATA: Final = "Nernst equation, R and F of CODATA 2018 [S]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect:
    """A row of `expect`: the value, between what it should lie, for which conditions, and where the number is from."""

    quantity: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    at: str
    source: str
    digits: int = 2

    def row(self) -> dict[str, Any]:
        """For the payload: rounded to the digits that a meter shows; what is not known is null."""
        row = asdict(self)
        digits = row.pop("digits")
        for key in ("value", "low", "high"):
            row[key] = rounded(row[key], digits)
        return row


def rounded(value: float | None, digits: int) -> float | None:
    """Rounded, with no negative zero; None for what is missing or not finite."""
    if value is None or not isfinite(value):
        return None
    return round(value, digits) + 0.0


def factor_mv(c: Conditions) -> float:
    """Nernst factor at the cell's temperature. [mV]"""
    return float(nernst_factor_mv(c.cell_c.value))


def reading_pct(c: Conditions, emf_mv: float, *, offset_mv: float = 0.0, slope_pct: float = 100.0) -> float:
    """What a display shows for a cell's mV, with the constants stored: 20.95 exp(-(E - offset)/(slope k)). [% O2]"""
    return 20.95 * exp(-(emf_mv - offset_mv) / (0.01 * slope_pct * factor_mv(c)))


def shifted_reading_pct(c: Conditions, o2_pct: float, shift_mv: float) -> float:
    """What a true reading becomes when the cell's mV is off by `shift_mv`. [% O2]"""
    return o2_pct * exp(-shift_mv / factor_mv(c))


def mv_for(c: Conditions, x_ref: float, x_gas: float) -> float:
    """Cell mV at equal pressure. [mV]"""
    return factor_mv(c) * log(x_ref / x_gas)
