"""All lines of a plant: polls probes and feeds until cancelled, and hands every sample on."""

import asyncio
import random
from collections.abc import Callable
from typing import Final

from agent.acquire.decode import CompiledMap
from agent.acquire.line import LineRunner
from agent.acquire.link import LinkNow, Log
from agent.acquire.poll import Poller
from agent.acquire.schedule import Grid, needs_dither, stagger_s
from agent.acquire.serial import RtuOverTcpWire, SerialWire
from agent.acquire.slot import Slot
from agent.acquire.tcp import TcpWire
from agent.acquire.transport import Wire
from agent.clock import Clock
from agent.config.model import Feed, Line, Probe, RtuLine, RtuOverTcpLine, Settings, TcpLine
from agent.counters import Counters
from agent.signals import Sample

__all__ = ["Acquisition", "make_wire"]

RESTART_REST_S: Final = 10.0  # after a fault of our own in a line


def make_wire(line: Line) -> Wire:
    """The closed connection that a line's settings describe."""
    pace = {"timeout_s": line.timeout_s, "pause_s": line.pause_ms / 1e3}
    if isinstance(line, TcpLine):
        return TcpWire(line.host, line.port, **pace, connect_timeout_s=line.connect_timeout_s)
    if isinstance(line, RtuOverTcpLine):
        return RtuOverTcpWire(line.host, line.port, **pace, connect_timeout_s=line.connect_timeout_s)
    return SerialWire(
        line.device,
        baudrate=line.baudrate,
        parity=line.parity,
        stopbits=line.stopbits,
        **pace,
    )


class Acquisition:
    """Polls every probe and feed of the settings, a task for each line.

    Parameters
    ----------
    settings : Settings
    clock : Clock
    rng : random.Random
        For jitter and dither.
    emit, emit_feed : callable
        Take the samples of probes and of feeds (there `Sample.probe` is the feed's id). Called on the event loop; they
        must be quick and must not raise.
    counters : Counters
        Gets `cycle_missed`, `read_<reason>`, `exception_<code>`, `map_refused`, `foreign_master`, `late_answer`,
        `duplicate_answer`, `line_noise`, `unexpected_data` and `line_failed`.
    log
        A structured logger.
    make_wire : callable
        From a line's settings to its connection; tests pass their own.

    Raises
    ------
    ValueError
        A map cannot be read within its own limits, or a shift leads out of 0..65535; the message names the probe.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        rng: random.Random,
        emit: Callable[[Sample], None],
        emit_feed: Callable[[Sample], None],
        counters: Counters,
        log: Log,
        make_wire: Callable[[Line], Wire] = make_wire,
    ) -> None:
        self._clock, self._rng, self._counters, self._log = clock, rng, counters, log
        self._slots: dict[str, Slot] = {}
        by_line: dict[str, list[Slot]] = {}
        compiled: dict[tuple[str, int], CompiledMap] = {}
        links: dict[tuple[str, int], LinkNow] = {}
        polled: list[tuple[str, Probe | Feed, Callable[[Sample], None]]] = [
            *((name, probe, emit) for name, probe in settings.probes.items()),
            *((name, feed, emit_feed) for name, feed in settings.feeds.items()),
        ]
        start_s = clock.monotonic()
        for index, (name, at, hand_on) in enumerate(polled):
            key = (at.map, at.address_shift)
            try:
                if key not in compiled:
                    compiled[key] = CompiledMap(settings.maps[at.map], at.address_shift)
            except ValueError as error:
                kind = "probes" if isinstance(at, Probe) else "feeds"
                raise ValueError(f"{kind}.{name} with maps.{at.map}: {error}") from error
            poller = Poller(name, at.unit, compiled[key], hand_on, clock)
            dither = rng if isinstance(at, Probe) and needs_dither(frozenset(poller.names)) else None
            link = links.setdefault((at.line, at.unit), LinkNow(at.line, at.unit))
            slot = Slot(
                poller=poller,
                link=link,
                grid=Grid(start_s + stagger_s(index, at.period_s), at.period_s, dither),
                period_s=at.period_s,
                burst_period_s=at.burst_period_s if isinstance(at, Probe) else None,
                dither=dither,
            )
            by_line.setdefault(at.line, []).append(slot)
            if isinstance(at, Probe):
                self._slots[name] = slot
        self._lines = {
            line: self._runner(line, settings.lines[line], slots, make_wire) for line, slots in by_line.items()
        }

    def _runner(self, line: str, at: Line, slots: list[Slot], wire_of: Callable[[Line], Wire]) -> LineRunner:
        runner = LineRunner(
            line,
            wire_of(at),
            slots,
            clock=self._clock,
            rng=self._rng,
            counters=self._counters,
            log=self._log,
            listen_s=at.listen_s if isinstance(at, RtuLine | RtuOverTcpLine) else 0.0,
            back_off_max_s=at.back_off_max_s,
        )
        for slot in slots:
            slot.poller.rest_s = runner.rest
        return runner

    async def run(self) -> None:
        """Poll until cancelled. A line that fails by a fault of our own is started again and never ends another."""
        async with asyncio.TaskGroup() as group:
            for line, runner in self._lines.items():
                group.create_task(self._keep_running(line, runner), name=f"line {line}")

    async def _keep_running(self, line: str, runner: LineRunner) -> None:
        while True:
            try:
                await runner.run()
            except Exception as error:  # noqa: BLE001 - a bug met on one line must not silence the plant; it is told
                self._counters.count("line_failed", line)
                self._log.error("line_failed", line=line, error=repr(error), restart_in_s=RESTART_REST_S, exc_info=True)
            await self._clock.sleep_until(self._clock.monotonic() + RESTART_REST_S)

    def burst(self, probe: str, until_monotonic_s: float) -> None:
        """Poll this probe, and only it, at its burst period until then. Raises KeyError for a probe not configured."""
        self._slots[probe].burst(self._clock.monotonic(), until_monotonic_s)

    def links(self) -> list[LinkNow]:
        """How every line and every unit is now, for `status`: a line first, then its units."""
        found: list[LinkNow] = []
        for runner in self._lines.values():
            found.append(runner.link)
            found.extend(runner.units.values())
        return found

    def problems(self) -> dict[str, str]:
        """What is wrong now, in words, by `line`, `line/unit`, or `probe` where its map is refused."""
        found = {
            link.line if link.unit is None else f"{link.line}/{link.unit}": f"{link.reason.value}: {link.detail}"
            for link in self.links()
            if link.reason is not None
        }
        for runner in self._lines.values():
            for poller in runner.pollers:
                if poller.refused_now:
                    found[poller.probe] = "; ".join(
                        f"{', '.join(refused.names)}: {refused.error.detail}" for refused in poller.refused_now.values()
                    )
        return found
