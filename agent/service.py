"""The live service: pollers -> pipeline -> publisher, until somebody says stop.

One event loop. The pipeline is pure and runs on it in small turns, a few probes at a time, so that no poll waits for
it; only writing to disk goes to a thread.
"""

import asyncio
import random
from collections.abc import Coroutine, Iterable
from importlib.metadata import version
from typing import Any, Final

from structlog.typing import FilteringBoundLogger

from agent.acquire.acquisition import Acquisition
from agent.alerts.ledger import Transition
from agent.burst import BURST_S, Quickening
from agent.clock import Clock
from agent.config.model import Settings
from agent.counters import Counters
from agent.event_clock import EventClock
from agent.intake import Intake
from agent.outgoing import stamp
from agent.pipeline import Pipeline
from agent.publish.publisher import Publisher
from agent.recording import Recording
from agent.saving import Saved, Saving
from agent.signals import Sample
from agent.steps import TURN_S, Steps
from agent.store.database import open_store
from agent.store.messages import OutgoingMessage
from agent.store.opening import Connect, connect
from agent.telling import Telling, offline

__all__ = ["Service"]

TICK_S: Final = 1.0
BURST_RENEW_S: Final = 5.0
EPISODE_MAX_S: Final = 3600.0  # an episode that stays open for longer is a stuck flag, and no reason to poll fast
HALT_S: Final = 0.5  # an orderly stop, at most: for polls and the turn of the pipeline
LAST_SAVE_S: Final = 2.0  # for the disk; the publisher takes two seconds more


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
    open_file : callable
        Opens the database's file; tests pass one whose disk is full or hangs.

    Raises
    ------
    StoreError
        The data folder cannot be used, or another agent runs on it; the message says which and what would be right.
    ValueError
        A map that cannot be read within its own limits.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        rng: random.Random,
        log: FilteringBoundLogger,
        open_file: Connect = connect,
    ) -> None:
        self.settings, self.log = settings, log
        self.counters = Counters()
        self.clock = EventClock(clock, self.counters)
        self.version = version("flueward")
        self.store = open_store(
            settings.data_dir / "flueward.db",
            log=log,
            counters=self.counters,
            clock=self.clock,
            limit=settings.mqtt.outbox_limit,
            open_file=open_file,
        )
        try:
            self._assemble(rng)
        except BaseException:  # the folder's lock must not outlive any failure
            self.store.close()
            raise

    def _assemble(self, rng: random.Random) -> None:
        settings, log = self.settings, self.log
        saved = Saved(self.store, settings.probes, now_s=self.clock.utc())
        self.clock.resume(saved.until_s)
        self.started_s = self.clock.utc()
        self.pipeline = Pipeline(settings, self.counters, saved=saved.probes, book=saved.alerts, start_s=self.started_s)
        now_s = self.clock.monotonic()
        self.intake = Intake(settings)
        self.recording = Recording(
            settings, self.pipeline, self.intake, clock=self.clock, counters=self.counters, log=log
        )
        self.steps = Steps(settings, self.pipeline, self.intake, counters=self.counters, log=log, now_s=now_s)
        self.acquisition = Acquisition(
            settings,
            clock=self.clock,
            rng=rng,
            emit=self._sample,
            emit_feed=self.intake.feed,
            counters=self.counters,
            log=log,
        )
        mqtt = settings.mqtt
        self.publisher = Publisher(
            mqtt,
            client_id=mqtt.client_id or f"flueward-{settings.site}-{settings.agent}",
            will=self._offline(self.started_s),
            store=self.store,
            clock=self.clock,
            counters=self.counters,
            log=log,
            stamp=stamp,
            jitter=rng,
        )
        self.saving = Saving(
            self.pipeline,
            self.steps,
            self.store,
            clock=self.clock,
            counters=self.counters,
            log=log,
            written=self.publisher.wake,
        )
        self.telling = Telling(
            settings,
            self.pipeline,
            self.steps,
            self.store,
            self.publisher,
            clock=self.clock,
            log=log,
            version=self.version,
            started_s=self.started_s,
            history_disk=lambda: self.recording.disk,
        )
        self._restored = saved
        self._quickening = Quickening()
        self._burst_s: dict[str, float] = {}
        self._episode_s: dict[str, float] = {}  # since when an episode is open, monotonic
        self._tick_every_s, self._tick_s = min(TICK_S, self.steps.shortest_s), now_s
        self._clock_steps, self._dropped = (0, 0), 0
        self._jumped: list[Transition] = []  # what was judged when the clock was set forward

    @property
    def pipeline_turns(self) -> int:
        """How often the pipeline has had its turn: what a watchdog may be fed by."""
        return self.counters.total("pipeline_turn")

    async def run(self, stop: asyncio.Event) -> None:
        """Poll, judge and publish until `stop` is set; then save, say offline and return, within five seconds."""
        self._say_started()
        self.recording.start()
        publishing = _start("publisher", self.publisher.run())
        polling = _start("acquisition", self.acquisition.run())
        judging = _start("pipeline", self._judge_forever())
        stopping = _start("stop", stop.wait())
        parts = {publishing, polling, judging}
        try:
            done, _ = await asyncio.wait({*parts, stopping}, return_when=asyncio.FIRST_COMPLETED)
            for task in (polling, judging):
                task.cancel()
            await asyncio.wait({polling, judging}, timeout=HALT_S)
            await self._finish()
            for task in done & parts:
                task.result()  # a part of the service failed: the caller is told, after everything was saved
        finally:
            for task in (*parts, stopping):
                task.cancel()
            await asyncio.wait({*parts, stopping}, timeout=HALT_S)
            closing = _start("close", asyncio.to_thread(self.store.close))  # a disk that hangs must not hold it up
            await asyncio.wait({closing}, timeout=HALT_S)
            for task in parts:
                if task.done() and not task.cancelled():
                    task.exception()  # seen: the first of them is what the caller is told
        self.log.info("stopped")

    def _say_started(self) -> None:
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
        self.saving.say_refused(self._restored)

    def _sample(self, sample: Sample) -> None:
        self._cross_jump(sample.time_s)
        self.intake.sample(sample)
        if sample.values:
            self.telling.heard(sample.probe, sample.time_s)
        if self._quickening.begun(sample):
            self._look_closer(sample.probe, self.clock.monotonic())

    def _cross_jump(self, after_s: float) -> None:
        """Where the clock was set forward: judge what came before by the time it came at, and begin to listen anew."""
        before_s = self.clock.take_jump()
        if before_s is None:
            return
        self._jumped += self.steps.run(list(self.settings.probes), before_s, self.clock.monotonic())
        for watcher in self.pipeline.watchers.values():
            watcher.listen_from(after_s)

    def _look_closer(self, probe: str, now_s: float) -> None:
        if now_s - self._burst_s.get(probe, -BURST_RENEW_S) >= BURST_RENEW_S:
            self._burst_s[probe] = now_s
            self.acquisition.burst(probe, now_s + BURST_S)
        self.steps.quicken(probe, now_s, now_s + BURST_S)

    async def _judge_forever(self) -> None:
        turn_s = self.clock.monotonic()
        leftovers = self.pipeline.book.leftovers()
        if leftovers:
            rows = [OutgoingMessage(m.topic, m.payload, m.retain, "state", m.topic, self.started_s) for m in leftovers]
            await self.saving.write(rows, {})
        while True:
            turn_s = max(turn_s + TURN_S, self.clock.monotonic())
            await self.clock.sleep_until(turn_s)
            now_s = self.clock.monotonic()
            self.counters.count("pipeline_turn")
            due = self.steps.due(now_s)
            transitions = self._step(due, now_s)
            if now_s >= self._tick_s:
                self._tick_s = now_s + self._tick_every_s
                transitions += self.steps.tick()
                self._say_changes()
            await self.saving.save(transitions, due)
            self._follow_episodes(due, now_s)
            for probe in dict.fromkeys([*due, *(one.key.split("/")[0] for one in transitions)]):
                self.telling.condition(probe, now_s)
            self.telling.status(now_s)

    def _step(self, due: list[str], now_s: float) -> list[Transition]:
        watermark_s = self.clock.utc()  # samples are handed over as they are stamped: all up to now are in
        self._cross_jump(watermark_s)
        transitions, self._jumped = self._jumped, []
        return transitions + self.steps.run(due, watermark_s, now_s)

    def _follow_episodes(self, due: Iterable[str], now_s: float) -> None:
        """Keep looking closely as long as a check goes on, also one that shows neither flag nor jump."""
        for probe in due:
            if not self.pipeline.watchers[probe].episode_open:
                self._episode_s.pop(probe, None)
            elif now_s - self._episode_s.setdefault(probe, now_s) <= EPISODE_MAX_S:
                self._look_closer(probe, now_s)

    def _say_changes(self) -> None:
        """What was only counted, and concerns the whole: once at each change."""
        steps = (self.counters.total("clock_stepped_back"), self.counters.total("clock_stepped_forward"))
        if steps != self._clock_steps:
            self._clock_steps = steps
            message = "the machine's clock was set; times never run back: they run slowly until it has caught up"
            self.log.warning("clock_stepped", ahead_s=round(self.clock.ahead_s, 1), message=message)
        if self.intake.dropped > self._dropped:
            if self._dropped == 0:
                self.log.error("samples_dropped", message="the pipeline is held up, most likely by the disk")
            self.counters.count("sample_dropped", by=self.intake.dropped - self._dropped)
            self._dropped = self.intake.dropped

    def _offline(self, at_s: float) -> OutgoingMessage:
        return offline(self.settings, version=self.version, started_s=self.started_s, at_s=at_s)

    async def _finish(self) -> None:
        """Samples in hand judged, everything saved, the last word said."""
        try:
            await self._save_last()
        finally:
            recording = _start("history", asyncio.to_thread(self.recording.finish, LAST_SAVE_S))
            await self.publisher.stop(self._offline(self.clock.utc()))
            await asyncio.wait({recording}, timeout=HALT_S)

    async def _save_last(self) -> None:
        probes, until_s = list(self.settings.probes), self.clock.monotonic() + LAST_SAVE_S
        if await self.saving.settled(LAST_SAVE_S):
            transitions = self._step(probes, self.clock.monotonic()) + self.steps.tick()
            saving = _start("last save", self.saving.save(transitions, probes, all_of_them=True))
            await asyncio.wait({saving}, timeout=max(0.1, until_s - self.clock.monotonic()))
            if saving.done():
                saving.result()
        if not await self.saving.settled(0.0):
            self.log.error("not_saved", message="the disk did not take the last state in time")


def _start(name: str, work: Coroutine[Any, Any, Any]) -> asyncio.Task[Any]:
    return asyncio.create_task(work, name=name)
