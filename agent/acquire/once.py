"""One look at one probe or feed, for a person: raw registers, values, and why any is missing."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from agent.acquire.acquisition import make_wire
from agent.acquire.decode import CompiledMap
from agent.acquire.line import LISTEN_NOISE_MAX_BYTES
from agent.acquire.poll import Poller
from agent.acquire.transport import LinkError, Wire
from agent.clock import Clock
from agent.config.model import Line, RtuLine, RtuOverTcpLine, Settings
from agent.signals import Reason, Sample

__all__ = ["Look", "SignalLook", "read_once"]


@dataclass(frozen=True, slots=True)
class SignalLook:
    """One signal as it came: registers or bits, value in engineering units, or the reason why there is none."""

    name: str
    raw: tuple[int, ...]  # empty where nothing was read
    value: float | None
    reason: Reason | None


@dataclass(frozen=True, slots=True)
class Look:
    """What one look brought. `detail` says in words what went wrong, and is empty where nothing did."""

    sample: Sample
    signals: Mapping[str, SignalLook]
    detail: str = ""


async def read_once(
    settings: Settings,
    name: str,
    *,
    clock: Clock,
    make_wire: Callable[[Line], Wire] = make_wire,
) -> Look:
    """Connect, read every block of a probe or feed once, and close.

    A serial line is listened to first, as the service does; with somebody else speaking on it nothing is sent. A
    failure is no exception: the look then has reasons instead of values, and says in `detail` what happened.

    Raises
    ------
    KeyError
        No probe and no feed of that name.
    ValueError
        The map cannot be read within its own limits.
    """
    at = settings.probes.get(name) or settings.feeds[name]
    line = settings.lines[at.line]
    wire = make_wire(line)
    samples: list[Sample] = []
    compiled = CompiledMap(settings.maps[at.map], at.address_shift)
    poller = Poller(name, at.unit, compiled, samples.append, clock, raw={})
    try:
        await wire.open()
        if wire.shared_medium and isinstance(line, RtuLine | RtuOverTcpLine) and line.listen_s:
            await asyncio.sleep(line.listen_s)
            heard = wire.overheard(final=True)
            if heard.foreign or heard.noise_bytes > LISTEN_NOISE_MAX_BYTES:
                raise LinkError(
                    Reason.FOREIGN_MASTER,
                    "somebody else speaks on this line: stop that master, or the agent if it is running, and try again",
                )
        error = await poller.poll(wire, clock.monotonic())
    except LinkError as failure:
        error = failure
        poller.missing(failure.reason)
    finally:
        wire.close()
    sample, raw = samples[-1], poller.raw_words()
    looks = {
        signal: SignalLook(signal, raw.get(signal, ()), sample.values.get(signal), sample.reasons.get(signal))
        for signal in poller.names
    }
    return Look(sample, looks, error.detail if error is not None else "")
