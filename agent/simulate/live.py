"""The invented plant, now: register images that carry history on, and faults that can be let happen."""

from collections.abc import Callable, Mapping
from math import inf

import numpy as np

from agent.simulate.encode import Image, image_of
from agent.simulate.faults import Fault, Silent
from agent.simulate.history import signals_of
from agent.simulate.plant import Plant

__all__ = ["LivePlant"]

FRESH_S = 0.1  # a transmitter that is read again within this answers from the same measurement


class LivePlant:
    """The registers of every transmitter of a plant, as a function of the time that `utc` tells.

    It is the `RegisterSource` of a `ModbusServer`. Before the plant's start of live it says what history says.
    """

    def __init__(self, plant: Plant, utc: Callable[[], float]) -> None:
        self.plant, self._utc = plant, utc
        self.models = dict(plant.models)
        self._probes_at: dict[tuple[str, int], list[str]] = {}
        for probe_id, probe in plant.settings.probes.items():
            self._probes_at.setdefault((probe.line, probe.unit), []).append(probe_id)
        self._feeds_at: dict[tuple[str, int], list[str]] = {}
        for feed_id, feed in plant.settings.feeds.items():
            self._feeds_at.setdefault((feed.line, feed.unit), []).append(feed_id)
        self._cached: dict[tuple[str, int], tuple[float, Image | None]] = {}

    @property
    def units(self) -> Mapping[str, tuple[int, ...]]:
        """The units of each line."""
        found: dict[str, set[int]] = {line: set() for line in self.plant.settings.lines}
        for line, unit in (*self._probes_at, *self._feeds_at):
            found[line].add(unit)
        return {line: tuple(sorted(units)) for line, units in found.items()}

    def advance(self, now_utc_s: float) -> dict[tuple[str, int], Image | None]:
        """The registers of every line and unit at an instant; None for a transmitter that does not answer."""
        units = [(line, unit) for line, units in self.units.items() for unit in units]
        for line, unit in units:
            self._cached[line, unit] = (now_utc_s, self._image(line, unit, now_utc_s))
        return {key: self._cached[key][1] for key in units}

    def registers(self, line: str, unit: int) -> Image | None:
        """The registers of one unit now; None where nobody of that number is, or it does not answer."""
        now_s = self._utc()
        at_s, image = self._cached.get((line, unit), (-inf, None))
        if not 0.0 <= now_s - at_s < FRESH_S:  # a clock that was set back makes it old as well
            image = self._image(line, unit, now_s)
            self._cached[line, unit] = (now_s, image)
        return image

    def values(self, probe_id: str, now_utc_s: float) -> dict[str, float] | None:
        """The signals of one probe before they are rounded into registers; None when its transmitter is silent."""
        time_s, model = np.array([now_utc_s]), self.models[probe_id]
        if not model.answers(time_s)[0]:
            return None
        wanted = signals_of(self.plant.settings.maps[self.plant.settings.probes[probe_id].map])
        return {name: float(value[0]) for name, value in model.at(time_s, wanted).items()}

    def inject(self, fault: Fault) -> None:
        """Let one more fault happen, at its own onset. Raises KeyError for a probe that the plant does not have."""
        model = self.models[fault.probe]
        self.models[fault.probe] = model.with_faults([*model.faults, fault])
        self._cached.clear()

    def silence_line(self, line: str, *, onset_s: float, until_s: float = inf) -> None:
        """Every transmitter of a line stops answering, its feeds excepted: a cable cut behind a converter."""
        for (at_line, _), probes in self._probes_at.items():
            if at_line == line:
                for probe_id in probes:
                    self.inject(Silent(probe=probe_id, onset_s=onset_s, until_s=until_s))

    def _image(self, line: str, unit: int, now_utc_s: float) -> Image | None:
        settings = self.plant.settings
        image: Image = {}
        answers = False
        for probe_id in self._probes_at.get((line, unit), ()):
            values = self.values(probe_id, now_utc_s)
            if values is not None:  # of two probes on one transmitter, either keeps it answering
                probe = settings.probes[probe_id]
                image_of(settings.maps[probe.map], values, shift=probe.address_shift, into=image)
                answers = True
        for feed_id in self._feeds_at.get((line, unit), ()):
            feed = settings.feeds[feed_id]
            feed_map = settings.maps[feed.map]
            unit_values = self.plant.feed_at(np.array([now_utc_s]), signals_of(feed_map))
            scalars = {name: float(value[0]) for name, value in unit_values.items()}
            image_of(feed_map, scalars, shift=feed.address_shift, into=image)
            answers = True
        return image if answers else None
