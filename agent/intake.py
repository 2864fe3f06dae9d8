"""Samples as they come, turned into stretches: a row a sample, the signals of the unit's feeds beside its own."""

from collections.abc import Callable, Mapping
from math import nan
from typing import Final

import numpy as np

from agent.config.model import RegisterMap, Settings
from agent.signals import Reason, Sample
from detectors.stretch import Stretch

__all__ = ["Intake", "columns_of", "signals_of"]

ROWS_MAX: Final = (
    1200  # of one probe: 20 minutes at the quickest usual poll, while a disk that hangs holds the pipeline
)


def columns_of(settings: Settings, probe_id: str) -> tuple[tuple[str, ...], dict[str, str]]:
    """The probe's own signals in a fixed order, and for each signal that only a feed has, the feed it comes from."""
    probe = settings.probes[probe_id]
    register_map = settings.maps[probe.map]
    own = dict.fromkeys(signals_of(register_map))
    fed: dict[str, str] = {}
    for feed_id in probe.feeds:
        for name in signals_of(settings.maps[settings.feeds[feed_id].map]):
            if name not in own:
                fed.setdefault(name, feed_id)
    return tuple(own), fed


def signals_of(register_map: RegisterMap) -> tuple[str, ...]:
    """Every signal of a map: its registers, and the flags of its status words."""
    names = dict.fromkeys(register_map.signals)
    for word in register_map.status_words.values():
        names.update(dict.fromkeys(name for flags in word.values.values() for name in flags))
    return tuple(names)


class Intake:
    """Collects the samples of all probes between two steps of the pipeline."""

    def __init__(self, settings: Settings) -> None:
        self._columns = {probe: columns_of(settings, probe) for probe in settings.probes}
        self._max_age_s = {feed: settings.feeds[feed].max_age_s for feed in settings.feeds}
        self._rows: dict[str, list[list[float]]] = {probe: [] for probe in settings.probes}
        self._fed: dict[str, tuple[float, Mapping[str, float]]] = {}
        self.reasons: dict[str, dict[str, Reason]] = {probe: {} for probe in settings.probes}
        self.tee: Callable[[str, list[float]], None] | None = None  # is shown each row as well
        self.dropped = 0  # samples given up, the oldest first, because nobody took them

    def feed(self, sample: Sample) -> None:
        """Take a sample of a feed: its values hold until the next one, or until they are too old."""
        if sample.values:
            self._fed[sample.probe] = (sample.time_s, sample.values)

    def sample(self, sample: Sample) -> None:
        """Take a sample of a probe."""
        own, fed = self._columns[sample.probe]
        get = sample.values.get
        row = [sample.time_s]
        row += [get(name, nan) for name in own]
        for name, feed in fed.items():
            at_s, values = self._fed.get(feed, (-np.inf, {}))
            row.append(values.get(name, nan) if sample.time_s - at_s <= self._max_age_s[feed] else nan)
        rows = self._rows[sample.probe]
        if len(rows) >= ROWS_MAX:
            self.dropped += ROWS_MAX // 10
            del rows[: ROWS_MAX // 10]  # some at once: it is a list
        rows.append(row)
        if self.tee is not None:
            self.tee(sample.probe, row)
        self.reasons[sample.probe] = dict(sample.reasons)

    def waiting(self, probe_id: str) -> int:
        """How many samples of a probe are waiting."""
        return len(self._rows[probe_id])

    def drain(self, probe_id: str) -> Stretch:
        """The samples of a probe since the last time, as arrays."""
        own, fed = self._columns[probe_id]
        rows, self._rows[probe_id] = self._rows[probe_id], []
        table = np.array(rows, np.float64).reshape(len(rows), 1 + len(own) + len(fed)).T
        return Stretch(table[0], dict(zip((*own, *fed), table[1:], strict=True)))
