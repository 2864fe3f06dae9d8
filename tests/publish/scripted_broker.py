"""A broker of a few lines that misbehaves on demand. Not a test."""

import asyncio
import ssl
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

CUT = -1  # hang up instead of answering
SILENT = -2  # answer nothing, now and later


@dataclass
class Published:
    topic: str
    payload: bytes
    retain: bool
    connection: int  # from 1


@dataclass
class ScriptedBroker:
    """`connack(protocol_level, n)` gives the reason code of CONNACK or CUT; `puback(published)` that of PUBACK."""

    connack: Callable[[int, int], int] = lambda level, n: 0
    puback: Callable[[Published], int] = lambda message: 0
    properties: bytes = b""  # of CONNACK, MQTT 5
    pings: bool = True
    before_puback: bytes = b""  # written with each PUBACK, in one piece
    tls: ssl.SSLContext | None = None
    seen: list[Published] = field(default_factory=list)
    levels: list[int] = field(default_factory=list)
    clients: list[str] = field(default_factory=list)
    ends: list[str] = field(default_factory=list)  # how each connection ended: "disconnect" or "cut"
    port: int = 0
    server: asyncio.Server | None = None
    writers: list[asyncio.StreamWriter] = field(default_factory=list)

    async def __aenter__(self) -> "ScriptedBroker":
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, ssl=self.tls)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self.server is not None
        self.server.close()
        for writer in self.writers:
            writer.close()
        await asyncio.sleep(0.01)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        number, end = len(self.writers), "cut"
        try:
            while True:
                head, body = await _packet(reader)
                kind = head >> 4
                if kind == 1:
                    self.levels.append(body[6])
                    code = self.connack(body[6], number)
                    if code == CUT:
                        break
                    if code == SILENT:
                        continue
                    five = body[6] == 5
                    tail = bytes([len(self.properties)]) + self.properties if five else b""
                    writer.write(_framed(0x20, bytes([0, code]) + tail))
                    if code:
                        break
                elif kind == 3:
                    size = struct.unpack("!H", body[:2])[0]
                    topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
                    mid, rest = rest[:2], rest[2:]
                    five = self.levels[-1] == 5
                    payload = rest[1 + rest[0] :] if five else rest
                    message = Published(topic, payload, bool(head & 1), number)
                    self.seen.append(message)
                    code = self.puback(message)
                    if code == CUT:
                        break
                    if code != SILENT:
                        answer = _framed(0x40, mid + (bytes([code]) if five and code else b""))
                        writer.write(self.before_puback + answer)
                elif kind == 12 and self.pings:
                    writer.write(b"\xd0\x00")
                elif kind == 14:
                    end = "disconnect"
                    break
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self.ends.append(end)
            writer.close()

    def say(self, data: bytes) -> None:
        """Send raw bytes on the newest connection."""
        self.writers[-1].write(data)

    def topics(self) -> list[str]:
        return [message.topic for message in self.seen]


async def _packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    head = (await reader.readexactly(1))[0]
    size, shift = 0, 0
    while True:
        byte = (await reader.readexactly(1))[0]
        size |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return head, await reader.readexactly(size)


def _framed(head: int, body: bytes) -> bytes:
    assert len(body) < 128
    return bytes([head, len(body)]) + body
