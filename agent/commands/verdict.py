"""What a look says of one convention: it fits, it does not and this would, or it cannot be told now."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Fit", "Verdict"]


class Fit(StrEnum):
    """Closed set, as in `--json`."""

    FITS = "fits"
    DOES_NOT_FIT = "does_not_fit"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Only ever a suggestion: nothing is changed by it."""

    about: str  # the signal or convention
    fit: Fit
    text: str
