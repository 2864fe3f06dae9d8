"""RTU over a pseudo terminal and through a TCP converter, with a far end that misbehaves in every way we know."""

import asyncio
import os

import pytest

from agent.acquire.rtu_stream import Owed, sort_out
from agent.acquire.serial import RtuOverTcpWire, SerialWire, silence_s
from agent.acquire.transport import LinkError
from agent.signals import Reason

TIMEOUT_S = 0.06


class ConverterPeer:
    """An RTU far end behind a TCP listener."""

    def __init__(self, rtu_peer):
        self.peer = rtu_peer
        self.connections = 0
        self.writers = []
        self.tasks = set()

    async def start(self):
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def _serve(self, reader, writer):
        self.connections += 1
        self.writers.append(writer)
        self.tasks.add(asyncio.current_task())
        self.peer.send = writer.write
        while data := await reader.read(4096):
            self.peer.feed(data)
        writer.close()

    async def stop(self):
        self.server.close()
        for writer in self.writers:
            writer.close()
        await asyncio.gather(*self.tasks, return_exceptions=True)


def run(kit, scenario, behave=None, *, over_tcp=False, baudrate=115200):
    async def body():
        escaped = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: escaped.append(context))
        converter = None
        if over_tcp:
            peer = kit.RtuPeer()
            converter = await ConverterPeer(peer).start()
            wire = RtuOverTcpWire("127.0.0.1", converter.port, timeout_s=TIMEOUT_S, connect_timeout_s=1.0)
        else:
            peer = kit.PtyPeer()
            wire = SerialWire(peer.device, baudrate=baudrate, parity="none", stopbits=1, timeout_s=TIMEOUT_S)
        peer.behave = behave
        try:
            await wire.open()
            await scenario(wire, peer)
        finally:
            wire.close()
            await peer.stop()
            if converter is not None:
                await converter.stop()
        assert not escaped
        assert all(function in (1, 2, 3, 4) and unit != 0 for unit, function, _, _ in peer.frames())
        assert len(peer.received) == 8 * len(peer.requests)

    asyncio.run(body())


both = pytest.mark.parametrize("over_tcp", [False, True], ids=["serial", "rtu_over_tcp"])


@both
def test_all_four_tables_are_read(kit, over_tcp):
    async def scenario(wire, peer):
        assert await wire.read(1, "holding", 10, 3) == (10, 11, 12)
        assert await wire.read(17, "input", 0, 125) == tuple(range(125))
        assert await wire.read(1, "coil", 0, 10) == [True, False, False] * 3 + [True]
        assert await wire.read(1, "discrete", 1, 5) == [False, False, True, False, False]
        assert peer.frames() == [(1, 3, 10, 3), (17, 4, 0, 125), (1, 1, 0, 10), (1, 2, 1, 5)]
        assert not wire.stray

    run(kit, scenario, over_tcp=over_tcp)


def test_an_answer_in_pieces_is_put_together(kit):
    def behave(unit, pdu):
        answer = kit.rtu(unit, kit.good_pdu(pdu))
        return [answer[:2], 0.005, answer[2:5], 0.005, answer[5:]]

    async def scenario(wire, peer):
        assert await wire.read(1, "holding", 10, 2) == (10, 11)

    run(kit, scenario, behave)


HOSTILE = {
    "a wrong checksum": (Reason.GARBLED, lambda k, u, p: k.rtu(u, k.good_pdu(p))[:-1] + b"\x55"),
    "another unit": (Reason.MISMATCH, lambda k, u, p: k.rtu(u + 1, k.good_pdu(p))),
    "another function": (Reason.MISMATCH, lambda k, u, p: k.rtu(u, b"\x04" + k.good_pdu(p)[1:])),
    "an exception to another function": (Reason.MISMATCH, lambda k, u, p: k.rtu(u, b"\x84\x02")),
    "one register less": (Reason.LENGTH, lambda k, u, p: k.rtu(u, b"\x03\x02\x00\x0a")),
    "one register more": (Reason.LENGTH, lambda k, u, p: k.rtu(u, b"\x03\x06" + b"\x00\x0a" * 3)),
    "an odd byte count": (Reason.LENGTH, lambda k, u, p: k.rtu(u, b"\x03\x03\x00\x0a\x00")),
    "text": (Reason.GARBLED, lambda k, u, p: b"login: "),
    "our own request": (Reason.GARBLED, lambda k, u, p: k.rtu(u, p)),
    "half an answer": (Reason.TIMEOUT, lambda k, u, p: k.rtu(u, k.good_pdu(p))[:-3]),
    "nothing": (Reason.TIMEOUT, lambda k, u, p: b""),
}


