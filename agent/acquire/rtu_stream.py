"""One connection that carries RTU frames: judges the answer to our request, and keeps what nobody had asked for."""

import asyncio
from dataclasses import dataclass
from typing import Final, cast

from agent.acquire.frames import Request, check_body, crc_is_right, exception_error, find_frames
from agent.acquire.transport import LinkError, Overheard, Words
from agent.signals import Reason

__all__ = ["Owed", "RtuStream", "sort_out"]

Answer = Words | LinkError

_STRAY_MAX: Final = 4096  # bytes kept for judgement; a line that chatters more is no less foreign
_ADU_MAX: Final = 256  # bytes; Modbus over Serial Line V1.02
_TURN_ROUND: Final = frozenset({0x00, 0xFF})  # what a line makes when its driver lets go
_TURN_ROUND_MAX: Final = 4  # bytes


@dataclass(frozen=True, slots=True)
class Owed:
    """An answer that did not come in time and may come yet."""

    unit: int
    function: int
    size: int  # bytes of the good answer; an exception reply has 5
    until_s: float  # of the loop's clock

    def is_settled_by(self, frame: bytes) -> bool:
        """Whether this frame can be that answer."""
        if frame[0] != self.unit or frame[1] & 0x7F != self.function:
            return False
        return len(frame) == (5 if frame[1] & 0x80 else self.size)


class RtuStream(asyncio.Protocol):
    """Bytes in, one answer out.

    Parameters
    ----------
    quiet_s
        Silence after which a frame that cannot be ours is taken as ended. [s]
    """

    def __init__(self, quiet_s: float) -> None:
        self.transport: asyncio.Transport | None = None
        self.answer: asyncio.Future[Answer] | None = None
        self.request: Request | None = None
        self.buffer = bytearray()
        self.stray = bytearray()
        self.last_answer = b""
        self.last_byte_s = 0.0
        self._dropped = False
        self._quiet_s = quiet_s
        self._loop = asyncio.get_running_loop()
        self._quiet_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport, unless this stream was dropped before it began."""
        if not self._dropped:
            self.transport = cast(asyncio.Transport, transport)  # uvloop's is none by class

    def connection_lost(self, exc: Exception | None) -> None:
        """Tell a waiting request."""
        self.drop(LinkError(Reason.CLOSED, f"the port or connection closed{f': {exc}' if exc else ''}"))

    def eof_received(self) -> bool:
        """Close: a half-closed converter has nothing more to say."""
        return False

    def drop(self, why: LinkError | None = None) -> None:
        """End the connection; a waiting request gets `why`."""
        self._dropped = True
        transport, self.transport = self.transport, None
        if transport is not None:
            transport.abort()
        if why is not None:
            self.finish(why)

    def ask(self, request: Request) -> asyncio.Future[Answer]:
        """Send, and return the future of the answer. What was in the buffer counts as unasked."""
        assert self.transport is not None
        self._keep(self.buffer)
        self.buffer.clear()
        self.request = request
        self.answer = self._loop.create_future()
        self.transport.write(request.rtu)
        return self.answer

    def finish(self, answer: Answer) -> None:
        """Give the waiting request its answer, once."""
        if self._quiet_timer is not None:
            self._quiet_timer.cancel()
            self._quiet_timer = None
        if self.answer is not None and not self.answer.done():
            self.answer.set_result(answer)
        self.request = self.answer = None

    def _keep(self, data: bytes | bytearray) -> None:
        self.stray += data
        del self.stray[:-_STRAY_MAX]

    def data_received(self, data: bytes) -> None:
        """Judge what a waiting request got, or keep what nobody asked for."""
        self.last_byte_s = self._loop.time()
        if self.request is None or self.answer is None or self.answer.done():
            self._keep(data)
            return
        self.buffer += data
        verdict = self._judge(self.request)
        if verdict is not None:
            self.finish(verdict)

    def _judge(self, request: Request) -> Answer | None:
        buffer = self.buffer
        stripped = 0
        while buffer and buffer[0] in _TURN_ROUND and buffer[0] != request.unit and stripped < _TURN_ROUND_MAX:
            del buffer[0]
            stripped += 1
        if len(buffer) < 3:
            return None
        unit, function = buffer[0], buffer[1]
        if unit != request.unit or function & 0x7F != request.function or len(buffer) > _ADU_MAX:
            self._wait_for_quiet()
            return None
        size = 5 if function & 0x80 else buffer[2] + 5
        if len(buffer) < size:
            return None
        frame = bytes(buffer[:size])
        if not crc_is_right(frame):
            if request.rtu[: len(buffer)] == buffer[: len(request.rtu)]:  # an echo, perhaps not all of it yet
                self._wait_for_quiet()
                return None
            return LinkError(Reason.GARBLED, f"wrong checksum in {frame.hex(' ')}")
        self._keep(buffer[size:])
        buffer.clear()
        self.last_answer = frame
        if function & 0x80:
            return exception_error(request, frame[2])
        if frame[2] != request.byte_count:
            return LinkError(
                Reason.LENGTH,
                f"{request.byte_count} bytes were asked for ({request.count} from {request.address}), {frame[2]} came",
            )
        return check_body(request, frame[3:-2])

    def _wait_for_quiet(self) -> None:
        """What comes cannot be our answer: let it end, then say what it was. Every byte puts the end off."""
        if self._quiet_timer is not None:
            self._quiet_timer.cancel()
        self._quiet_timer = self._loop.call_later(self._quiet_s, self._say_what_came)

    def _say_what_came(self) -> None:
        request = self.request
        if request is None:
            return
        self.finish(explain(request, bytes(self.buffer)))
        self.buffer.clear()


def explain(request: Request, came: bytes) -> LinkError:
    """The error for bytes that are no good answer."""
    if came.startswith(request.rtu):
        return LinkError(Reason.GARBLED, "our own request came back: switch off the echo of the converter")
    frames, _ = find_frames(came)
    if frames:
        unit, function = frames[0][0], frames[0][1]
        return LinkError(
            Reason.MISMATCH,
            f"unit {unit} function {function} spoke, unit {request.unit} function {request.function} was asked",
        )
    return LinkError(Reason.GARBLED, f"no Modbus frame in {came[:16].hex(' ')}{' ...' if len(came) > 16 else ''}")


def sort_out(stray: bytes, last_answer: bytes, owed: list[Owed]) -> Overheard:
    """Tell somebody else's frames from our own late or repeated answers. Settles entries of `owed` in place."""
    frames, noise = find_frames(stray)
    foreign: list[str] = []
    late = duplicates = 0
    for frame in frames:
        settled = next((entry for entry in owed if entry.is_settled_by(frame)), None)
        if settled is not None:
            owed.remove(settled)
            late += 1
        elif frame == last_answer:
            duplicates += 1
        else:
            foreign.append(frame.hex(" "))
    return Overheard(foreign=tuple(foreign), late=late, duplicates=duplicates, noise_bytes=noise)
