"""The live service: pollers -> pipeline -> publisher, until somebody says stop.

One event loop. The pipeline is pure and runs on it in small turns, a few probes at a time, so that no poll waits for
it; only writing to disk goes to a thread.
"""

import asyncio
import random
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.acquire.acquisition import Acquisition
from agent.alerts.condition import condition_payload, sample_payload
from agent.alerts.ledger import Handed, Transition
from agent.alerts.status import status_payload
from agent.alerts.topics import agent_topic, probe_topic
from agent.burst import BURST_S, Quickening
from agent.clock import Clock
from agent.config.model import Settings
from agent.counters import Counters
from agent.event_clock import EventClock
from agent.intake import Intake
from agent.outgoing import ALERT_ROWS, PROBE_ROWS, alert_rows, messages_of, stamp
from agent.pipeline import Pipeline
from agent.publish.publisher import Publisher
from agent.signals import Sample
from agent.store.database import open_store
from agent.store.messages import OutgoingMessage

__all__ = ["Service"]

TURN_S: Final = 0.2  # how often the pipeline gets a turn
STEP_S: Final = 15.0  # how many seconds of samples it takes at once; no symptom is decided in less than a minute
QUICK_STEP_S: Final = 2.0  # while a check is going on
STATE_S: Final = 300.0  # how old the saved state of a detector may be at most after a power cut
HEARTBEAT_S: Final = 60.0
BURST_RENEW_S: Final = 5.0
SILENT_S: Final = 300.0


