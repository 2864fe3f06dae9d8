import asyncio
import struct
import time

import pytest

from agent.simulate.modbus_pdu import answer, crc16
from agent.simulate.modbus_server import ModbusServer


def bits(first, pattern):
    return {first + k: int(bit) for k, bit in enumerate(pattern)}


class Registers:
    """Unit 17 holds what the examples of the specification read; nobody else answers."""

    def registers(self, line, unit):
        if unit != 17:
            return None
        return {
            # MODBUS Application Protocol V1.1b3: 6.1 reads coils 20-38, 6.2 inputs 197-218, 6.3 registers 108-110,
            # 6.4 input register 9; the protocol's numbers are one lower
            "coil": bits(19, f"{0xCD:08b}"[::-1] + f"{0x6B:08b}"[::-1] + f"{0x05:03b}"[::-1]),
            "discrete": bits(196, f"{0xAC:08b}"[::-1] + f"{0xDB:08b}"[::-1] + f"{0x35:06b}"[::-1]),
            "holding": {107: 0x022B, 108: 0x0000, 109: 0x0064},
            "input": {8: 0x000A},
        }


EXAMPLES = [
    ("01 0013 0013", "01 03 CD 6B 05"),
    ("02 00C4 0016", "02 03 AC DB 35"),
    ("03 006B 0003", "03 06 022B 0000 0064"),
    ("04 0008 0001", "04 02 000A"),
    ("03 006B 0004", "83 02"),  # one register more than there is
    ("03 0000 0001", "83 02"),
    ("03 006B 0000", "83 03"),  # no registers
    ("03 006B 007E", "83 03"),  # 126 of them
    ("01 0013 07D1", "81 03"),  # 2001 coils
    ("03 006B 00", "83 03"),  # half a request
    ("05 00AC FF00", "85 01"),  # write one coil
    ("06 0001 0003", "86 01"),  # write one register
    ("0F 0013 000A 02 CD01", "8F 01"),
    ("10 0001 0002 04 000A 0102", "90 01"),
    ("2B 0E 01 00", "AB 01"),
]


@pytest.mark.parametrize(("request_hex", "reply_hex"), EXAMPLES)
def test_the_examples_of_the_specification_and_its_exceptions(request_hex, reply_hex):
    assert answer(bytes.fromhex(request_hex), Registers().registers("a", 17)) == bytes.fromhex(reply_hex)


def test_the_checksum_of_the_specifications_example():
    # MODBUS over Serial Line V1.02, 6.2.2: the frame 02 07 has the CRC 41 12 on the wire
    assert crc16(bytes.fromhex("02 07")) == bytes.fromhex("41 12")


def on_line(framing, talk):
    """Run `talk(reader, writer)` against one line, and return what it returns."""

    async def run():
        server = ModbusServer(Registers(), {"a": framing})
        ports = await server.start()
        reader, writer = await asyncio.open_connection("127.0.0.1", ports["a"])
        try:
            return await asyncio.wait_for(talk(reader, writer), 5.0)
        finally:
            writer.close()
            await server.stop()

    return asyncio.run(run())


def tcp_frame(pdu_hex, *, transaction=1, unit=17, protocol=0):
    pdu = bytes.fromhex(pdu_hex)
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1, unit) + pdu


def rtu_frame(pdu_hex, unit=17):
    frame = bytes([unit]) + bytes.fromhex(pdu_hex)
    return frame + crc16(frame)


@pytest.mark.parametrize(("request_hex", "reply_hex"), EXAMPLES)
def test_modbus_tcp_carries_them_with_transaction_and_unit(request_hex, reply_hex):
    async def talk(reader, writer):
        writer.write(tcp_frame(request_hex, transaction=0xBEEF))
        return await reader.readexactly(7 + len(bytes.fromhex(reply_hex)))

    assert on_line("tcp", talk) == tcp_frame(reply_hex, transaction=0xBEEF)


@pytest.mark.parametrize(("request_hex", "reply_hex"), [pair for pair in EXAMPLES if pair[0] != "03 006B 00"])
def test_rtu_over_tcp_carries_them_with_a_checksum(request_hex, reply_hex):
    async def talk(reader, writer):
        writer.write(rtu_frame(request_hex))
        return await reader.readexactly(3 + len(bytes.fromhex(reply_hex)))

    assert on_line("rtu", talk) == rtu_frame(reply_hex)


def test_requests_sent_at_once_are_answered_in_order():
    async def talk(reader, writer):
        writer.write(b"".join(tcp_frame("04 0008 0001", transaction=k) for k in range(5)))
        replies = [await reader.readexactly(11) for _ in range(5)]
        return [struct.unpack(">H", reply[:2])[0] for reply in replies]

    assert on_line("tcp", talk) == [0, 1, 2, 3, 4]


def test_a_frame_in_pieces_is_one_frame():
    async def talk(reader, writer):
        for byte in tcp_frame("04 0008 0001"):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0)
        return await reader.readexactly(11)

    assert on_line("tcp", talk) == tcp_frame("04 02 000A")


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_a_unit_that_is_not_there_is_silent_and_its_neighbour_is_not(framing):
    frame = tcp_frame if framing == "tcp" else rtu_frame

    async def talk(reader, writer):
        writer.write(frame("04 0008 0001", unit=5))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reader.read(1), 0.03)
        writer.write(frame("04 0008 0001"))
        return await reader.readexactly(11 if framing == "tcp" else 7)

    assert on_line(framing, talk) == frame("04 02 000A")


def test_a_frame_with_a_wrong_checksum_gets_no_answer_and_the_next_one_does():
    async def talk(reader, writer):
        broken = bytearray(rtu_frame("04 0008 0001"))
        broken[-1] ^= 0xFF
        writer.write(bytes(broken))
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reader.read(1), 0.03)
        writer.write(rtu_frame("04 0008 0001"))
        return await reader.readexactly(7)

    assert on_line("rtu", talk) == rtu_frame("04 02 000A")


@pytest.mark.parametrize("garbage", [b"GET / HTTP/1.1\r\n\r\n", struct.pack(">HHHB", 1, 0, 1, 17)])
def test_what_is_no_modbus_ends_the_connection(garbage):
    async def talk(reader, writer):
        writer.write(garbage)
        return await reader.read()

    assert on_line("tcp", talk) == b""


def test_stopping_closes_open_connections_at_once_and_frees_the_port():
    async def run():
        server = ModbusServer(Registers(), {"a": "tcp", "b": "rtu"})
        ports = await server.start()
        clients = [await asyncio.open_connection("127.0.0.1", port) for port in ports.values() for _ in range(3)]
        await asyncio.sleep(0.01)
        began = time.monotonic()
        await server.stop()
        took = time.monotonic() - began
        for reader, writer in clients:
            assert await reader.read() == b""
            writer.close()
        again = ModbusServer(Registers(), {"a": "tcp"})
        assert await again.start({"a": ports["a"]}) == {"a": ports["a"]}
        await again.stop()
        return took

    assert asyncio.run(run()) < 0.5


def test_a_port_that_is_taken_is_an_error_and_leaves_nothing_open():
    async def run():
        async with ModbusServer(Registers(), {"a": "tcp"}) as first:
            second = ModbusServer(Registers(), {"b": "tcp", "c": "tcp"})
            with pytest.raises(OSError, match="in use"):
                await second.start({"c": first.ports["a"]})
            assert second.ports == {}

    asyncio.run(run())
