"""RTU lines: a serial port, or RTU frames through a TCP converter. One master, one request at a time."""

import asyncio
from abc import ABC, abstractmethod
from contextlib import suppress
from typing import Final

from pymodbus.transport.serialtransport import SerialTransport

from agent.acquire.frames import Request, make_request
from agent.acquire.rtu_stream import Owed, RtuStream, sort_out
from agent.acquire.tcp import open_stream
from agent.acquire.transport import LinkError, Overheard, Table, Words
from agent.signals import Reason

__all__ = ["RtuOverTcpWire", "RtuWire", "SerialWire", "character_s", "silence_s"]

_OPEN_ERRORS: tuple[type[Exception], ...] = (OSError, ValueError, RuntimeError)
with suppress(ImportError):  # not on Windows. pyserial lets termios.error through, which is no OSError
    import termios

    _OPEN_ERRORS = (*_OPEN_ERRORS, termios.error)

CHARACTER_BITS: Final = 11  # start, 8 data, parity or a second stop, stop; Modbus over Serial Line V1.02, section 2.5.1
FAST_BAUD: Final = 19200  # above it the silences are fixed; section 2.5.1.1
FAST_SILENCE_S: Final = 0.001750
FRAME_END_S: Final = 0.02  # USB adapters and schedulers hold bytes back up to 16 ms: common practice
NETWORK_FRAME_END_S: Final = 0.05  # and networks longer
PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}
OWED_MAX: Final = 8
OWED_FOR_TIMEOUTS: Final = 20  # an answer later than that many time-outs is somebody else's


def character_s(baudrate: int) -> float:
    """Seconds that one character takes on the line."""
    return CHARACTER_BITS / baudrate


def silence_s(baudrate: int) -> float:
    """The silence between frames, t3.5: 3.5 characters, 1.750 ms above 19200 bit/s.

    Source: Modbus over Serial Line, Specification and Implementation Guide V1.02, section 2.5.1.1.
    """
    return FAST_SILENCE_S if baudrate > FAST_BAUD else 3.5 * character_s(baudrate)


