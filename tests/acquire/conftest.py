"""Stand-ins for the other end of the wire: they record every byte that reaches them and answer as they are told."""

import asyncio
import os
import struct
import tty
from collections.abc import Awaitable, Callable, Iterable

import pytest

from agent.acquire.transport import LinkError, Overheard
from agent.config.model import Settings
from agent.signals import Reason

CLOSE = object()
Action = bytes | float | object  # send, wait so many seconds, close


def crc(data: bytes) -> bytes:
    """CRC-16 of Modbus over Serial Line V1.02, section 6.2.2, bit by bit, low byte first: written from the text."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return struct.pack("<H", register)


def good_pdu(request_pdu: bytes) -> bytes:
    """An honest answer: register n holds n, bit n is n % 3 == 0."""
    function, address, count = struct.unpack(">BHH", request_pdu)
    if function >= 3:
        data = b"".join(struct.pack(">H", (address + i) & 0xFFFF) for i in range(count))
    else:
        data = bytearray((count + 7) // 8)
        for i in range(count):
            data[i // 8] |= ((address + i) % 3 == 0) << i % 8
    return bytes([function, len(data)]) + bytes(data)


def mbap(transaction: int, unit: int, pdu: bytes, protocol: int = 0) -> bytes:
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1, unit) + pdu


class RawTcpServer:
    """Modbus TCP by hand. `behave(transaction, unit, pdu)` returns what to do; an honest answer when it is None."""

    def __init__(self) -> None:
        self.behave: Callable[[int, int, bytes], Iterable[Action]] | None = None
        self.requests: list[bytes] = []
        self.connections = 0
        self.writers: list[asyncio.StreamWriter] = []
        self.port = 0
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task] = set()

    async def start(self) -> "RawTcpServer":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self.writers.append(writer)
        self._tasks.add(asyncio.current_task())
        try:
            while True:
                header = await reader.readexactly(7)
                transaction, _, length, unit = struct.unpack(">HHHB", header)
                pdu = await reader.readexactly(length - 1)
                self.requests.append(header + pdu)
                behave = self.behave or (lambda t, u, p: [mbap(t, u, good_pdu(p))])
                for action in behave(transaction, unit, pdu):
                    if action is CLOSE:
                        return
                    if isinstance(action, bytes):
                        writer.write(action)
                        await writer.drain()
                    else:
                        await asyncio.sleep(action)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()

    async def stop(self) -> None:
        self._server.close()
        for writer in self.writers:
            writer.close()
        await asyncio.gather(*self._tasks)

    def frames(self) -> list[tuple[int, int, int, int]]:
        """(unit, function, address, count) of everything that was asked."""
        return [struct.unpack(">6xBBHH", frame) for frame in self.requests]


class RtuPeer:
    """The far end of a serial line. `behave(unit, pdu)` returns what to do; an honest answer when it is None."""

    def __init__(self) -> None:
        self.behave: Callable[[int, bytes], Iterable[Action]] | None = None
        self.received = bytearray()
        self.requests: list[bytes] = []
        self.send: Callable[[bytes], None] = lambda data: None
        self._tail = bytearray()
        self._tasks: set[asyncio.Task] = set()

    def feed(self, data: bytes) -> None:
        self.received += data
        self._tail += data
        while len(self._tail) >= 8:  # all that the agent may send has 8 bytes
            frame = bytes(self._tail[:8])
            del self._tail[:8]
            self.requests.append(frame)
            task = asyncio.ensure_future(self._answer(frame))
            self._tasks.add(task)

    async def _answer(self, frame: bytes) -> None:
        assert crc(frame[:-2]) == frame[-2:]
        behave = self.behave or (lambda u, p: [rtu(u, good_pdu(p))])
        for action in behave(frame[0], frame[1:-2]):
            if isinstance(action, bytes):
                self.send(action)
            else:
                await asyncio.sleep(action)

    async def stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def frames(self) -> list[tuple[int, int, int, int]]:
        return [struct.unpack(">BBHHxx", frame) for frame in self.requests]


def rtu(unit: int, pdu: bytes) -> bytes:
    frame = bytes([unit]) + pdu
    return frame + crc(frame)


class PtyPeer(RtuPeer):
    """A pseudo terminal: `device` is a serial port as far as the agent can tell."""

    def __init__(self) -> None:
        super().__init__()
        self.master, self.slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self.slave)
        self.device = os.ttyname(self.slave)
        self.send = lambda data: os.write(self.master, data)
        asyncio.get_running_loop().add_reader(self.master, lambda: self.feed(os.read(self.master, 4096)))

    async def stop(self) -> None:
        await super().stop()
        asyncio.get_running_loop().remove_reader(self.master)
        os.close(self.master)
        os.close(self.slave)


class ScriptedWire:
    """A `Wire` on a fake clock. `behave(unit, table, address, count)` returns words or a `LinkError`."""

    def __init__(self, clock, *, shared_medium: bool = False, timeout_s: float = 1.0, answer_s: float = 0.01) -> None:
        self.clock = clock
        self.shared_medium = shared_medium
        self.read_cost_s = timeout_s * (2 if shared_medium else 1)
        self.answer_s = answer_s
        self.behave = lambda unit, table, address, count: (
            tuple(range(address, address + count)) if table in ("holding", "input") else [True] * count
        )
        self.connect_error: LinkError | None = None
        self.connect_s = 0.0
        self.heard: list[Overheard] = []
        self.reads: list[tuple[float, int, str, int, int]] = []
        self.busy_s: dict[int, float] = {}
        self.opened: list[float] = []
        self.closed = 0
        self.is_open = False

    @property
    def stray(self) -> bool:
        return bool(self.heard)

    def overheard(self, *, final: bool = False) -> Overheard:
        return self.heard.pop(0) if self.heard else Overheard()

    async def open(self) -> None:
        self.opened.append(self.clock.monotonic())
        if self.connect_s:
            await self.clock.sleep_until(self.clock.monotonic() + self.connect_s)
        if self.connect_error is not None:
            raise self.connect_error
        self.is_open = True

    def close(self) -> None:
        self.is_open = False
        self.closed += 1

    async def read(self, unit, table, address, count):
        began = self.clock.monotonic()
        self.reads.append((began, unit, table, address, count))
        answer = self.behave(unit, table, address, count)
        silent = isinstance(answer, LinkError) and answer.reason is Reason.TIMEOUT
        await self.clock.sleep_until(began + (self.read_cost_s if silent else self.answer_s))
        self.busy_s[unit] = self.busy_s.get(unit, 0.0) + self.clock.monotonic() - began
        if isinstance(answer, LinkError):
            raise answer
        return answer


class ListLog:
    """Keeps what was logged."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str, dict]] = []

    def _add(self, level):
        return lambda event, **values: self.lines.append((level, event, values))

    def __getattr__(self, level: str):
        return self._add(level)

    def events(self, *names: str) -> list[dict]:
        return [values | {"event": event} for _, event, values in self.lines if event in names or not names]


