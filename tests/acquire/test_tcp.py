"""A hostile Modbus TCP server: nothing it can send becomes a value that was not asked for."""

import asyncio
import socket

import pytest

from agent.acquire.tcp import TcpWire
from agent.acquire.transport import LinkError
from agent.signals import Reason

TIMEOUT_S = 0.04


def run(kit, scenario, behave=None):
    """One server, one wire, one scenario, all closed after it."""

    async def body():
        server = await kit.RawTcpServer().start()
        server.behave = behave
        wire = TcpWire("127.0.0.1", server.port, timeout_s=TIMEOUT_S, connect_timeout_s=1.0)
        escaped = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: escaped.append(context))
        try:
            await wire.open()
            await scenario(wire, server)
        finally:
            wire.close()
            await server.stop()
        assert not escaped
        assert all(function in (1, 2, 3, 4) and unit != 0 for unit, function, _, _ in server.frames())

    asyncio.run(body())


def test_all_four_tables_are_read(kit):
    async def scenario(wire, server):
        assert await wire.read(1, "holding", 10, 3) == (10, 11, 12)
        assert await wire.read(7, "input", 65535, 1) == (65535,)
        assert await wire.read(1, "coil", 0, 10) == [True, False, False] * 3 + [True]
        assert await wire.read(1, "discrete", 1, 2000) == [n % 3 == 0 for n in range(1, 2001)]
        assert server.frames() == [(1, 3, 10, 3), (7, 4, 65535, 1), (1, 1, 0, 10), (1, 2, 1, 2000)]
        assert server.connections == 1

    run(kit, scenario)


def test_an_answer_in_single_bytes_is_put_together(kit):
    def behave(transaction, unit, pdu):
        for byte in kit.mbap(transaction, unit, kit.good_pdu(pdu)):
            yield bytes([byte])

    async def scenario(wire, server):
        assert await wire.read(1, "holding", 5, 2) == (5, 6)

    run(kit, scenario, behave)


HOSTILE = {
    "transaction 0, which pymodbus takes for any": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(0, u, k.good_pdu(p))),
    "the transaction before": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t - 1 & 0xFFFF, u, k.good_pdu(p))),
    "another unit": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t, u + 1, k.good_pdu(p))),
    "unit 0": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t, 0, k.good_pdu(p))),
    "another function": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t, u, b"\x04" + k.good_pdu(p)[1:])),
    "a write function": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t, u, b"\x10\x00\x0a\x00\x02")),
    "an exception to another function": (Reason.MISMATCH, lambda k, t, u, p: k.mbap(t, u, b"\x84\x02")),
    "one register less": (Reason.LENGTH, lambda k, t, u, p: k.mbap(t, u, b"\x03\x02\x00\x0a")),
    "one register more": (Reason.LENGTH, lambda k, t, u, p: k.mbap(t, u, b"\x03\x06" + b"\x00\x0a" * 3)),
    "a byte count below the data": (Reason.LENGTH, lambda k, t, u, p: k.mbap(t, u, b"\x03\x03\x00\x0a\x00\x0b")),
    "a byte count above the data": (Reason.LENGTH, lambda k, t, u, p: k.mbap(t, u, b"\x03\x20\x00\x0a\x00\x0b")),
    "no data": (Reason.LENGTH, lambda k, t, u, p: k.mbap(t, u, b"\x03\x00")),
    "another protocol": (Reason.GARBLED, lambda k, t, u, p: k.mbap(t, u, k.good_pdu(p), protocol=1)),
    "a long exception": (Reason.GARBLED, lambda k, t, u, p: k.mbap(t, u, b"\x83\x02\x00")),
    "a length of 0": (Reason.GARBLED, lambda k, t, u, p: bytes([t >> 8, t & 255, 0, 0, 0, 0, 1, 3, 4])),
    "a length beyond a PDU": (Reason.GARBLED, lambda k, t, u, p: k.mbap(t, u, b"\x03" * 254)),
    "text": (Reason.GARBLED, lambda k, t, u, p: b"HTTP/1.0 400 Bad Request\r\n\r\n"),
    "half a header": (Reason.TIMEOUT, lambda k, t, u, p: k.mbap(t, u, k.good_pdu(p))[:5]),
    "half an answer": (Reason.TIMEOUT, lambda k, t, u, p: k.mbap(t, u, k.good_pdu(p))[:-1]),
    "nothing": (Reason.TIMEOUT, lambda k, t, u, p: b""),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_does_not_fit_the_request_is_refused_and_ends_the_connection(kit, name):
    reason, answer = HOSTILE[name]

    async def scenario(wire, server):
        error = await kit.error_of(wire.read(1, "holding", 10, 2))
        assert error.reason is reason
        assert error.detail
        assert not wire.is_open
        server.behave = None
        await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)
        assert server.connections == 2

    run(kit, scenario, lambda t, u, p: [answer(kit, t, u, p)])


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11, 99])
def test_an_exception_reply_keeps_its_code_and_the_connection(kit, code):
    async def scenario(wire, server):
        error = await kit.error_of(wire.read(1, "holding", 10, 2))
        assert (error.reason, error.code) == (Reason.EXCEPTION, code)
        assert "10..11" in error.detail
        assert wire.is_open

    run(kit, scenario, lambda t, u, p: [kit.mbap(t, u, bytes([p[0] | 0x80, code]))])


def test_a_late_answer_is_never_taken_for_the_next(kit):
    async def scenario(wire, server):
        assert (await kit.error_of(wire.read(1, "holding", 10, 2))).reason is Reason.TIMEOUT
        assert not wire.is_open
        server.behave = lambda t, u, p: [2 * TIMEOUT_S / 3, kit.mbap(t, u, kit.good_pdu(p))]
        await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)  # the late one comes meanwhile, to nobody

    run(kit, scenario, lambda t, u, p: [1.2 * TIMEOUT_S, kit.mbap(t, u, kit.good_pdu(p))])


