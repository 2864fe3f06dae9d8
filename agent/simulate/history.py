"""A season of made history: what adaptive polling of the invented plant would have left behind."""

from collections.abc import Iterator, Mapping

import numpy as np

from agent.config.model import RegisterMap
from agent.simulate.encode import as_read
from agent.simulate.episodes import Episode
from agent.simulate.physics import Floats
from agent.simulate.plant import Plant

__all__ = ["history_times", "make_history", "read_signals"]

DAY_S = 86_400.0
BLOCK = 16_384  # rows worked on at once: the arrays stay in the processor's cache


def make_history(
    plant: Plant,
    *,
    end_utc_s: float | None = None,
    days: float | None = None,
    coarse_s: float = 60.0,
    burst_s: float = 1.0,
    after_s: float = 600.0,
) -> Iterator[tuple[str, Floats, dict[str, Floats]]]:
    """Each probe in turn: its id, UTC times of shape (n,), and its signals of shape (n,) with its feeds' merged in.

    Rows lie `coarse_s` apart, and `burst_s` apart from the start of an episode to `after_s` beyond its end. Values are
    what the registers hold, decoded; missing is NaN, and all of a silent transmitter's own signals are. History ends
    before `end_utc_s`, the plant's start of live where not given, and begins `days` earlier, with the plant at most.
    """
    end_s = plant.live_start_s if end_utc_s is None else end_utc_s
    from_s = plant.from_s if days is None else max(plant.from_s, end_s - days * DAY_S)
    for probe_id, model in plant.models.items():
        time_s = history_times(model.episodes, from_s, end_s, coarse_s=coarse_s, burst_s=burst_s, after_s=after_s)
        yield probe_id, time_s, read_signals(plant, probe_id, time_s)


def history_times(
    episodes: tuple[Episode, ...], from_s: float, end_s: float, *, coarse_s: float, burst_s: float, after_s: float
) -> Floats:
    """When rows were taken, strictly rising: a coarse grid from `from_s`, a fine one in and after episodes."""
    coarse = from_s + coarse_s * np.arange(np.ceil((end_s - from_s) / coarse_s))
    parts = []
    rest_from_s = from_s
    for episode in episodes:
        start, stop = max(episode.start_s, rest_from_s), min(episode.end_s + after_s, end_s)
        if stop <= from_s or start >= end_s or start >= stop:
            continue
        parts.append(coarse[np.searchsorted(coarse, rest_from_s) : np.searchsorted(coarse, start)])
        parts.append(start + burst_s * np.arange(np.ceil((stop - start) / burst_s)))
        rest_from_s = stop
    parts.append(coarse[np.searchsorted(coarse, rest_from_s) :])
    return np.concatenate(parts)


def read_signals(plant: Plant, probe_id: str, time_s: Floats) -> dict[str, Floats]:
    """What a reader of the registers gets at rising times, with the feeds of the probe, shape of `time_s`."""
    probe, model = plant.settings.probes[probe_id], plant.models[probe_id]
    own_map = plant.settings.maps[probe.map]
    own = signals_of(own_map)
    feeds = {feed: plant.settings.maps[plant.settings.feeds[feed].map] for feed in probe.feeds}
    out = {name: np.empty_like(time_s) for names in (own, *map(signals_of, feeds.values())) for name in names}
    for first in range(0, time_s.size, BLOCK):
        rows = slice(first, first + BLOCK)
        block = time_s[rows]
        _read_into(out, rows, own_map, model.at(block, own))
        for feed_map in feeds.values():
            _read_into(out, rows, feed_map, plant.feed_at(block, signals_of(feed_map)))
        answers = model.answers(block)
        if not answers.all():
            for name in own:
                out[name][rows][~answers] = np.nan
    return out


def signals_of(register_map: RegisterMap) -> list[str]:
    """Every signal a map has: its registers, and the flags of its status words."""
    flags = {
        flag: None for word in register_map.status_words.values() for named in word.values.values() for flag in named
    }
    return list({**dict.fromkeys(register_map.signals), **flags})


def _read_into(out: Mapping[str, Floats], rows: slice, register_map: RegisterMap, values: Mapping[str, Floats]) -> None:
    for name, value in values.items():
        register = register_map.signals.get(name)
        out[name][rows] = value if register is None else as_read(register, value)
