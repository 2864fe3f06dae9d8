"""Frames as printed in the Modbus documents, and a checksum that is not ours.

Sources: MODBUS Application Protocol Specification V1.1b3 (2012), sections 6.1 and 6.3 for the two read examples and
section 7 for exceptions; MODBUS over Serial Line, Specification and Implementation Guide V1.02 (2006), appendix B, for
the CRC of 02 07; MODBUS Messaging on TCP/IP Implementation Guide V1.0b (2006), section 3.1.3, for the header. Unit 0x11
and the CRCs around the printed PDUs were computed with minimalmodbus 2.1.1.
"""

import asyncio
import os
import struct

import pytest

from agent.acquire.frames import crc_is_right, find_frames, make_request
from agent.acquire.rtu_stream import RtuStream
from agent.acquire.tcp import TcpWire
from agent.acquire.transport import LinkError
from agent.signals import Reason

try:
    import minimalmodbus
except ImportError:
    if os.environ.get("CI") == "true":
        raise
    pytest.skip("minimalmodbus is not installed: pip install 'flueward[outside]'", allow_module_level=True)


def frame(text: str) -> bytes:
    return bytes.fromhex(text.replace(" ", ""))


REQUESTS = [
    (0x11, "coil", 0x13, 19, "11 01 00 13 00 13 8E 92", "00 01 00 00 00 06 11 01 00 13 00 13"),
    (0x11, "holding", 0x6B, 3, "11 03 00 6B 00 03 76 87", "00 01 00 00 00 06 11 03 00 6B 00 03"),
    (0x01, "input", 0x08, 1, "01 04 00 08 00 01 B0 08", "00 01 00 00 00 06 01 04 00 08 00 01"),
    (0x01, "holding", 0x6B, 3, "01 03 00 6B 00 03 74 17", "00 01 00 00 00 06 01 03 00 6B 00 03"),
    (0x01, "holding", 0x00, 125, "01 03 00 00 00 7D 85 EB", "00 01 00 00 00 06 01 03 00 00 00 7D"),
]


@pytest.mark.parametrize(("unit", "table", "address", "count", "rtu", "tcp"), REQUESTS)
def test_requests_are_the_published_frames(unit, table, address, count, rtu, tcp):
    request = make_request(unit, table, address, count)
    assert request.rtu == frame(rtu)
    assert b"\x00\x01" + request.mbap_tail == frame(tcp)


ANSWERS = [
    (0x11, "coil", 0x13, 19, "11 01 03 CD 6B 05 40 12",
     [bool(int(bit)) for bit in "1011001111010110101"]),  # CD 6B 05, least significant bit first, by hand
    (0x11, "holding", 0x6B, 3, "11 03 06 02 2B 00 00 00 64 C8 BA", (555, 0, 100)),
    (0x01, "input", 0x08, 1, "01 04 02 00 0A 39 37", (10,)),
    (0x01, "holding", 0x00, 2, "01 03 04 44 2F 00 00 DF 0A", (0x442F, 0)),
    (0x01, "holding", 0x00, 2, "01 03 04 00 00 44 2F 88 EF", (0, 0x442F)),
]  # fmt: skip


def judged(unit, table, address, count, answer):
    """What the RTU stream makes of an answer, without a port."""

    class Sink(asyncio.Transport):
        def write(self, data):
            self.sent = bytes(data)

        def abort(self):
            pass

    async def body():
        stream = RtuStream(0.01)
        stream.connection_made(Sink())
        future = stream.ask(make_request(unit, table, address, count))
        stream.data_received(answer)
        return await asyncio.wait_for(future, 1.0)

    return asyncio.run(body())


@pytest.mark.parametrize(("unit", "table", "address", "count", "answer", "expected"), ANSWERS)
def test_rtu_answers_are_read_as_published(unit, table, address, count, answer, expected):
    assert judged(unit, table, address, count, frame(answer)) == expected


@pytest.mark.parametrize(("unit", "table", "address", "count", "answer", "expected"), ANSWERS)
def test_tcp_answers_are_read_as_published(unit, table, address, count, answer, expected):
    pdu = frame(answer)[1:-2]

    async def serve(reader, writer):
        await reader.readexactly(12)
        writer.write(struct.pack(">HHHB", 1, 0, len(pdu) + 1, unit) + pdu)
        await reader.read()
        writer.close()

    async def body():
        async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
            wire = TcpWire("127.0.0.1", server.sockets[0].getsockname()[1], timeout_s=1.0, connect_timeout_s=1.0)
            await wire.open()
            try:
                return await wire.read(unit, table, address, count)
            finally:
                wire.close()
                await asyncio.sleep(0.01)

    assert asyncio.run(body()) == expected


@pytest.mark.parametrize(
    ("unit", "answer", "code"), [(0x11, "11 83 02 C1 34", 2), (1, "01 83 03 01 31", 3), (1, "01 83 06 C1 32", 6),
                                 (1, "01 83 0B 00 F7", 11)],
)  # fmt: skip
def test_exception_replies_are_read_as_published(unit, answer, code):
    error = judged(unit, "holding", 0x6B, 3, frame(answer))
    assert isinstance(error, LinkError)
    assert (error.reason, error.code) == (Reason.EXCEPTION, code)


def test_a_frame_with_the_checksum_of_another_unit_is_dropped():
    assert not crc_is_right(frame("01 03 00 6B 00 03 76 87"))
    assert crc_is_right(frame("11 03 00 6B 00 03 76 87"))


def test_the_checksum_of_the_guide():
    assert crc_is_right(frame("02 07 41 12"))


@pytest.mark.parametrize("size", [1, 2, 6, 29, 253])
def test_checksums_agree_with_minimalmodbus(size):
    for start in range(0, 256, 17):
        data = bytes((start * size + 31 * i) % 256 for i in range(size))
        low, high = minimalmodbus._calculate_crc(data)  # in the order of the wire
        if size >= 2:
            assert crc_is_right(data + bytes([low, high]))
            assert not crc_is_right(data + bytes([low ^ 1, high]))


def test_a_conversation_is_taken_apart_into_its_frames():
    said = [frame(row[4]) for row in REQUESTS] + [frame(row[4]) for row in ANSWERS] + [frame("11 83 02 C1 34")]
    said += [frame("11 06 00 01 00 03 9A 9B"), frame("11 10 00 01 00 02 04 00 0A 01 02 C6 F0"),
             frame("11 10 00 01 00 02 12 98")]  # fmt: skip
    assert find_frames(b"".join(said)) == (said, 0)
    assert find_frames(b"\x00\xff".join(said)) == (said, 2 * (len(said) - 1))
