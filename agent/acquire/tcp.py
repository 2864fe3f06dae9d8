"""Modbus TCP: one connection, one request at a time, nothing believed that does not fit the request."""

import asyncio
from struct import Struct
from typing import Final, cast

from agent.acquire.frames import Request, check_body, exception_error, make_request
from agent.acquire.transport import LinkError, Overheard, Table, Words
from agent.signals import Reason

__all__ = ["TcpWire", "open_stream"]

_HEADER: Final = Struct(">HHHBB")  # transaction, protocol, length, unit, function
_TRANSACTION: Final = Struct(">H")
_PDU_MAX: Final = 253  # bytes; Modbus Application Protocol V1.1b3, section 4.1

Answer = Words | LinkError


async def open_stream(host: str, port: int, timeout_s: float, stream: asyncio.Protocol) -> asyncio.Transport:
    """Connect `stream` to a TCP endpoint; every failure becomes a `LinkError` with Reason.CONNECT."""
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(timeout_s):
            transport, _ = await loop.create_connection(lambda: stream, host, port)
    except TimeoutError as error:
        raise LinkError(Reason.CONNECT, f"{host}:{port} did not accept within {timeout_s:g} s") from error
    except (OSError, ValueError) as error:  # ValueError: a host name that cannot be encoded
        raise LinkError(Reason.CONNECT, f"{host}:{port}: {error}") from error
    return transport


class _Stream(asyncio.Protocol):
    """One connection's life. A new connection is a new stream, so that nothing old can reach a new request."""

    __slots__ = ("answer", "buffer", "request", "stray_bytes", "transaction", "transport")

    def __init__(self) -> None:
        self.transport: asyncio.Transport | None = None
        self.answer: asyncio.Future[Answer] | None = None
        self.request: Request | None = None
        self.transaction = 0
        self.buffer = b""  # the start of an answer that came in pieces
        self.stray_bytes = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)  # uvloop's is none by class

    def connection_lost(self, exc: Exception | None) -> None:
        self.drop(LinkError(Reason.CLOSED, f"the other end closed the connection{f': {exc}' if exc else ''}"))

    def eof_received(self) -> bool:
        # A half-closed connection has nothing more to say: the transport closes, and connection_lost tells.
        return False

    def drop(self, why: LinkError | None = None) -> None:
        """End the connection; a waiting request gets `why`."""
        transport, self.transport = self.transport, None
        if transport is not None:
            transport.abort()
        if why is not None and self.answer is not None and not self.answer.done():
            self.answer.set_result(why)

    def data_received(self, data: bytes) -> None:
        request, answer = self.request, self.answer
        if request is None or answer is None or answer.done():
            # Nobody asked: a duplicate, or somebody else's. With this connection the next answer would be in doubt.
            self.stray_bytes += len(data)
            self.drop()
            return
        if self.buffer:
            data = self.buffer + data
        size = len(data)
        if size < 8:
            if size >= 4 and (data[2] or data[3]):
                self.drop(LinkError(Reason.GARBLED, "not Modbus TCP: the protocol id is not 0"))
            self.buffer = data
            return
        transaction, protocol, length, unit, function = _HEADER.unpack_from(data)
        if protocol != 0:
            self.drop(LinkError(Reason.GARBLED, "not Modbus TCP: the protocol id is not 0"))
        elif not 3 <= length <= _PDU_MAX + 1:
            self.drop(LinkError(Reason.GARBLED, f"the header gives a length of {length}"))
        elif transaction != self.transaction:
            self.drop(LinkError(Reason.MISMATCH, f"transaction {transaction} came, {self.transaction} was asked"))
        elif unit != request.unit:
            self.drop(LinkError(Reason.MISMATCH, f"unit {unit} answered, {request.unit} was asked"))
        elif function & 0x7F != request.function:
            self.drop(LinkError(Reason.MISMATCH, f"function {function} came, {request.function} was asked"))
        elif size >= length + 6:
            verdict = _judge(request, length, function, data)
            if isinstance(verdict, LinkError) and verdict.reason is not Reason.EXCEPTION:
                self.drop(verdict)
                return
            answer.set_result(verdict)
            if size > length + 6:  # the answer is whole and ours; what hangs on to it is not
                self.stray_bytes += size - length - 6
                self.drop()
        else:
            self.buffer = data


