"""The invented plant as a whole: a boiler, its probes, what is wrong with them, and the truth to score against."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from agent.config.model import Settings
from agent.simulate.boiler import Boiler
from agent.simulate.faults import Decoy, Fault, Truth, truth_of
from agent.simulate.noise import NoiseTables
from agent.simulate.physics import Floats
from agent.simulate.probe import ProbeModel
from agent.simulate.scenario import COUNTED_MAPS, Draw, draw_demo, draw_season
from agent.simulate.settings import plant_settings

__all__ = ["Plant", "make_plant"]

DAY_S = 86_400.0
FUTURE_DAYS = 30.0  # the timetables of checks reach this far beyond the start of live


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Everything about one plant as functions of time. `settings` has the ports of `plant.toml`."""

    settings: Settings
    seed: int
    live_start_s: float  # where history ends and live begins, UTC seconds since 1970
    from_s: float  # where history begins
    boiler: Boiler
    models: Mapping[str, ProbeModel]  # by probe
    later: tuple[Fault, ...] = ()  # faults that a demo may let happen after a while; see `LivePlant.inject`

    def truth(self) -> tuple[Truth, ...]:
        """The faults, soonest visible first: what a perfect watcher says, and when at the earliest."""
        return truth_of(fault for model in self.models.values() for fault in model.faults)

    def decoys(self) -> tuple[Decoy, ...]:
        """What looks like a fault and is none."""
        return (*self.boiler.decoys, *(jump for model in self.models.values() for jump in model.jumps))

    def feed_at(self, time_s: Floats, wanted: Collection[str]) -> dict[str, Floats]:
        """The unit's own signals."""
        state = self.boiler.at(time_s)
        found = {"load": state.load_pct, "flue_temp": state.flue_temp_c, "firing": state.firing}
        return {name: found[name] for name in wanted if name in found}


def make_plant(
    seed: int = 1, *, live_start_utc_s: float, days: float = 100.0, story: Literal["demo", "season"] = "demo"
) -> Plant:
    """Draw a plant. The same arguments give the same plant, to the last bit.

    Parameters
    ----------
    seed : int
        Varies noise, time constants, baselines, weather, decoys and, within bounds, how bad the faults are.
    live_start_utc_s : float
        Start of live, from which the script counts, and end of history [UTC seconds since 1970]; whole seconds are
        kept. Who needs time to digest history sets it that far ahead and ends `make_history` at the time of now.
    days : float
        Length of the history, at least 1.
    story : str
        `demo`: `duct_mid` has an ageing heater that history shows, `duct_north` a filter whose third slow return comes
        5 s into live, `econ_east` an offset first beyond 5 mV in the check 8 s into live; the others are healthy.
        `season`: faults of every kind on probes and at times that the seed picks, all within history.
    """
    if not days >= 1.0:
        raise ValueError(f"days must be at least 1, got {days!r}")
    live_start_s = float(np.floor(live_start_utc_s))
    from_s = live_start_s - days * DAY_S
    settings = plant_settings()
    rng = np.random.default_rng([seed, 0x51])
    tables = NoiseTables.draw(rng)
    draw: Draw = (draw_demo if story == "demo" else draw_season)(rng, settings, from_s, live_start_s)
    boiler = Boiler(
        tables=tables, week_from_s=draw.week_from_s, offset=int(rng.integers(1 << 17)), decoys=draw.boiler_decoys
    )
    models = {}
    for probe_id, drawn in draw.probes.items():
        episodes = sorted(
            (
                episode
                for timetable in drawn.timetables
                for episode in timetable.between(from_s + 3600.0, live_start_s + FUTURE_DAYS * DAY_S)
            ),
            key=lambda episode: episode.start_s,
        )
        models[probe_id] = ProbeModel(
            boiler,
            drawn.parameters,
            episodes,
            rng.standard_normal(len(episodes)),
            faults=_of(probe_id, draw.faults),
            jumps=[jump for jump in draw.jumps if jump.probe == probe_id],
            counts_from_s=from_s if settings.probes[probe_id].map in COUNTED_MAPS else None,
        )
    return Plant(
        settings=settings,
        seed=seed,
        live_start_s=live_start_s,
        from_s=from_s,
        boiler=boiler,
        models=models,
        later=draw.later,
    )


def _of(probe_id: str, faults: Iterable[Fault]) -> list[Fault]:
    return [fault for fault in faults if fault.probe == probe_id]