@both
@pytest.mark.parametrize("name", HOSTILE)
def test_what_does_not_fit_the_request_is_refused(kit, name, over_tcp):
    reason, answer = HOSTILE[name]

    async def scenario(wire, peer):
        error = await kit.error_of(wire.read(1, "holding", 10, 2))
        assert error.reason is reason
        assert error.detail
        peer.behave = None
        if not wire.is_open:
            await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)

    run(kit, scenario, lambda u, p: [answer(kit, u, p)], over_tcp=over_tcp)


def test_an_echo_is_named_as_such_even_in_pieces(kit):
    async def scenario(wire, peer):
        assert "echo" in (await kit.error_of(wire.read(1, "holding", 10, 2))).detail

    run(kit, scenario, lambda u, p: [kit.rtu(u, p)[:6], 0.002, kit.rtu(u, p)[6:], kit.rtu(u, kit.good_pdu(p))])


def test_an_exception_reply_keeps_its_code(kit):
    async def scenario(wire, peer):
        error = await kit.error_of(wire.read(1, "input", 10, 2))
        assert (error.reason, error.code) == (Reason.EXCEPTION, 2)

    run(kit, scenario, lambda u, p: [kit.rtu(u, b"\x84\x02")])


def test_the_glitch_of_a_line_that_turns_round_does_not_cost_the_answer(kit):
    async def scenario(wire, peer):
        assert await wire.read(1, "holding", 10, 2) == (10, 11)
        peer.behave = lambda u, p: [b"\x00" * 6 + kit.rtu(u, kit.good_pdu(p))]
        assert (await kit.error_of(wire.read(1, "holding", 20, 2))).reason is Reason.MISMATCH  # six are no glitch

    run(kit, scenario, lambda u, p: [b"\x00\xff" + kit.rtu(u, kit.good_pdu(p))])


@both
def test_a_late_answer_is_never_taken_for_the_next(kit, over_tcp):
    """Both requests have the same unit, function and length: only the silence between them tells the answers apart."""

    async def scenario(wire, peer):
        assert (await kit.error_of(wire.read(1, "holding", 10, 2))).reason is Reason.TIMEOUT
        peer.behave = None
        if not wire.is_open:
            await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)
        await asyncio.sleep(0.03)
        if not over_tcp:  # the converter's went with its connection
            assert wire.overheard().late == 1

    run(kit, scenario, lambda u, p: [1.4 * TIMEOUT_S, kit.rtu(u, kit.good_pdu(p))], over_tcp=over_tcp)


def test_a_late_answer_ends_the_silence_early(kit):
    async def scenario(wire, peer):
        loop = asyncio.get_running_loop()
        await kit.error_of(wire.read(1, "holding", 10, 2))
        peer.behave, began = None, loop.time()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)
        assert loop.time() - began < TIMEOUT_S

    run(kit, scenario, lambda u, p: [1.1 * TIMEOUT_S, kit.rtu(u, kit.good_pdu(p))])


@both
def test_a_cancelled_read_stays_cancelled_and_its_answer_is_waited_for(kit, over_tcp):
    async def scenario(wire, peer):
        task = asyncio.ensure_future(wire.read(1, "holding", 10, 2))
        await asyncio.sleep(0.01)
        await kit.cancelled(task)
        peer.behave = None
        if not wire.is_open:
            await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)

    run(kit, scenario, lambda u, p: [0.03, kit.rtu(u, kit.good_pdu(p))], over_tcp=over_tcp)


