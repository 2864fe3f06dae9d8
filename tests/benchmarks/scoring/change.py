"""Comparators: general-purpose change detectors of the river library on daily medians of the raw signals.

river is the library that people reach for to notice change in streams; its detectors run online, as Flueward does.
Page-Hinkley is the classical cumulative test for a shift of the mean, ADWIN the adaptive window that the library puts
first. KSWIN is left out: it compares 30 with 70 values, days here, and one case takes it longer than Flueward.
Offline segmentation (ruptures) sees the whole record before it speaks and would be no fair peer in delay.

Each signal is taken as it is, and scaled by median and spread of its first 30 days, as its documentation advises for
Page-Hinkley's `delta` and `threshold`. One alarm a signal, quiet for seven days after, as an alert of Flueward.
Signals whose moves are the process's own (O2, head, flue) are left out, which favours the comparator.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from river.drift import ADWIN, PageHinkley

from tests.benchmarks.scoring.records import DAY_S, Raised

__all__ = ["LADDERS", "MEANS", "alarms"]

Floats = NDArray[np.float64]
LEARN = 30
QUIET_DAYS = 7.0
# What a change of each raw signal means to whoever looks at the trend.
MEANS = {
    "duty": ("heater_duty_creep", "heater"),
    "air_mv": ("cell_offset_drift", "cell"),
    "stored_offset": ("cell_offset_drift", "cell"),
    "return_s": ("slow_recovery", "filter"),
    "cell_temp": ("heater_open", "heater"),
    "valid_share": ("no_communication", "line"),
}
# The one threshold of each, the documented default first, then ever less sensitive.
LADDERS: Mapping[str, tuple[str, tuple[float, ...]]] = {
    "Page-Hinkley": (
        "threshold",
        (50.0, 70.0, 100.0, 140.0, 200.0, 280.0, 400.0, 560.0, 800.0, 1200.0, 2000.0, 5e3, 1.5e4, 5e4, 2e5, 1e6),
    ),
    "ADWIN": ("delta", (0.002, 1e-4, 1e-6, 1e-9, 1e-14, 1e-20, 1e-30, 1e-50, 1e-80, 1e-130)),
}
_MAKE: Mapping[str, Callable[[float], Any]] = {
    "Page-Hinkley": lambda threshold: PageHinkley(threshold=threshold),
    "ADWIN": lambda delta: ADWIN(delta=delta),
}


def alarms(kind: str, threshold: float, probe: str, table: Mapping[str, Floats]) -> list[Raised]:
    """Alarms on one probe's daily table; told when the day is over."""
    out: list[Raised] = []
    for name, (symptom, part) in MEANS.items():
        values = table[name]
        at = np.flatnonzero(np.isfinite(values))
        if at.size < LEARN:
            continue
        first = values[at[:LEARN]]
        centre = float(np.median(first))
        spread = 1.4826 * float(np.median(np.abs(first - centre)))
        spread = max(spread, 1e-3 * max(abs(centre), 1e-3))  # a register that stands still
        detector, last_day = _MAKE[kind](threshold), -np.inf
        for i in at.tolist():
            detector.update((values[i] - centre) / spread)
            day = float(table["day"][i])
            if detector.drift_detected and day - last_day > QUIET_DAYS:
                out.append(Raised(probe, symptom, (day + 1.0) * DAY_S, part, f"{kind} on {name}"))
            if detector.drift_detected:
                last_day = day
    return out