class Service:
    """Everything that `flueward run` runs.

    Parameters
    ----------
    settings : Settings
    clock : Clock
    rng : random.Random
        For jitter and dither.
    log
        A structured logger.

    Raises
    ------
    StoreError
        The data folder cannot be used, or another agent runs on it; the message says which and what would be right.
    ValueError
        A map that cannot be read within its own limits.
    """

    def __init__(self, settings: Settings, *, clock: Clock, rng: random.Random, log: FilteringBoundLogger) -> None:
        self.settings, self.log = settings, log
        self.counters = Counters()
        self.clock = EventClock(clock, self.counters)
        self.version = version("flueward")
        self.started_s = self.clock.utc()
        self.store = open_store(
            settings.data_dir / "flueward.db",
            log=log,
            counters=self.counters,
            clock=self.clock,
            limit=settings.mqtt.outbox_limit,
        )
        try:
            self._assemble(rng)
        except BaseException:  # the folder's lock must not outlive any failure
            self.store.close()
            raise

    def _assemble(self, rng: random.Random) -> None:
        settings = self.settings
        self.pipeline = Pipeline(
            settings,
            self.counters,
            saved=self.store.load(PROBE_ROWS),
            book=self.store.load(ALERT_ROWS),
            start_s=self.started_s,
        )
        self.intake = Intake(settings)
        self.acquisition = Acquisition(
            settings,
            clock=self.clock,
            rng=rng,
            emit=self._sample,
            emit_feed=self.intake.feed,
            counters=self.counters,
            log=self.log,
        )
        mqtt = settings.mqtt
        self.publisher = Publisher(
            mqtt,
            client_id=mqtt.client_id or f"flueward-{settings.site}-{settings.agent}",
            will=self._offline(self.started_s),
            store=self.store,
            clock=self.clock,
            counters=self.counters,
            log=self.log,
            stamp=stamp,
            jitter=rng,
        )
        now_s = self.clock.monotonic()
        count = max(len(settings.probes), 1)
        # Spread over the period, so that no turn has all probes.
        self._due_s = {probe: now_s + STEP_S * (i + 1) / count for i, probe in enumerate(settings.probes)}
        self._save_s = {probe: now_s + STATE_S * (i + 1) / count for i, probe in enumerate(settings.probes)}
        self._tell_s = dict.fromkeys(settings.probes, now_s)
        self._told: dict[str, tuple[object, ...]] = {}
        self._quick_until_s: dict[str, float] = {}
        self._burst_s: dict[str, float] = {}
        self._last_sample_s: dict[str, float] = {}
        self._beat_s = now_s
        self._tick_s = now_s
        self._quickening = Quickening()

    @property
    def pipeline_turns(self) -> int:
        """How often the pipeline has had its turn: what a watchdog may be fed by."""
        return self.counters.total("pipeline_turn")

    async def run(self, stop: asyncio.Event) -> None:
        """Poll, judge and publish until `stop` is set; then save, say offline and return."""
        settings = self.settings
        self.log.info(
            "started",
            version=self.version,
            site=settings.site,
            agent=settings.agent,
            probes=len(settings.probes),
            lines=len(settings.lines),
            broker=f"{settings.mqtt.host}:{settings.mqtt.port}",
            data_dir=str(settings.data_dir),
        )
        leftovers = self.pipeline.book.leftovers()
        if leftovers:
            rows = [OutgoingMessage(m.topic, m.payload, m.retain, "state", m.topic, self.started_s) for m in leftovers]
            await self._commit(rows, {})
        publishing: asyncio.Task[Any] = asyncio.create_task(self.publisher.run(), name="publisher")
        polling: asyncio.Task[Any] = asyncio.create_task(self.acquisition.run(), name="acquisition")
        judging: asyncio.Task[Any] = asyncio.create_task(self._judge_forever(), name="pipeline")
        stopping: asyncio.Task[Any] = asyncio.create_task(stop.wait(), name="stop")
        try:
            parts = {publishing, polling, judging}
            done, _ = await asyncio.wait({*parts, stopping}, return_when=asyncio.FIRST_COMPLETED)
            for task in (polling, judging):
                task.cancel()
            await asyncio.gather(polling, judging, return_exceptions=True)
            await self._finish()
            for task in done & parts:
                task.result()  # a part of the service failed: the caller is told, after everything was saved
        finally:
            for task in (publishing, polling, judging, stopping):
                task.cancel()
            await asyncio.gather(publishing, polling, judging, stopping, return_exceptions=True)
            self.store.close()
        self.log.info("stopped")

    # From samples to transitions

    def _sample(self, sample: Sample) -> None:
        self.intake.sample(sample)
        if sample.values:
            self._last_sample_s[sample.probe] = sample.time_s
        if self._quickening.begun(sample):
            now_s = self.clock.monotonic()
            if now_s - self._burst_s.get(sample.probe, -BURST_RENEW_S) >= BURST_RENEW_S:
                self._burst_s[sample.probe] = now_s
                self.acquisition.burst(sample.probe, now_s + BURST_S)
            self._quick_until_s[sample.probe] = now_s + BURST_S
            self._due_s[sample.probe] = min(self._due_s[sample.probe], now_s + QUICK_STEP_S)

    async def _judge_forever(self) -> None:
        turn_s = self.clock.monotonic()
        while True:
            turn_s = max(turn_s + TURN_S, self.clock.monotonic())
            await self.clock.sleep_until(turn_s)
            now_s = self.clock.monotonic()
            self.counters.count("pipeline_turn")
            due = [probe for probe, at_s in self._due_s.items() if at_s <= now_s]
            transitions = self._step(due, now_s) if due else []
            if now_s >= self._tick_s:
                self._tick_s = now_s + 1.0
                transitions += self.pipeline.tick()
            saved = [probe for probe in due if self._save_s[probe] <= now_s]
            if transitions or saved:
                await self._save(transitions, saved)
            for probe in due:
                self._tell_condition(probe, now_s)
            if now_s >= self._beat_s:
                self._beat_s = now_s + HEARTBEAT_S
                self._heartbeat()

    def _step(self, due: list[str], now_s: float) -> list[Transition]:
        watermark_s = self.clock.utc()  # samples are handed over as they are stamped: all up to now are in
        self.pipeline.feed({probe: self.intake.drain(probe) for probe in due})
        for probe in due:
            quick = self._quick_until_s.get(probe, -1.0) > now_s
            self._due_s[probe] = now_s + (QUICK_STEP_S if quick else STEP_S)
        return self.pipeline.judge(watermark_s, due)

    async def _save(self, transitions: list[Transition], probes: Iterable[str]) -> None:
        """One transaction: the messages, the rows of the alerts, and the state that they came from."""
        changed = dict.fromkeys(probes)
        changed.update((transition.key.split("/")[0], None) for transition in transitions)
        now_s = self.clock.monotonic()
        rows: dict[tuple[str, str], dict[str, Any] | None] = alert_rows(self.pipeline.book.changed_rows())
        for probe in changed:
            watcher = self.pipeline.watchers.get(probe)
            if watcher is not None:
                rows[PROBE_ROWS, probe] = watcher.to_dict()
                self._save_s[probe] = now_s + STATE_S
        await self._commit(messages_of(transitions), rows)
        for transition in transitions:
            if transition.kind is Handed.TRANSITION and transition.payload is not None:
                told = transition.payload
                self.log.info(
                    "alert",
                    probe=told["probe"],
                    symptom=told["symptom"],
                    state=told["state"],
                    id=told["id"],
                    seq=told["seq"],
                    headline=told["headline"],
                )

    async def _commit(
        self, messages: list[OutgoingMessage], rows: dict[tuple[str, str], dict[str, Any] | None]
    ) -> None:
        await asyncio.to_thread(self.store.commit, messages=messages, rows=rows)
        self.publisher.wake()

    # What the outside is told besides alerts

    def _tell_condition(self, probe: str, now_s: float) -> None:
        now = self.pipeline.now(probe, self.clock.utc())
        state = (now.mode, now.trust, now.error_direction)
        if now_s < self._tell_s[probe] and state == self._told.get(probe):
            return
        if state != self._told.get(probe):
            self.log.info("probe", probe=probe, mode=now.mode.value, reading=now.trust.value)
        self._tell_s[probe], self._told[probe] = now_s + HEARTBEAT_S, state
        settings = self.settings
        reports = self.pipeline.watchers[probe].reports()
        payload = condition_payload(settings, now, reports, self.pipeline.book.active(probe))
        self.publisher.set_state(probe_topic(settings.site, probe, "condition"), payload)
        if settings.mqtt.sample_period_s > 0:
            sample = sample_payload(settings, now)
            if sample is not None:
                self.publisher.set_state(probe_topic(settings.site, probe, "sample"), sample, retain=False)

    def _heartbeat(self) -> None:
        now_s = self.clock.utc()
        heard = self._last_sample_s
        silent = sum(now_s - heard.get(probe, self.started_s) > SILENT_S for probe in self.settings.probes)
        waiting, set_aside = self.store.counts()
        payload = status_payload(
            self.settings,
            state="online",
            at_s=now_s,
            version=self.version,
            started_at_s=self.started_s,
            last_sample_at_s=max(heard.values(), default=None),
            polled=len(self.settings.probes),
            silent=silent,
            waiting=waiting,
            set_aside=set_aside,
            disk=self.store.disk,
        )
        self.publisher.set_state(agent_topic(self.settings.site, self.settings.agent, "status"), payload)

    def _offline(self, at_s: float) -> OutgoingMessage:
        settings = self.settings
        payload = status_payload(
            settings, state="offline", at_s=at_s, version=self.version, started_at_s=self.started_s
        )
        topic = agent_topic(settings.site, settings.agent, "status")
        return OutgoingMessage(topic, payload, True, "state", topic, at_s)

    async def _finish(self) -> None:
        """Samples in hand judged, everything saved, the last word said."""
        probes = list(self.settings.probes)
        transitions = self._step(probes, self.clock.monotonic()) + self.pipeline.tick()
        await self._save(transitions, probes)
        await self.publisher.stop(self._offline(self.clock.utc()))
