"""One poll of one probe or feed: its blocks in turn, its values or the reasons why there are none."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from agent.acquire.decode import CompiledMap, Decode
from agent.acquire.plan import Block, split_block
from agent.acquire.transport import GATEWAY_EXCEPTIONS, LinkError, Wire, Words
from agent.clock import Clock
from agent.signals import Reason, Sample

__all__ = ["Poller", "Refused", "is_silence"]

WILL_NOT_HEAL: Final = frozenset({0x01, 0x02, 0x03})  # the request itself is refused
MAY_BE_ONE_ADDRESS: Final = frozenset({0x02, 0x03})
REFUSED_REST_FIRST_S: Final = 60.0
REFUSED_REST_MAX_S: Final = 3600.0  # after as long, a block that was taken apart is put together again

TELL_AFTER_SILENCES: Final = 3  # an answer may be lost; three of one block, while others come, are no chance

_SILENT: Final = frozenset({Reason.TIMEOUT, Reason.CLOSED, Reason.CONNECT})

_SPOKE: Final = frozenset({Reason.EXCEPTION, Reason.LENGTH})  # the unit, though not as asked


def is_silence(error: LinkError) -> bool:
    """Whether the unit itself said nothing: no answer, or a gateway's word that there was none."""
    return error.reason in _SILENT or error.code in GATEWAY_EXCEPTIONS


@dataclass(frozen=True, slots=True)
class Refused:
    """A block that the transmitter refuses to give: most likely the map is wrong."""

    block: Block
    names: tuple[str, ...]
    error: LinkError


@dataclass(slots=True)
class _Reading:
    """A block with its decoders, and whether it is asked for now."""

    block: Block
    decoders: tuple[Decode, ...]
    names: tuple[str, ...]
    refusals: int = 0
    silences: int = 0
    retry_at_s: float = 0.0
    resting: Reason = Reason.BACK_OFF  # why, until then


