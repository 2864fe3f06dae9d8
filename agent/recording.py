"""The service's history: what the pipeline is fed, and what it makes of episodes, handed to the recorder's thread."""

import threading
from collections.abc import Callable
from functools import partial
from math import isfinite
from typing import Any, Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.clock import Clock
from agent.config.model import Settings
from agent.counters import Counters
from agent.intake import Intake, columns_of
from agent.logs import where
from agent.pipeline import Pipeline
from agent.reconstruct.episodes import Check, RecoveryWindow
from agent.reconstruct.judge import Unseen
from agent.rfc3339 import to_text
from agent.store.recorder import Recorder
from agent.store.sample_writer import Keeping
from detectors.cell_offset_drift import AirCheck
from detectors.finding import Finding
from detectors.slow_recovery import Recovery

__all__ = ["Recording", "episode_row"]

_FAILED_S: Final = 60.0  # of rest after a fault of this program


class Recording:
    """Nothing at all where `[history] record` is false; else a thread that writes, and hooks that cost an append.

    Parameters
    ----------
    keeping : Keeping, optional
        For tests; by the settings where left out.
    """

    def __init__(
        self,
        settings: Settings,
        pipeline: Pipeline,
        intake: Intake,
        *,
        clock: Clock,
        counters: Counters,
        log: FilteringBoundLogger,
        keeping: Keeping | None = None,
    ) -> None:
        self._counters, self._log = counters, log
        self._stop, self._flushed = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self._failing = False
        self.recorder: Recorder | None = None
        options = settings.history
        if not options.record:
            return
        columns = {probe: (*own, *fed) for probe, (own, fed) in _columns(settings)}
        if keeping is None:
            keeping = Keeping(raw_days=options.raw_days, raw_bytes=options.raw_megabytes * 1_000_000)
        recorder = Recorder(settings.data_dir, columns, clock=clock, counters=counters, log=log, keeping=keeping)
        self.recorder = recorder
        intake.tee = recorder.take
        for probe, watcher in pipeline.watchers.items():
            watcher.on_episode = partial(_tell, recorder.tell, probe)

    @property
    def disk(self) -> Literal["ok", "low", "full"]:
        """What history has to say of the disk."""
        return "ok" if self.recorder is None else self.recorder.disk

    def start(self) -> None:
        """Begin to write."""
        if self.recorder is not None:
            # It ends with the process whatever holds it up: a disk may do so for ever.
            self._thread = threading.Thread(target=self._run, args=(self.recorder,), name="history", daemon=True)
            self._thread.start()

    def finish(self, within_s: float) -> bool:
        """Write what was taken, and close. False where the disk took longer."""
        self._stop.set()
        if self._thread is None:
            return True
        done = self._flushed.wait(within_s)
        if done:
            self._thread.join(within_s)
        return done

    def _run(self, recorder: Recorder) -> None:
        rest_s = 0.0
        while not self._stop.wait(rest_s):
            rest_s = self._tried(recorder.turn)
        self._tried(recorder.flush)
        self._flushed.set()
        self._tried(recorder.close)

    def _tried(self, work: Callable[[], float | None]) -> float:
        try:
            return work() or 0.0
        except Exception as error:  # noqa: BLE001 - a fault in history must not end polling, nor history; it is told
            self._counters.count("history_failed")
            if not self._failing:
                self._failing = True
                message = "a fault of this program, please report it; polling and alerts go on"
                self._log.error("history_failed", error=repr(error), where=where(error), message=message)
            return _FAILED_S


def _columns(settings: Settings) -> list[tuple[str, tuple[tuple[str, ...], dict[str, str]]]]:
    return [(probe, columns_of(settings, probe)) for probe in settings.probes]


def _tell(
    tell: Callable[[str, dict[str, Any]], None],
    probe: str,
    episode: Check | RecoveryWindow | Finding,
    result: AirCheck | Unseen | Recovery | Finding | None,
) -> None:
    tell(probe, episode_row(episode, result))


def episode_row(
    episode: Check | RecoveryWindow | Finding, result: AirCheck | Unseen | Recovery | Finding | None
) -> dict[str, Any]:
    """An episode as it is kept: `kind`, `from`, `to`, and what was made of it. Unknown is null."""
    if isinstance(episode, Finding):
        began_s = episode.at_s if episode.since_s is None else episode.since_s
        return {"kind": "outage", "from": to_text(began_s), "to": _time(None if result is None else result.at_s)}
    if isinstance(episode, RecoveryWindow):
        row: dict[str, Any] = {
            "kind": "recovery",
            "from": to_text(episode.from_s),
            "to": to_text(episode.until_s),
            "after": episode.after.value,
            "presumed": episode.presumed,
        }
        if isinstance(result, Recovery):
            row |= {
                "accepted": result.accepted,
                "why_not": result.why_not,
                "tau_s": _known(result.tau_s),
                "tau_u_s": _known(result.tau_u_s),
                "load_pct": _known(result.load_pct),
                "flue_temp_c": _known(result.flue_temp_c),
                "cell_temp_c": _known(result.cell_temp_c),
                "compared_as": result.after,
                "twin_used": result.twin_used,
            }
        return row
    row = {
        "kind": episode.kind.value,
        "from": to_text(episode.start_s),
        "to": to_text(episode.end_s),
        "presumed": episode.presumed,
        "o2_before_frac": _known(episode.before_frac),
    }
    if isinstance(result, AirCheck):
        row |= {
            "settled": True,
            "raw_offset_mv": _known(result.raw_offset_mv),
            "raw_u_mv": _known(result.raw_u_mv),
            "remaining_offset_mv": _known(result.remaining_offset_mv),
            "remaining_u_mv": _known(result.remaining_u_mv),
        }
    elif isinstance(result, Unseen):
        row |= {"settled": False, "why_not": result.why}
    return row


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else to_text(time_s)
