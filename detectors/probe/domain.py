"""Checking what goes into a formula: an error for a caller's mistake, NaN for dirty data, never a silent clip."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Floats", "Invalid", "ProbeInputError", "in_range"]

Floats = NDArray[np.float64]
Invalid = Literal["raise", "nan"]


class ProbeInputError(ValueError):
    """An argument outside the domain of a formula; the message names it, what was wanted and the first offender."""


def in_range(
    name: str,
    values: ArrayLike,
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    up_to: float | None = None,
    invalid: Invalid = "raise",
) -> Floats:
    """The values as float64, checked. NaN is missing and passes; infinity never does.

    Parameters
    ----------
    name : str
        What the message calls the argument.
    values : array_like
        Any shape.
    above, at_least, below, up_to : float, optional
        The bounds; `above` and `below` are exclusive.
    invalid : "raise" or "nan"
        "nan" turns every offender into NaN, for measured data; "raise" is for what a person or a program chose.

    Returns
    -------
    ndarray of float64
        The input's own shape; a copy only where something had to become NaN.

    Raises
    ------
    ProbeInputError
        With `invalid="raise"`, at the first offender in flat order.
    """
    array = np.asarray(values, dtype=np.float64)
    bad = np.isinf(array)
    with np.errstate(invalid="ignore"):
        if above is not None:
            bad |= array <= above
        if at_least is not None:
            bad |= array < at_least
        if below is not None:
            bad |= array >= below
        if up_to is not None:
            bad |= array > up_to
    if not bad.any():
        return array
    if invalid == "nan":
        return np.where(bad, np.nan, array)
    bounds = [(">", above), (">=", at_least), ("<", below), ("<=", up_to)]
    wanted = " and ".join(f"{sign} {bound:g}" for sign, bound in bounds if bound is not None) or "finite"
    first = int(np.flatnonzero(bad)[0])
    where = f" at index {first}" if array.ndim else ""
    raise ProbeInputError(f"{name} must be {wanted}, got {array.flat[first]!s}{where}")