def test_a_doubled_answer_gives_its_value_once_and_ends_the_connection(kit):
    async def scenario(wire, server):
        assert await wire.read(1, "holding", 10, 2) == (10, 11)
        await asyncio.sleep(0.02)
        assert not wire.is_open
        assert wire.stray
        assert wire.overheard().noise_bytes == 13
        assert not wire.stray
        assert (await kit.error_of(wire.read(1, "holding", 20, 2))).reason is Reason.CLOSED

    twice = lambda t, u, p: [kit.mbap(t, u, kit.good_pdu(p)) * 2]  # noqa: E731
    later = lambda t, u, p: [kit.mbap(t, u, kit.good_pdu(p)), 0.005, kit.mbap(t, u, kit.good_pdu(p))]  # noqa: E731
    run(kit, scenario, twice)
    run(kit, scenario, later)


def test_data_that_nobody_asked_for_ends_the_connection(kit):
    async def scenario(wire, server):
        assert await wire.read(1, "holding", 10, 2) == (10, 11)
        server.writers[0].write(kit.mbap(2, 1, b"\x03\x04\x11\x11\x22\x22"))  # a guess at our next request
        await asyncio.sleep(0.02)
        assert not wire.is_open
        await wire.open()
        assert await wire.read(1, "holding", 20, 2) == (20, 21)

    run(kit, scenario)


def test_a_connection_closed_in_the_middle_of_an_answer_is_told_at_once(kit):
    async def scenario(wire, server):
        began = asyncio.get_running_loop().time()
        error = await kit.error_of(wire.read(1, "holding", 10, 2))
        assert error.reason is Reason.CLOSED
        assert asyncio.get_running_loop().time() - began < TIMEOUT_S
        assert not wire.is_open

    run(kit, scenario, lambda t, u, p: [kit.mbap(t, u, kit.good_pdu(p))[:9], kit.CLOSE])


def test_a_half_open_connection_costs_one_time_out(kit):
    """The other end was switched off: it accepts no bytes and says nothing. Played by a listener that never reads."""

    async def body():
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            listener.listen()
            wire = TcpWire("127.0.0.1", listener.getsockname()[1], timeout_s=TIMEOUT_S, connect_timeout_s=1.0)
            await wire.open()
            assert (await kit.error_of(wire.read(1, "holding", 0, 1))).reason is Reason.TIMEOUT
            assert not wire.is_open
            wire.close()

    asyncio.run(body())


def test_a_cancelled_read_stays_cancelled_and_ends_the_connection(kit):
    async def scenario(wire, server):
        task = asyncio.ensure_future(wire.read(1, "holding", 10, 2))
        await asyncio.sleep(0.01)
        await kit.cancelled(task)
        assert not wire.is_open

    run(kit, scenario, lambda t, u, p: [0.02, kit.mbap(t, u, kit.good_pdu(p))])


def test_what_cannot_be_connected_says_where(kit):
    async def body():
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        wire = TcpWire("127.0.0.1", port, timeout_s=TIMEOUT_S, connect_timeout_s=1.0)
        error = await kit.error_of(wire.open())
        assert error.reason is Reason.CONNECT
        assert f"127.0.0.1:{port}" in error.detail
        bad_name = TcpWire("a" * 64 + ".invalid", 502, timeout_s=TIMEOUT_S, connect_timeout_s=1.0)
        assert (await kit.error_of(bad_name.open())).reason is Reason.CONNECT
        assert (await kit.error_of(wire.read(1, "holding", 0, 1))).reason is Reason.CLOSED
        wire.close()

    asyncio.run(body())


def test_a_full_accept_queue_is_a_connect_error_after_its_own_time_out(kit):
    async def body():
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            listener.listen(0)
            port = listener.getsockname()[1]
            fillers = [socket.socket() for _ in range(3)]
            for filler in fillers:
                filler.setblocking(False)
                filler.connect_ex(("127.0.0.1", port))
            wire = TcpWire("127.0.0.1", port, timeout_s=TIMEOUT_S, connect_timeout_s=0.05)
            error = await kit.error_of(wire.open())
            assert error.reason is Reason.CONNECT
            assert "0.05 s" in error.detail
            for filler in fillers:
                filler.close()

    asyncio.run(body())


@pytest.mark.parametrize(
    ("unit", "table", "address", "count"),
    [(0, "holding", 0, 1), (256, "holding", 0, 1), (1, "holding", 0, 126), (1, "coil", 0, 2001), (1, "holding", 0, 0),
     (1, "holding", 65535, 2), (1, "holding", -1, 1), (1, "file", 0, 1)],
)  # fmt: skip
def test_a_request_outside_the_protocol_is_never_sent(kit, unit, table, address, count):
    async def scenario(wire, server):
        with pytest.raises(ValueError, match=r"must|count"):
            await wire.read(unit, table, address, count)
        assert server.requests == []
        assert wire.is_open

    run(kit, scenario)


def test_the_pause_after_an_answer_is_kept(kit):
    async def body():
        server = await kit.RawTcpServer().start()
        wire = TcpWire("127.0.0.1", server.port, timeout_s=1.0, connect_timeout_s=1.0, pause_s=0.03)
        await wire.open()
        await wire.read(1, "holding", 0, 1)
        began = asyncio.get_running_loop().time()
        await wire.read(1, "holding", 0, 1)
        assert asyncio.get_running_loop().time() - began >= 0.029
        wire.close()
        await server.stop()

    asyncio.run(body())


def test_a_link_error_names_its_reason():
    error = LinkError(Reason.TIMEOUT, "no answer")
    assert str(error) == "timeout: no answer"