def test_somebody_else_between_our_polls_is_overheard(kit):
    async def scenario(wire, peer):
        await wire.read(1, "holding", 10, 2)
        request = kit.rtu(5, b"\x03\x00\x00\x00\x02")
        peer.send(request)
        await asyncio.sleep(0.005)
        assert wire.stray
        assert not wire.overheard().foreign  # it may still be coming
        peer.send(kit.rtu(5, b"\x03\x04\x00\x01\x00\x02"))
        await asyncio.sleep(0.03)
        heard = wire.overheard()
        assert len(heard.foreign) == 2
        assert heard.foreign[0] == request.hex(" ")
        assert (heard.late, heard.duplicates, heard.noise_bytes) == (0, 0, 0)

    run(kit, scenario)


def test_a_repeated_answer_is_no_foreign_master(kit):
    async def scenario(wire, peer):
        assert await wire.read(1, "holding", 10, 2) == (10, 11)
        await asyncio.sleep(0.03)
        heard = wire.overheard()
        assert (heard.foreign, heard.duplicates) == ((), 1)

    run(kit, scenario, lambda u, p: [kit.rtu(u, kit.good_pdu(p)) * 2])


def test_a_line_that_is_never_quiet_is_not_spoken_on(kit):
    async def scenario(wire, peer):
        stop = asyncio.Event()

        async def chatter():
            while not stop.is_set():
                peer.send(b"\x55" * 4)
                await asyncio.sleep(0.0005)

        task = asyncio.create_task(chatter())
        await asyncio.sleep(0.005)
        error = await kit.error_of(wire.read(1, "holding", 10, 2))
        assert "never quiet" in error.detail
        assert peer.requests == []
        stop.set()
        await task

    run(kit, scenario, baudrate=1200)


def test_a_port_that_goes_away_is_told_and_does_not_hang(kit):
    async def scenario(wire, peer):
        task = asyncio.ensure_future(wire.read(1, "holding", 10, 2))
        await asyncio.sleep(0.01)
        asyncio.get_running_loop().remove_reader(peer.master)
        os.close(peer.master)
        error = await kit.error_of(task)
        assert error.reason is Reason.CLOSED
        assert not wire.is_open
        peer.master = os.dup(peer.slave)

    run(kit, scenario, lambda u, p: [0.1])


def test_a_port_that_is_not_there_or_taken_says_so(kit):
    async def body():
        wire = SerialWire("/dev/no-such-port", baudrate=9600, parity="none", stopbits=1, timeout_s=TIMEOUT_S)
        error = await kit.error_of(wire.open())
        assert error.reason is Reason.CONNECT
        assert "/dev/no-such-port" in error.detail
        peer = kit.PtyPeer()
        first = SerialWire(peer.device, baudrate=9600, parity="none", stopbits=1, timeout_s=TIMEOUT_S)
        second = SerialWire(peer.device, baudrate=9600, parity="none", stopbits=1, timeout_s=TIMEOUT_S)
        await first.open()
        assert (await kit.error_of(second.open())).reason is Reason.CONNECT
        first.close()
        await second.open()
        second.close()
        second.close()
        await peer.stop()

    asyncio.run(body())


def test_owed_answers_are_settled_once():
    answer = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA".replace(" ", ""))
    owed = [Owed(0x11, 3, 11, 0.0)]
    heard = sort_out(answer + answer, b"", owed)
    assert (heard.late, len(heard.foreign), owed) == (1, 1, [])
    assert sort_out(bytes(range(1, 40)), b"", []).noise_bytes == 39


# Modbus over Serial Line V1.02, section 2.5.1.1: 3.5 characters of 11 bits, and 1.750 ms above 19200 bit/s.
@pytest.mark.parametrize(
    ("baudrate", "expected_us"), [(1200, 32083.3), (9600, 4010.4), (19200, 2005.2), (38400, 1750), (115200, 1750)]
)
def test_the_silence_between_frames_is_that_of_the_guide(baudrate, expected_us):
    assert silence_s(baudrate) * 1e6 == pytest.approx(expected_us, abs=0.05)


def test_link_errors_are_the_only_exception_of_a_read():
    assert issubclass(LinkError, Exception)
    assert not issubclass(LinkError, OSError)
