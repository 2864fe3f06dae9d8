"""The made season, a day at a time through the pipeline that also runs live: baselines exist when live begins."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from agent.alerts.condition import condition_payload
from agent.alerts.ledger import Transition
from agent.alerts.topics import probe_topic
from agent.config.model import Settings
from agent.counters import Counters
from agent.outgoing import PROBE_ROWS, alert_rows, messages_of
from agent.pipeline import Pipeline
from agent.simulate.history import make_history
from agent.simulate.plant import Plant
from agent.store.messages import OutgoingMessage
from detectors.stretch import Floats, Stretch

__all__ = ["Season", "live_through"]

DAY_S: Final = 86_400.0


class Season:
    """What a season left: the transitions, and the rows and messages that an agent would have in its store."""

    def __init__(self, settings: Settings, pipeline: Pipeline, transitions: list[Transition], end_s: float) -> None:
        self.transitions = transitions
        self.rows: dict[tuple[str, str], dict[str, Any] | None] = alert_rows(pipeline.book.to_rows())
        # The broker was there all season: what stands is on its topics, what happened was told at its time.
        latest: dict[str, OutgoingMessage] = {}
        for probe, watcher in pipeline.watchers.items():
            self.rows[PROBE_ROWS, probe] = watcher.to_dict()
            topic = probe_topic(settings.site, probe, "condition")
            payload = condition_payload(settings, watcher.now(end_s), watcher.reports(), pipeline.book.active(probe))
            latest[topic] = OutgoingMessage(topic, payload, True, "state", topic, end_s)
        latest |= {m.topic: m for m in messages_of(transitions) if m.retain}
        self.messages = list(latest.values())


def live_through(plant: Plant, settings: Settings, *, progress: Callable[[str, float], None]) -> Season:
    """Run the plant's history through the pipeline. `progress` is told what is done and the share of it, 0..1."""
    history: dict[str, tuple[Floats, dict[str, Floats]]] = {}
    count = len(plant.models)
    for probe_id, time_s, signals in make_history(plant):
        history[probe_id] = (time_s, signals)
        progress("making", len(history) / count)
    pipeline = Pipeline(settings, Counters())
    transitions: list[Transition] = []
    first_s = np.floor(plant.from_s / DAY_S) * DAY_S
    edges = [*np.arange(first_s + DAY_S, plant.live_start_s, DAY_S), plant.live_start_s]
    before_s = -np.inf
    for end_s in edges:
        day: dict[str, Stretch] = {}
        for probe_id, (time_s, signals) in history.items():
            rows = slice(*np.searchsorted(time_s, [before_s, end_s]))
            day[probe_id] = Stretch(time_s[rows], {name: column[rows] for name, column in signals.items()})
        pipeline.feed(day)
        transitions += pipeline.judge(float(end_s)) + pipeline.tick()
        before_s = end_s
        progress("watching", (end_s - plant.from_s) / (plant.live_start_s - plant.from_s))
    return Season(settings, pipeline, transitions, plant.live_start_s)