class RtuWire(ABC):
    """What serial ports and converters have in common, as a `Wire`.

    After a time-out the line stays silent until the late answer came or a whole further time-out passed, so that it
    cannot be taken for the answer to the next request. The same holds after a cancelled read.
    """

    shared_medium = True
    closes_after_lost_answer = False  # where something between holds answers back, only a new connection is rid of them

    def __init__(
        self, *, timeout_s: float, silence: float, character: float, frame_end_s: float, pause_s: float
    ) -> None:
        self.read_cost_s = 2 * timeout_s  # the time-out, and the silence that follows it
        self._timeout_s = timeout_s
        self._silence_s = max(silence, pause_s)
        self._character_s = character
        self._frame_end_s = max(frame_end_s, silence)
        self._requests: dict[tuple[int, Table, int, int], Request] = {}
        self._stream: RtuStream | None = None
        self._not_before_s = 0.0  # of the loop's clock
        self._owed: list[Owed] = []
        self._left = b""  # unjudged bytes of a stream that is gone

    @abstractmethod
    async def _connect(self, stream: RtuStream) -> None:
        """Make the stream's transport; raise `LinkError` with Reason.CONNECT."""

    @property
    def is_open(self) -> bool:
        """Whether a request could be sent now."""
        return self._stream is not None and self._stream.transport is not None

    @property
    def stray(self) -> bool:
        """Whether data came that nobody had asked for."""
        return bool(self._left) or (self._stream is not None and bool(self._stream.stray))

    async def open(self) -> None:
        """Open the port or connect, or raise `LinkError` with Reason.CONNECT."""
        self.close()
        stream = RtuStream(self._frame_end_s)
        await self._connect(stream)
        self._stream = stream

    def close(self) -> None:
        """Drop the connection."""
        if self._stream is not None:
            self._left += bytes(self._stream.stray)
            self._stream.stray.clear()
            self._stream.drop(LinkError(Reason.CLOSED, "closed by the agent"))
            self._stream = None

    def overheard(self, *, final: bool = False) -> Overheard:
        """Judge what came in unasked. A frame that is still coming in waits for the next look."""
        stream, now = self._stream, asyncio.get_running_loop().time()
        stray = self._left
        if stream is not None and stream.stray:
            if not final and now - stream.last_byte_s < self._frame_end_s:
                return Overheard()
            stray += bytes(stream.stray)
            stream.stray.clear()
        self._left = b""
        self._owed = [entry for entry in self._owed if entry.until_s > now]
        heard = sort_out(stray, stream.last_answer if stream is not None else b"", self._owed)
        if heard.late and not self._owed:
            self._not_before_s = 0.0  # what was waited for has come
        return heard

    async def read(self, unit: int, table: Table, address: int, count: int) -> Words:
        """Return exactly `count` registers or bits, or raise `LinkError`."""
        key = (unit, table, address, count)
        request = self._requests.get(key)
        if request is None:
            request = self._requests[key] = make_request(unit, table, address, count)
        await self._wait_for_silence()
        stream = self._stream
        if stream is None or stream.transport is None:
            raise LinkError(Reason.CLOSED, "the line is not open")
        loop = asyncio.get_running_loop()
        on_the_way_s = self._character_s * (len(request.rtu) + request.rtu_answer_size)
        answer = stream.ask(request)
        timer = loop.call_later(self._timeout_s + on_the_way_s, self._expire, stream, request)
        try:
            result = await answer
        except asyncio.CancelledError:
            self._lost(request)
            raise
        finally:
            timer.cancel()
            stream.request = stream.answer = None
        if isinstance(result, LinkError):
            if result.reason is Reason.TIMEOUT:
                self._lost(request)
            raise result
        return result

    def _expire(self, stream: RtuStream, request: Request) -> None:
        came = len(stream.buffer)
        told = f"; {came} of {request.rtu_answer_size} bytes came" if came else ""
        stream.finish(LinkError(Reason.TIMEOUT, f"no answer within {self._timeout_s:g} s{told}"))

    def _lost(self, request: Request) -> None:
        now = asyncio.get_running_loop().time()
        self._not_before_s = now + self._timeout_s
        until_s = now + OWED_FOR_TIMEOUTS * self._timeout_s
        self._owed.append(Owed(request.unit, request.function, request.rtu_answer_size, until_s))
        del self._owed[:-OWED_MAX]
        if self.closes_after_lost_answer:
            self.close()

    async def _wait_for_silence(self) -> None:
        """Return when the line was quiet for t3.5 and nothing late is awaited; a line that never is gets an error."""
        loop = asyncio.get_running_loop()
        give_up_s = max(loop.time(), self._not_before_s) + self._timeout_s
        while True:
            stream, now = self._stream, loop.time()
            if self._not_before_s > now and stream is not None and stream.stray and self._owed:
                # A late answer ends the wait; the bytes stay for `overheard`, which tells late from foreign.
                heard = sort_out(bytes(stream.stray), b"", list(self._owed))
                if heard.late >= len(self._owed):
                    self._not_before_s = 0.0
            quiet_from_s = (stream.last_byte_s if stream is not None else 0.0) + self._silence_s
            wait_s = max(quiet_from_s, self._not_before_s) - now
            if wait_s <= 0:
                return
            if now >= give_up_s:
                raise LinkError(Reason.GARBLED, f"the line was never quiet for {self._silence_s * 1e3:.3g} ms")
            await asyncio.sleep(min(wait_s, self._frame_end_s))


class SerialWire(RtuWire):
    """A serial port. It is opened for this process alone.

    Parameters
    ----------
    device, baudrate, parity, stopbits
        As in the settings; eight data bits.
    timeout_s
        For one answer, the time of its own characters apart. [s]
    pause_s
        At least so much between an answer and the next request; t3.5 in any case. [s]
    """

    def __init__(
        self, device: str, *, baudrate: int, parity: str, stopbits: int, timeout_s: float, pause_s: float = 0.0
    ) -> None:
        super().__init__(
            timeout_s=timeout_s,
            silence=silence_s(baudrate),
            character=character_s(baudrate),
            frame_end_s=FRAME_END_S,
            pause_s=pause_s,
        )
        self._device, self._baudrate, self._parity, self._stopbits = device, baudrate, PARITIES[parity], stopbits

    async def _connect(self, stream: RtuStream) -> None:
        try:
            transport = SerialTransport(
                asyncio.get_running_loop(),
                stream,
                self._device,
                self._baudrate,
                bytesize=8,
                parity=self._parity,
                stopbits=self._stopbits,
                timeout=self._timeout_s,
            )
            transport.setup()
        except _OPEN_ERRORS as error:
            raise LinkError(Reason.CONNECT, f"{self._device}: {error}") from error
        stream.transport = transport


class RtuOverTcpWire(RtuWire):
    """RTU frames through a TCP converter. The connection is also dropped after an answer that stayed out."""

    closes_after_lost_answer = True

    def __init__(
        self, host: str, port: int, *, timeout_s: float, connect_timeout_s: float, pause_s: float = 0.0
    ) -> None:
        super().__init__(
            timeout_s=timeout_s,
            silence=FAST_SILENCE_S,
            character=0.0,
            frame_end_s=NETWORK_FRAME_END_S,
            pause_s=pause_s,
        )
        self._host, self._port, self._connect_timeout_s = host, port, connect_timeout_s

    async def _connect(self, stream: RtuStream) -> None:
        await open_stream(self._host, self._port, self._connect_timeout_s, stream)
