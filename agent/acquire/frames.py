"""Modbus frames: a request made once by pymodbus' own encoder, and an answer that is checked byte for byte.

pymodbus' clients are not used for the exchange itself. Of version 3.16.1 we measured: an answer with transaction 0 is
taken for any request; an answer of another unit or transaction is skipped without a word; the byte count is not
compared with the frame, so a short one loses a register and an odd one passes; an answer of another function is
returned as good; a frame that cannot be decoded raises inside `data_received`, which reaches the event loop's handler
and not the reader; a connection that closes in the middle of an answer is told to the reader as a time-out. What it
does well is used: its PDU and framer classes build the requests, its CRC checks the answers, its serial transport opens
the ports.
"""

from dataclasses import dataclass
from functools import lru_cache
from struct import Struct
from typing import Final

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from agent.acquire.transport import EXCEPTIONS, FUNCTIONS, LinkError, Table, Words
from agent.signals import Reason

__all__ = ["Request", "check_body", "crc_is_right", "exception_error", "find_frames", "make_request"]

_REQUESTS: Final[dict[str, type[ModbusPDU]]] = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
}
_SOCKET_FRAMER: Final = FramerSocket(DecodePDU(False))
_RTU_FRAMER: Final = FramerRTU(DecodePDU(False))
_BITS: Final = tuple([bool(byte >> bit & 1) for bit in range(8)] for byte in range(256))  # least significant bit first


@dataclass(frozen=True, slots=True)
class Request:
    """One request, ready to send again and again."""

    unit: int
    function: int
    address: int
    count: int
    byte_count: int  # of the answer that it must get
    mbap_tail: bytes  # a Modbus TCP frame after its transaction id
    rtu: bytes  # an RTU frame with its CRC

    @property
    def rtu_answer_size(self) -> int:
        """Bytes of a good RTU answer: unit, function, byte count, data, CRC."""
        return self.byte_count + 5


def make_request(unit: int, table: Table, address: int, count: int) -> Request:
    """Build a read request: the one place where frames to be sent come from.

    Raises ValueError for unit 0 (broadcast), a table without a read function, more than 125 registers or 2000 bits,
    or addresses beyond 65535: these are faults of the program, not of the link.
    """
    if not 1 <= unit <= 255:
        raise ValueError(f"unit must be 1..255, got {unit}: 0 is broadcast and is never sent")
    if table not in FUNCTIONS:
        raise ValueError(f"table must be one of {', '.join(FUNCTIONS)}, got {table!r}")
    if not 0 <= address <= address + count - 1 <= 65535:
        raise ValueError(f"addresses must lie in 0..65535, got {count} from {address}")
    pdu = _REQUESTS[table](dev_id=unit, transaction_id=1, address=address, count=count)
    byte_count = 2 * count if FUNCTIONS[table] >= 3 else (count + 7) // 8
    return Request(
        unit=unit,
        function=FUNCTIONS[table],
        address=address,
        count=count,
        byte_count=byte_count,
        mbap_tail=_SOCKET_FRAMER.buildFrame(pdu)[2:],
        rtu=_RTU_FRAMER.buildFrame(pdu),
    )


@lru_cache(maxsize=256)
def _registers(count: int) -> Struct:
    return Struct(f">{count}H")


def check_body(request: Request, data: bytes | bytearray) -> Words:
    """Return the registers or bits of the data field, whose length the caller has checked."""
    if request.function >= 3:
        return _registers(request.count).unpack(data)
    bits: list[bool] = []
    for byte in data:
        bits += _BITS[byte]
    del bits[request.count :]  # the padding of the last byte
    return bits


def exception_error(request: Request, code: int) -> LinkError:
    """The error for an exception reply, with the addresses that were asked for."""
    last = request.address + request.count - 1
    where = f"function {request.function}, addresses {request.address}..{last} of unit {request.unit}"
    return LinkError(
        Reason.EXCEPTION, f"exception {code:#04x} ({EXCEPTIONS.get(code, 'not in the standard')}) to {where}", code=code
    )


def crc_is_right(frame: bytes | bytearray) -> bool:
    """Whether the last two bytes are the CRC-16 of those before. pymodbus gives the CRC in the order of the wire."""
    return len(frame) >= 4 and FramerRTU.check_CRC(bytes(frame[:-2]), frame[-2] << 8 | frame[-1])


def _shapes(data: bytes, at: int) -> tuple[int, ...]:
    """The lengths that a frame starting at `at` could have, as a request or as an answer."""
    function = data[at + 1]
    if function & 0x80:
        return (5,)
    count_at_2 = data[at + 2] + 5
    if function in (1, 2, 3, 4, 23):
        sizes = (8, count_at_2) if function != 23 else (count_at_2,)
        return (*sizes, data[at + 10] + 13) if function == 23 and at + 10 < len(data) else sizes
    if function in (5, 6, 8):
        return (8,)
    if function in (15, 16):
        return (8, data[at + 6] + 9) if at + 6 < len(data) else (8,)
    if function in (7, 11, 12, 17):
        return (4, 5, 8, count_at_2)
    return (count_at_2,) if function in (20, 21, 24, 43) else ()


def find_frames(data: bytes) -> tuple[list[bytes], int]:
    """Whole RTU frames, anybody's, in what a line carried; and how many bytes were no part of one.

    Only shapes of known functions are tried, each with its CRC, so that noise passes for a frame less than once in a
    million bytes.
    """
    frames: list[bytes] = []
    noise = at = 0
    while at < len(data):
        # The shortest first: a good frame and a 0 after it have a good checksum too.
        for size in sorted(_shapes(data, at)) if len(data) - at >= 4 else ():
            if at + size <= len(data) and crc_is_right(data[at : at + size]):
                frames.append(data[at : at + size])
                at += size
                break
        else:
            noise += 1
            at += 1
    return frames, noise
