"""What a read-only Modbus device answers.

MODBUS Application Protocol Specification V1.1b3, sections 6.1 to 6.4 (reading) and 7 (exceptions).
"""

import struct
from typing import Final

from agent.simulate.encode import Image

__all__ = ["ILLEGAL_ADDRESS", "ILLEGAL_FUNCTION", "ILLEGAL_VALUE", "answer", "crc16"]

TABLES: Final = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
MOST_BITS: Final = 2000
MOST_REGISTERS: Final = 125
ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3


def answer(pdu: bytes, image: Image) -> bytes:
    """The answer to one request, both from the function code on.

    Anything but reading is refused, so that a client which writes is found out; so is an address that no signal has.
    """
    function = pdu[0]
    table = TABLES.get(function)
    if table is None:
        return _exception(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _exception(function, ILLEGAL_VALUE)
    first, count = struct.unpack(">HH", pdu[1:])
    bits = function in (1, 2)
    if not 1 <= count <= (MOST_BITS if bits else MOST_REGISTERS):
        return _exception(function, ILLEGAL_VALUE)
    held = image.get(table, {})
    try:
        values = [held[address] for address in range(first, first + count)]
    except KeyError:
        return _exception(function, ILLEGAL_ADDRESS)
    body = _packed_bits(values) if bits else struct.pack(f">{count}H", *values)
    return bytes([function, len(body)]) + body


def crc16(frame: bytes) -> bytes:
    """The checksum of an RTU frame as it goes on the wire, low byte first (Modbus over Serial Line V1.02, 6.2.2)."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


def _exception(function: int, code: int) -> bytes:
    return bytes([(function | 0x80) & 0xFF, code])


def _packed_bits(values: list[int]) -> bytes:
    """Eight a byte, the first one lowest."""
    packed = bytearray((len(values) + 7) // 8)
    for k, value in enumerate(values):
        packed[k // 8] |= (value & 1) << (k % 8)
    return bytes(packed)
