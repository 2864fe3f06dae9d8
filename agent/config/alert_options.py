"""Options of a `[detectors.<symptom>]` table that speak of the alert, not of its detector, with the types they take."""

from collections.abc import Mapping
from typing import Final

__all__ = ["ALERT_OPTIONS"]

ALERT_OPTIONS: Final[Mapping[str, tuple[type, ...]]] = {
    "on_delay_s": (float,),
    "off_delay_s": (float,),
    "priority": (str,),
    "audience": (str,),
    "alarm": (bool,),
    "latching": (bool,),
}
