"""Simulated transmitters on real TCP sockets: Modbus TCP, and RTU frames as a converter passes them on. Read-only."""

import asyncio
import contextlib
import struct
from collections.abc import Callable, Coroutine
from typing import Final, Literal, Protocol

from agent.simulate.encode import Image
from agent.simulate.modbus_pdu import answer, crc16

__all__ = ["Framing", "ModbusServer", "RegisterSource"]

Framing = Literal["tcp", "rtu"]
Serve = Callable[[str, asyncio.StreamReader, asyncio.StreamWriter], Coroutine[None, None, None]]
HEADER: Final = struct.Struct(">HHHB")  # transaction, protocol, length, unit
LONGEST_FRAME: Final = 260
FRAME_GAP_S: Final = 0.02  # an RTU frame of unknown length ends with a rest


class RegisterSource(Protocol):
    """Where registers come from."""

    def registers(self, line: str, unit: int) -> Image | None:
        """The registers of one unit now; None where no answer shall come."""


class ModbusServer:
    """Lines of simulated transmitters in the event loop that runs.

    A unit that the source does not know, or that is silent, does not answer: as on a serial line. `lines` says how each
    line is framed; `ports` may fix some of the TCP ports, the others are the system's choice.
    """

    def __init__(self, source: RegisterSource, lines: dict[str, Framing], *, host: str = "127.0.0.1") -> None:
        self._source, self._lines, self._host = source, dict(lines), host
        self._servers: list[asyncio.Server] = []
        self._handlers: set[asyncio.Task[None]] = set()
        self.requests: dict[str, int] = dict.fromkeys(lines, 0)
        self.ports: dict[str, int] = {}

    async def start(self, ports: dict[str, int] | None = None) -> dict[str, int]:
        """Listen on every line and return its port. Raises OSError, with nothing left open, where one is taken."""
        wanted = {} if ports is None else ports
        try:
            for line, framing in self._lines.items():
                serve = self._serve_tcp if framing == "tcp" else self._serve_rtu
                server = await asyncio.start_server(
                    self._handler(line, serve), self._host, wanted.get(line, 0), limit=4 * LONGEST_FRAME
                )
                self._servers.append(server)
                self.ports[line] = int(server.sockets[0].getsockname()[1])
        except OSError:
            await self.stop()
            raise
        return dict(self.ports)

    async def stop(self) -> None:
        """Close every socket; done when it returns."""
        for server in self._servers:
            server.close()
        handlers = list(self._handlers)
        for handler in handlers:
            handler.cancel()
        await asyncio.gather(*handlers, return_exceptions=True)
        for server in self._servers:
            await server.wait_closed()
        self._servers.clear()
        self.ports.clear()

    async def __aenter__(self) -> "ModbusServer":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def _handler(self, line: str, serve: Serve) -> Callable[[asyncio.StreamReader, asyncio.StreamWriter], None]:
        """A plain callback that makes the task itself: the server's own would log our cancelling it as an error."""

        def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            async def handle() -> None:
                try:
                    await serve(line, reader, writer)
                except (OSError, asyncio.IncompleteReadError):
                    pass  # the client has gone: nothing to do for it
                finally:
                    writer.close()
                    with contextlib.suppress(OSError):
                        await writer.wait_closed()

            task = asyncio.create_task(handle(), name=f"simulated-line-{line}")
            self._handlers.add(task)
            task.add_done_callback(self._handlers.discard)

        return connected

    async def _serve_tcp(self, line: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Requests in turn, until the client leaves or sends what is no Modbus."""
        while True:
            transaction, protocol, length, unit = HEADER.unpack(await reader.readexactly(HEADER.size))
            if protocol != 0 or not 2 <= length <= LONGEST_FRAME - 6:
                return
            reply = self._reply(line, unit, await reader.readexactly(length - 1))
            if reply is not None:
                writer.write(HEADER.pack(transaction, 0, len(reply) + 1, unit) + reply)
                await writer.drain()

    async def _serve_rtu(self, line: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Requests in turn; a frame with a wrong checksum is nobody's and gets no answer."""
        while True:
            frame = await self._rtu_frame(reader)
            if len(frame) < 4 or crc16(frame[:-2]) != frame[-2:]:
                continue
            reply = self._reply(line, frame[0], frame[1:-2])
            if reply is not None:
                answered = frame[:1] + reply
                writer.write(answered + crc16(answered))
                await writer.drain()

    async def _rtu_frame(self, reader: asyncio.StreamReader) -> bytes:
        """One frame: of known length for a read, else ended by a rest on the line."""
        frame = await reader.readexactly(2)
        if frame[1] in (1, 2, 3, 4):
            return frame + await reader.readexactly(6)
        while len(frame) < LONGEST_FRAME:
            try:
                async with asyncio.timeout(FRAME_GAP_S):
                    more = await reader.read(LONGEST_FRAME - len(frame))
            except TimeoutError:
                break
            if not more:
                raise asyncio.IncompleteReadError(frame, None)
            frame += more
        return frame

    def _reply(self, line: str, unit: int, pdu: bytes) -> bytes | None:
        self.requests[line] += 1
        image = self._source.registers(line, unit)
        return None if image is None else answer(pdu, image)