MAP = {
    "signals": {
        "o2": {"address": 10, "scale": 0.01},
        "cell_temp": {"address": 11},
        "cell_emf": {"address": 12, "type": "float32"},
    }
}


def make_settings(*, lines, probes, maps=None, feeds=None) -> Settings:
    return Settings.model_validate(
        {
            "site": "mill",
            "agent": "box",
            "data_dir": "/nowhere",
            "lines": lines,
            "maps": maps or {"m": MAP},
            "probes": {name: {"map": "m", **probe} for name, probe in probes.items()},
            "feeds": {name: {"map": "m", **feed} for name, feed in (feeds or {}).items()},
        }
    )


class Kit:
    """What the test modules need from here: they cannot import it."""

    CLOSE = CLOSE
    ListLog = ListLog
    PtyPeer = PtyPeer
    RawTcpServer = RawTcpServer
    RtuPeer = RtuPeer
    ScriptedWire = ScriptedWire
    crc = staticmethod(crc)
    good_pdu = staticmethod(good_pdu)
    make_settings = staticmethod(make_settings)
    mbap = staticmethod(mbap)
    rtu = staticmethod(rtu)

    @staticmethod
    async def cancelled(task: asyncio.Task) -> None:
        """Cancel, and see that it ends as cancelled."""
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    @staticmethod
    async def error_of(awaitable: Awaitable) -> LinkError:
        with pytest.raises(LinkError) as caught:
            await awaitable
        return caught.value


@pytest.fixture(scope="session")
def kit() -> type[Kit]:
    return Kit
