"""Look at probes and feeds now: line by line, one request at a time on each, never as a second master."""

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from agent.acquire.acquisition import make_wire
from agent.acquire.decode import CompiledMap
from agent.acquire.once import Look, SignalLook, read_once
from agent.acquire.transport import Wire
from agent.clock import Clock
from agent.commands.running import running_agent
from agent.config.model import Feed, Line, Probe, RtuLine, RtuOverTcpLine, Settings
from agent.signals import Reason, Sample

__all__ = ["Looker", "endpoint", "longest_wait_s", "polled"]

_WHOLE_LINE = (Reason.CONNECT, Reason.FOREIGN_MASTER)


def polled(settings: Settings, name: str) -> Probe | Feed:
    """The probe or feed of that name; KeyError without one."""
    return settings.probes.get(name) or settings.feeds[name]


def endpoint(line: Line) -> str:
    """Where a line leads, in words."""
    if isinstance(line, RtuLine):
        return f"{line.device} {line.baudrate} {line.parity[0].upper()} {line.stopbits}"
    return f"{line.host}:{line.port}"


def longest_wait_s(settings: Settings, names: Iterable[str]) -> float:
    """How long listening on serial lines takes, before anything is asked. [s]"""
    lines = [settings.lines[polled(settings, name).line] for name in names]
    return max((at.listen_s for at in lines if isinstance(at, RtuLine | RtuOverTcpLine)), default=0.0)


class Looker:
    """Reads probes and feeds once, and may be asked again.

    A serial line is listened to before its first request only. On a serial line that a running agent polls nothing is
    asked at all: behind a converter that agent cannot even be heard. A line that cannot be used is not tried again for
    each of its units.
    """

    def __init__(self, settings: Settings, clock: Clock, make_wire: Callable[[Line], Wire] = make_wire) -> None:
        self.settings, self.clock, self.make_wire = settings, clock, make_wire
        self._agent = running_agent(settings.data_dir)

    async def look(self, names: Iterable[str]) -> dict[str, Look]:
        """One look at each, lines side by side, what is on one line in turn. KeyError for an unknown name."""
        by_endpoint: dict[str, list[str]] = {}
        wanted = list(dict.fromkeys(names))
        for name in wanted:
            by_endpoint.setdefault(endpoint(self.settings.lines[polled(self.settings, name).line]), []).append(name)
        found: dict[str, Look] = {}
        await asyncio.gather(*(self._one_line(row, found) for row in by_endpoint.values()))
        return {name: found[name] for name in wanted}

    async def _one_line(self, names: list[str], found: dict[str, Look]) -> None:
        given_up: tuple[Reason, str] | None = None
        for name in names:
            at = polled(self.settings, name)
            line = self.settings.lines[at.line]
            if self._agent is not None and isinstance(line, RtuLine | RtuOverTcpLine):
                given_up = Reason.FOREIGN_MASTER, self._polled_by_agent(at.line)
            if given_up is not None:
                found[name] = _unasked(self.settings, name, self.clock.utc(), *given_up)
                continue
            look = await read_once(self.settings, name, clock=self.clock, make_wire=self.make_wire)
            reason = None if look.sample.values else _reason(look)
            if reason is Reason.CONNECT and self._agent is not None:
                told = f"{look.detail}; the running agent (process {self._agent}) may hold the only connection it gives"
                look = replace(look, detail=told)
            if reason in _WHOLE_LINE:
                given_up = reason, look.detail
            elif isinstance(line, RtuLine | RtuOverTcpLine):
                self._heard_out(at.line)
            found[name] = look

    def _heard_out(self, line_id: str) -> None:
        """This line was listened to just now, and we are its master."""
        line = self.settings.lines[line_id].model_copy(update={"listen_s": 0.0})
        self.settings = self.settings.model_copy(update={"lines": {**self.settings.lines, line_id: line}})

    def _polled_by_agent(self, line_id: str) -> str:
        return (
            f"the running agent (process {self._agent}) polls line {line_id}, and a serial line has one master: "
            "nothing was asked. Stop the agent for this look, or use what it has saved"
        )


def _reason(look: Look) -> Reason | None:
    return next(iter(look.sample.reasons.values()), None)


def _unasked(settings: Settings, name: str, utc_s: float, reason: Reason, detail: str) -> Look:
    at = polled(settings, name)
    names: Mapping[str, Reason] = dict.fromkeys(CompiledMap(settings.maps[at.map], at.address_shift).names, reason)
    signals = {signal: SignalLook(signal, (), None, reason) for signal in names}
    return Look(Sample(name, utc_s, {}, names), signals, detail)