@dataclass(slots=True)
class Poller:
    """What is needed to poll one probe or feed.

    Attributes
    ----------
    answered : bool
        Whether the unit gave any answer in the last poll, a refusal included.
    refused : list of Refused
        Blocks that were found in the last poll to be refused, or silent while others answer.
    refused_now : dict from Block to Refused
        All such blocks that have not answered since.
    """

    probe: str
    unit: int
    compiled: CompiledMap
    emit: Callable[[Sample], None]
    clock: Clock
    rest_s: Callable[[int], float] = lambda _: 0.0  # of a block that stays silent while others answer, by attempts
    raw: dict[Block, Words] | None = None  # filled where somebody wants to see the registers
    answered: bool = field(default=False, init=False)
    refused: list[Refused] = field(default_factory=list, init=False)
    names: tuple[str, ...] = field(default=(), init=False)
    _plan: list[_Reading] = field(init=False)
    _readings: list[_Reading] = field(init=False)
    _first: int = field(default=0, init=False)
    refused_now: dict[Block, Refused] = field(default_factory=dict, init=False)
    _whole_again_at_s: float = field(default=math.inf, init=False)

    def __post_init__(self) -> None:
        self.names = self.compiled.names
        self._plan = self._readings = [self._reading(block) for block in self.compiled.plan]

    def _reading(self, block: Block) -> _Reading:
        decoders, names = self.compiled.compile_block(block)
        return _Reading(block, decoders, names)

    @property
    def blocks(self) -> list[Block]:
        """What one poll asks for now."""
        return [reading.block for reading in self._readings]

    def raw_words(self) -> dict[str, tuple[int, ...]]:
        """The registers or bits behind each signal in the last poll, where `raw` was asked for."""
        return self.compiled.raw_words(self.raw or {})

    def missing(self, reason: Reason) -> None:
        """Emit a sample without values: nothing was asked, and this is why."""
        self.emit(Sample(self.probe, self.clock.utc(), {}, dict.fromkeys(self.names, reason)))

    async def poll(self, wire: Wire, now_s: float) -> LinkError | None:
        """Read every block, emit one sample, and return the failure that says most, or None.

        After a silence the blocks that are left are not asked for, since each would cost another time-out; the next
        poll starts with the next block, so that one block which is always silent does not hide the others. A block that
        is silent while others answer rests for itself.
        """
        values: dict[str, float] = {}
        reasons: dict[str, Reason] = {}
        answered_at_s: float | None = None
        worst: LinkError | None = None
        silent: _Reading | None = None
        self.answered = False
        if self.refused:
            self.refused = []
        if now_s >= self._whole_again_at_s:
            self._readings, self._whole_again_at_s = self._plan, math.inf
        readings = self._readings
        if self._first:
            first = self._first % len(readings)
            readings = readings[first:] + readings[:first]
        for reading in readings:
            if reading.retry_at_s > now_s:
                _mark(reading, values, reasons, reading.resting)
                continue
            if silent is not None and worst is not None:
                _mark(reading, values, reasons, worst.reason)
                continue
            block = reading.block
            try:
                if not wire.is_open:  # the block before ended the connection
                    await wire.open()
                words = await wire.read(self.unit, block.table, block.address, block.count)
            except LinkError as error:
                _mark(reading, values, reasons, error.reason)
                if is_silence(error):
                    silent, worst = reading, error
                else:
                    self.answered |= error.reason in _SPOKE
                    worst = worst or error
                    if error.code in WILL_NOT_HEAL:
                        self._refuse(reading, error, now_s)
                continue
            if answered_at_s is None:
                answered_at_s = self.clock.utc()
                self.answered = True
            if self.raw is not None:
                self.raw[block] = words
            if reading.retry_at_s:
                reading.refusals = reading.silences = 0
                reading.retry_at_s = 0.0
                self.refused_now.pop(block, None)
            for decode in reading.decoders:
                decode(words, values, reasons)
        if silent is not None and worst is not None:
            self._after_silence(silent, worst, now_s)
        self.emit(Sample(self.probe, self.clock.utc() if answered_at_s is None else answered_at_s, values, reasons))
        return worst

    def _after_silence(self, reading: _Reading, error: LinkError, now_s: float) -> None:
        if self.answered and error.reason is not Reason.CONNECT:
            reading.silences += 1
            reading.retry_at_s = now_s + self.rest_s(reading.silences)
            reading.resting = Reason.BACK_OFF
            if reading.silences >= TELL_AFTER_SILENCES:
                self._tell(reading, error)
        self._first = self._readings.index(reading) + 1 if reading in self._readings else 0

    def _refuse(self, reading: _Reading, error: LinkError, now_s: float) -> None:
        """Leave the block alone for long; where one address in it may be to blame, take it apart to find out which."""
        parts = split_block(reading.block) if error.code in MAY_BE_ONE_ADDRESS else [reading.block]
        if len(parts) > 1:
            at = self._readings.index(reading)
            self._readings = [*self._readings[:at], *map(self._reading, parts), *self._readings[at + 1 :]]
            self._whole_again_at_s = now_s + REFUSED_REST_MAX_S
            return
        reading.refusals += 1
        reading.resting = Reason.EXCEPTION
        reading.retry_at_s = now_s + min(
            REFUSED_REST_FIRST_S * 2.0 ** min(reading.refusals - 1, 10), REFUSED_REST_MAX_S
        )
        self._tell(reading, error)

    def _tell(self, reading: _Reading, error: LinkError) -> None:
        if reading.block not in self.refused_now:
            told = self.refused_now[reading.block] = Refused(reading.block, reading.names, error)
            self.refused.append(told)


def _mark(reading: _Reading, values: dict[str, float], reasons: dict[str, Reason], reason: Reason) -> None:
    for name in reading.names:
        if name not in values:
            reasons[name] = reason
