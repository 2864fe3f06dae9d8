"""When to look closer: a quick test of each live sample that tells the poller a check has begun.

It only steers the polling. What a check meant is judged later, from all samples, by the pipeline.
"""

from typing import Final

from agent.signals import Sample

__all__ = ["BURST_S", "Quickening"]

BURST_S: Final = 600.0  # ten minutes after the last sign of an episode
_LONGEST_S: Final = 3600.0  # a flag that stands for longer is stuck, or no check
_CHECK_FLAGS: Final = (
    "air_check_active", "test_gas_active", "blowback_active", "furnace_purge_active", "calibrating",
)  # fmt: skip
_JUMPS: Final = (("o2", 4.0), ("cell_emf", 10.0))  # % O2, mV between two samples: no furnace does that, a check does


class Quickening:
    """Remembers the last values of each probe and since when each flag of it stands."""

    def __init__(self) -> None:
        self._last: dict[tuple[str, str], float] = {}
        self._flagged_since_s: dict[tuple[str, str], float] = {}

    def begun(self, sample: Sample) -> bool:
        """Whether this sample shows gas of our own at the cell, or a jump to or from it."""
        values, probe = sample.values, sample.probe
        jumped = False
        for name, size in _JUMPS:
            value = values.get(name)
            if value is not None:
                jumped |= abs(value - self._last.get((probe, name), value)) > size
                self._last[probe, name] = value
        fresh = False
        for flag in _CHECK_FLAGS:
            value = values.get(flag)
            if value == 1.0:
                since_s = self._flagged_since_s.setdefault((probe, flag), sample.time_s)
                fresh |= sample.time_s - since_s <= _LONGEST_S
            elif value is not None:  # what is not known ends nothing
                self._flagged_since_s.pop((probe, flag), None)
        return jumped or fresh
