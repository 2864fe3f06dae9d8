"""Whose turn it is in the pipeline, and what happens when a turn fails: one probe's trouble stays that probe's."""

from collections.abc import Callable, Iterable
from functools import partial
from typing import Final

from structlog.typing import FilteringBoundLogger

from agent.alerts.ledger import Transition
from agent.config.detector_settings import detector_settings
from agent.config.model import Settings
from agent.counters import Counters
from agent.intake import Intake
from agent.logs import where
from agent.pipeline import Pipeline

__all__ = ["TURN_S", "Steps", "step_s"]

TURN_S: Final = 0.2  # how often the pipeline gets a turn
_QUICK_S: Final = 2.0  # between two steps of a probe while a check is going on
_LONGEST_S: Final = 24.0
_SHARE: Final = 5.0  # steps in the shortest time that a symptom of the probe needs


def step_s(settings: Settings, probe: str) -> float:
    """How many seconds of samples a probe's step takes: a fifth of the shortest time in which a symptom is decided.

    With the defaults that is 24 s. A site that wants silence told after 20 s gets steps that are short enough for it.
    """
    shortest_s = min(
        float(detector_settings(settings, probe, "no_communication").silence_s),
        float(detector_settings(settings, probe, "heater_open").window_s),
    )
    return min(_LONGEST_S, max(TURN_S, shortest_s / _SHARE))


class Steps:
    """Lets each probe have its turn. A fault of the program in one is counted, told once, and ends nothing else.

    Attributes
    ----------
    failing : dict of str to float
        Probes that cannot be judged now, by a fault of this program, and since when (UTC seconds).
    """

    def __init__(
        self,
        settings: Settings,
        pipeline: Pipeline,
        intake: Intake,
        *,
        counters: Counters,
        log: FilteringBoundLogger,
        now_s: float,
    ) -> None:
        self._pipeline, self._intake, self._counters, self._log = pipeline, intake, counters, log
        self._step_s = {probe: step_s(settings, probe) for probe in settings.probes}
        count = max(len(self._step_s), 1)
        # Spread over the period, so that no turn has all probes.
        self._due_s = {probe: now_s + each * (i + 1) / count for i, (probe, each) in enumerate(self._step_s.items())}
        self._quick_until_s: dict[str, float] = {}
        self._book_fails = False
        self.failing: dict[str, float] = {}

    @property
    def shortest_s(self) -> float:
        """The shortest step of all probes."""
        return min(self._step_s.values(), default=_LONGEST_S)

    def due(self, now_s: float) -> list[str]:
        """Probes whose turn it is at `now_s`, monotonic."""
        return [probe for probe, at_s in self._due_s.items() if at_s <= now_s]

    def quicken(self, probe: str, now_s: float, until_s: float) -> None:
        """Short steps for a probe that is being checked, monotonic times."""
        self._quick_until_s[probe] = until_s
        self._due_s[probe] = min(self._due_s[probe], now_s + _QUICK_S)

    def run(self, due: Iterable[str], watermark_s: float, now_s: float) -> list[Transition]:
        """Samples of these probes taken and judged up to `watermark_s` (UTC): what that changes, in order of probes."""
        chosen = list(due)
        sound: dict[str, bool] = {}
        for probe in chosen:
            stretch = self._intake.drain(probe)
            sound[probe] = self._tried(probe, watermark_s, partial(self._pipeline.feed, {probe: stretch}))
            quick = self._quick_until_s.get(probe, -1.0) > now_s
            each_s = self._step_s[probe]
            self._due_s[probe] = now_s + (min(_QUICK_S, each_s) if quick else each_s)
        out: list[Transition] = []
        for probe in chosen:
            sound[probe] &= self._tried(probe, watermark_s, partial(self._judge, probe, watermark_s, out))
            if sound[probe] and self.failing.pop(probe, None) is not None:
                self._log.info("probe_judged_again", probe=probe)
        return out

    def tick(self) -> list[Transition]:
        """What the passing of time changes in the alerts."""
        try:
            out = self._pipeline.tick()
        except Exception as error:  # noqa: BLE001 - a fault in one alert must not end polling; it is told
            self._counters.count("alerts_failed")
            if not self._book_fails:
                self._book_fails = True
                self._log.error("alerts_failed", error=repr(error), where=where(error), message=_FAULT)
            return []
        self._book_fails = False
        return out

    def _judge(self, probe: str, watermark_s: float, out: list[Transition]) -> None:
        out += self._pipeline.judge(watermark_s, [probe])

    def _tried(self, probe: str, at_s: float, work: Callable[[], None]) -> bool:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - a fault in one detector must not silence the plant; it is told
            self._counters.count("probe_failed", probe)
            if probe not in self.failing:
                self.failing[probe] = at_s
                self._log.error("probe_failed", probe=probe, error=repr(error), where=where(error), message=_FAULT)
            return False
        return True


_FAULT: Final = "a fault of this program, please report it; polling and all other probes go on"
