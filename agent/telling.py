"""What the outside is told besides alerts: the condition of each probe, and that the agent lives."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final, Literal

from structlog.typing import FilteringBoundLogger

from agent.alerts.condition import condition_payload, sample_payload
from agent.alerts.status import status_payload
from agent.alerts.topics import agent_topic, probe_topic
from agent.config.model import Settings
from agent.event_clock import EventClock
from agent.pipeline import Pipeline
from agent.publish.publisher import Publisher
from agent.reconstruct.now import Mode, ProbeNow, Trust
from agent.rfc3339 import to_text
from agent.steps import Steps
from agent.store.database import Store
from agent.store.messages import OutgoingMessage
from detectors.finding import Report, Watch

__all__ = ["Telling", "offline"]

_REFRESH_S: Final = 60.0
_SILENT_S: Final = 300.0
Disk = Literal["ok", "low", "full"]
_DISKS: Final = ("ok", "low", "full")
_AHEAD_S: Final = 2.0  # event time so far ahead of the machine's clock: it was set back, and is being caught up with


def offline(settings: Settings, *, version: str, started_s: float, at_s: float) -> OutgoingMessage:
    """The last word, and the will that the broker keeps for the case that there is none."""
    payload = status_payload(settings, state="offline", at_s=at_s, version=version, started_at_s=started_s)
    topic = agent_topic(settings.site, settings.agent, "status")
    return OutgoingMessage(topic, payload, True, "state", topic, at_s)


class Telling:
    """Publishes `condition` when something changes and each minute, `sample` at its period, `status` each minute."""

    def __init__(
        self,
        settings: Settings,
        pipeline: Pipeline,
        steps: Steps,
        store: Store,
        publisher: Publisher,
        *,
        clock: EventClock,
        log: FilteringBoundLogger,
        version: str,
        started_s: float,
        history_disk: Callable[[], Disk] = lambda: "ok",
    ) -> None:
        self._history_disk = history_disk
        self._settings, self._pipeline, self._steps = settings, pipeline, steps
        self._store, self._publisher, self._clock, self._log = store, publisher, clock, log
        self._version, self._started_s = version, started_s
        self._heard_s: dict[str, float] = {}
        self._told: dict[str, tuple[object, ...]] = {}
        self._mode: dict[str, tuple[Mode, Trust]] = {}
        self._blind: dict[str, dict[str, str]] = {}
        self._tell_s: dict[str, float] = {}
        self._sample_s: dict[str, float] = {}
        self._beat_s = float("-inf")
        self._disk: object = None

    def heard(self, probe: str, time_s: float) -> None:
        """A sample with values came in."""
        self._heard_s[probe] = time_s

    def condition(self, probe: str, now_s: float) -> None:
        """Publish what a probe is doing, where that has changed or is a minute old (`now_s` is monotonic)."""
        now, reports = self._known(probe)
        alerts = self._pipeline.book.active(probe)
        state = (
            *(now.mode, now.trust, now.error_direction),
            tuple((alert["id"], alert["seq"]) for alert in alerts),
            tuple(report.watch for report in reports.values()),
        )
        site = self._settings.site
        if state != self._told.get(probe) or now_s >= self._tell_s.get(probe, now_s):
            self._told[probe], self._tell_s[probe] = state, now_s + _REFRESH_S
            self._log_changes(now, reports)
            payload = condition_payload(self._settings, now, reports, alerts)
            self._publisher.set_state(probe_topic(site, probe, "condition"), payload)
        period_s = self._settings.mqtt.sample_period_s
        if period_s > 0 and now_s >= self._sample_s.get(probe, now_s):
            self._sample_s[probe] = max(self._sample_s.get(probe, now_s) + period_s, now_s)
            sample = sample_payload(self._settings, now)
            if sample is not None:
                self._publisher.set_state(probe_topic(site, probe, "sample"), sample, retain=False)

    def _known(self, probe: str) -> tuple[ProbeNow, dict[str, Report]]:
        now = self._pipeline.now(probe, self._clock.utc())
        reports = self._pipeline.watchers[probe].reports()
        since_s = self._steps.failing.get(probe)
        if since_s is None:
            return now, reports
        # What a fault of ours left behind is no judgement: say that there is none.
        needs = f"not judged since {to_text(since_s)}: a fault of this program, told in its log"
        blind = {
            name: Report(watch=Watch.NOT_OBSERVABLE, learnt=report.learnt, needs=needs)
            for name, report in reports.items()
        }
        now = replace(
            now, mode=Mode.UNKNOWN, trust=Trust.UNKNOWN, steady_trust=None, error_estimate=None, error_direction=None
        )
        return now, blind

    def _log_changes(self, now: ProbeNow, reports: dict[str, Report]) -> None:
        probe = now.probe
        if self._mode.get(probe) != (now.mode, now.trust):
            self._mode[probe] = (now.mode, now.trust)
            self._log.info("probe", probe=probe, mode=now.mode.value, reading=now.trust.value)
        if now.sample_at_s is None:
            return  # before the first sample nothing is known of what can be seen
        blind = {name: report.needs for name, report in reports.items() if report.watch is Watch.NOT_OBSERVABLE}
        before = self._blind.get(probe, {})
        self._blind[probe] = blind
        for name, needs in blind.items():
            if before.get(name) != needs:
                self._log.info("not_observable", probe=probe, symptom=name, needs=needs)
        for name in before.keys() - blind.keys():
            self._log.info("observable", probe=probe, symptom=name)

    def status(self, now_s: float) -> None:
        """Publish that the agent lives, each minute and when the disk changes (`now_s` is monotonic)."""
        disk = (self._store.trouble, self._history_disk())
        if now_s < self._beat_s and disk == self._disk:
            return
        self._beat_s, self._disk = now_s + _REFRESH_S, disk
        utc_s, heard = self._clock.utc(), self._heard_s
        silent = sum(utc_s - heard.get(probe, self._started_s) > _SILENT_S for probe in self._settings.probes)
        waiting, set_aside = self._store.counts()
        payload = status_payload(
            self._settings,
            state="online",
            at_s=utc_s,
            version=self._version,
            started_at_s=self._started_s,
            last_sample_at_s=max(heard.values(), default=None),
            polled=len(self._settings.probes),
            silent=silent,
            waiting=waiting,
            set_aside=set_aside,
            clock="unsynchronised" if self._clock.ahead_s > _AHEAD_S else "unknown",
            disk=max(self._store.disk, disk[1], key=_DISKS.index),
        )
        self._publisher.set_state(agent_topic(self._settings.site, self._settings.agent, "status"), payload)