def _judge(request: Request, length: int, function: int, frame: bytes) -> Answer:
    """The answer in a whole frame of the right transaction, unit and function."""
    if function & 0x80:
        if length != 3:
            return LinkError(Reason.GARBLED, f"an exception reply of length {length}, 3 is right")
        return exception_error(request, frame[8])
    if length != request.byte_count + 3 or frame[8] != request.byte_count:
        return LinkError(
            Reason.LENGTH,
            f"{request.byte_count} bytes were asked for ({request.count} from {request.address}); the answer "
            f"counts {frame[8]} and carries {length - 3}",
        )
    return check_body(request, frame[9 : 9 + request.byte_count])


class TcpWire:
    """A Modbus TCP endpoint as a `Wire`.

    After a time-out, a mismatch, a wrong length, garbage or a cancelled read the connection is dropped, so that a late
    answer has no way to the next request.

    Parameters
    ----------
    host, port
        The endpoint.
    timeout_s, connect_timeout_s
        For one answer; for the connection. [s]
    pause_s
        Between an answer and the next request. [s]
    """

    shared_medium = False

    def __init__(
        self, host: str, port: int, *, timeout_s: float, connect_timeout_s: float, pause_s: float = 0.0
    ) -> None:
        self.read_cost_s = timeout_s
        self._host, self._port = host, port
        self._timeout_s, self._connect_timeout_s = timeout_s, connect_timeout_s
        self._pause_s = pause_s
        self._paused_until_s = 0.0  # of the loop's clock
        self._requests: dict[tuple[int, Table, int, int], Request] = {}
        self._stream: _Stream | None = None
        self._transaction = 0
        self._stray_bytes = 0  # of streams that are gone

    @property
    def is_open(self) -> bool:
        """Whether a request could be sent now."""
        return self._stream is not None and self._stream.transport is not None

    @property
    def stray(self) -> bool:
        """Whether data came that nobody had asked for."""
        return self._stray_bytes > 0 or (self._stream is not None and self._stream.stray_bytes > 0)

    async def open(self) -> None:
        """Connect, or raise `LinkError` with Reason.CONNECT."""
        self.close()
        stream = _Stream()
        await open_stream(self._host, self._port, self._connect_timeout_s, stream)
        self._stream = stream

    def close(self) -> None:
        """Drop the connection."""
        if self._stream is not None:
            self._stray_bytes += self._stream.stray_bytes
            self._stream.drop(LinkError(Reason.CLOSED, "closed by the agent"))
            self._stream = None

    def overheard(self, *, final: bool = False) -> Overheard:  # noqa: ARG002 - a TCP stream never waits for quiet
        """Bytes that nobody had asked for: a second answer, or one for somebody else."""
        heard = self._stray_bytes
        self._stray_bytes = 0
        if self._stream is not None:
            heard += self._stream.stray_bytes
            self._stream.stray_bytes = 0
        return Overheard(noise_bytes=heard)

    async def read(self, unit: int, table: Table, address: int, count: int) -> Words:
        """Return exactly `count` registers or bits, or raise `LinkError`."""
        key = (unit, table, address, count)
        request = self._requests.get(key)
        if request is None:
            request = self._requests[key] = make_request(unit, table, address, count)
        stream = self._stream
        if stream is None or stream.transport is None:
            raise LinkError(Reason.CLOSED, "the connection is not open")
        loop = asyncio.get_running_loop()
        if self._pause_s:
            await asyncio.sleep(max(0.0, self._paused_until_s - loop.time()))
            if stream.transport is None:
                raise LinkError(Reason.CLOSED, "the other end closed the connection")
        answer: asyncio.Future[Answer] = loop.create_future()
        self._transaction = stream.transaction = self._transaction % 0xFFFF + 1  # never 0, which some take for 'any'
        stream.request, stream.answer = request, answer
        stream.buffer = b""
        timer = loop.call_later(self._timeout_s, self._expire, stream)
        stream.transport.write(_TRANSACTION.pack(self._transaction) + request.mbap_tail)
        try:
            result = await answer
        except asyncio.CancelledError:
            stream.drop()  # the answer is on its way, and nobody waits for it
            raise
        finally:
            timer.cancel()
            stream.request = stream.answer = None
            if self._pause_s:
                self._paused_until_s = loop.time() + self._pause_s
        if isinstance(result, LinkError):
            raise result
        return result

    def _expire(self, stream: _Stream) -> None:
        came = len(stream.buffer)
        told = f"; {came} bytes of an answer came" if came else ""
        stream.drop(LinkError(Reason.TIMEOUT, f"no answer within {self._timeout_s:g} s{told}"))
