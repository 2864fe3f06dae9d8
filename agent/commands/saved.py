"""What the agent has saved of one probe: read beside a running agent, nothing locked and nothing changed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from agent.alerts.book import AlertBook
from agent.alerts.track import RowError
from agent.config.model import Settings
from agent.outgoing import ALERT_ROWS, PROBE_ROWS
from agent.store.errors import StoreError
from agent.store.reader import load_rows
from agent.watcher import ProbeWatcher

__all__ = ["Saved", "load_saved"]


@dataclass(frozen=True, slots=True)
class Saved:
    """State of all probes, and their open alerts. `problem` says why there is none, empty where none is looked for."""

    states: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    alerts: Mapping[str, list[dict[str, Any]]] = field(default_factory=dict)
    problem: str = ""

    def watcher(self, settings: Settings, probe: str) -> tuple[ProbeWatcher, bool]:
        """The probe's watcher as it was saved, or a new one; and whether it was saved."""
        state = self.states.get(probe)
        if state is not None:
            try:
                return ProbeWatcher(settings, probe, state), True
            except (KeyError, TypeError, ValueError):  # of another version: the service would learn anew as well
                pass
        return ProbeWatcher(settings, probe), False


def load_saved(settings: Settings) -> Saved:
    """Read `data_dir`; a folder without a database is no problem."""
    path: Path = settings.data_dir / "flueward.db"
    try:
        states = load_rows(path, PROBE_ROWS)
        rows = load_rows(path, ALERT_ROWS)
    except (StoreError, ValueError) as error:  # ValueError: a row that is no JSON
        return Saved(problem=str(error))
    except OSError as error:
        return Saved(problem=f"{path} cannot be read: {error.strerror}")
    try:
        book = AlertBook(settings, state=rows)
    except RowError as error:
        return Saved(states, problem=f"saved alerts cannot be read: {error}")
    return Saved(states, {probe: book.active(probe) for probe in settings.probes})
