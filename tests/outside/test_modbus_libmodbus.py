"""A Modbus server that shares no code with ours: libmodbus, in another process, read in every type and order.

Four float32 registers are written by libmodbus' own modbus_set_float_abcd and its three relatives. Before its version
3.1.8 these swapped the bytes of each word on little-endian machines (its change note: "Fix float endianness issue on
both little and big endian", from memory; seen with 3.1.6), so the names agree from there on and are swapped before.
"""

import asyncio
import ctypes
import ctypes.util
import math
import os
import random
import struct
import subprocess
import sys
import tty

import numpy as np
import pytest

from agent.acquire.once import read_once
from agent.acquire.serial import SerialWire
from agent.acquire.tcp import TcpWire
from agent.clock import SystemClock
from agent.config.model import Settings
from agent.signals import Reason

LIBRARY = ctypes.util.find_library("modbus") or "libmodbus.so.5"
try:
    ctypes.CDLL(LIBRARY)
except OSError:
    if os.environ.get("CI") == "true":
        pytest.fail("libmodbus is missing, and CI must not go without it: apt-get install libmodbus5", pytrace=False)
    pytest.skip("libmodbus is not installed: apt-get install libmodbus5", allow_module_level=True)

SERVER = r"""
import ctypes, random, struct, sys
library, kind, where = sys.argv[1:4]
lib = ctypes.CDLL(library)

class Mapping(ctypes.Structure):  # modbus_mapping_t of modbus.h, 3.1
    _fields_ = [(name, ctypes.c_int) for name in (
        "nb_bits", "start_bits", "nb_input_bits", "start_input_bits",
        "nb_input_registers", "start_input_registers", "nb_registers", "start_registers")] + [
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)), ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)), ("tab_registers", ctypes.POINTER(ctypes.c_uint16))]

for name in ("modbus_new_tcp", "modbus_new_rtu"):
    getattr(lib, name).restype = ctypes.c_void_p
lib.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
lib.modbus_new_tcp.argtypes = [ctypes.c_char_p, ctypes.c_int]
lib.modbus_new_rtu.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.c_char, ctypes.c_int, ctypes.c_int]
for name in ("modbus_connect", "modbus_close"):
    getattr(lib, name).argtypes = [ctypes.c_void_p]
lib.modbus_set_slave.argtypes = [ctypes.c_void_p, ctypes.c_int]
lib.modbus_tcp_listen.argtypes = [ctypes.c_void_p, ctypes.c_int]
lib.modbus_tcp_accept.argtypes = [ctypes.c_void_p, ctypes.POINTER(ctypes.c_int)]
lib.modbus_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
lib.modbus_reply.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(Mapping)]

mapping = lib.modbus_mapping_new(2100, 2100, 300, 300)
table = mapping.contents
draw = random.Random(7)
for i in range(2100):
    table.tab_bits[i] = draw.random() < 0.5
    table.tab_input_bits[i] = draw.random() < 0.5
for i in range(300):
    table.tab_registers[i] = draw.randrange(65536)
    table.tab_input_registers[i] = draw.randrange(65536)
for i, order in enumerate(("abcd", "cdab", "badc", "dcba")):
    put = getattr(lib, "modbus_set_float_" + order)
    put.argtypes, put.restype = [ctypes.c_float, ctypes.POINTER(ctypes.c_uint16)], None
    at = ctypes.addressof(table.tab_registers.contents) + 2 * (200 + 2 * i)
    put(-20.965, ctypes.cast(at, ctypes.POINTER(ctypes.c_uint16)))

query = ctypes.create_string_buffer(260)
if kind == "tcp":
    import socket
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0)); port = free.getsockname()[1]
    context = lib.modbus_new_tcp(b"127.0.0.1", port)
    listener = ctypes.c_int(lib.modbus_tcp_listen(context, 5))
    assert listener.value >= 0
    print(port, flush=True)
    while True:
        if lib.modbus_tcp_accept(context, ctypes.byref(listener)) < 0:
            break
        while (size := lib.modbus_receive(context, query)) >= 0:
            if size:
                lib.modbus_reply(context, query, size, mapping)
        lib.modbus_close(context)
else:
    context = lib.modbus_new_rtu(where.encode(), 115200, b"N", 8, 1)
    assert lib.modbus_set_slave(context, 17) == 0
    assert lib.modbus_connect(context) == 0
    print("ready", flush=True)
    while True:
        size = lib.modbus_receive(context, query)
        if size > 0:
            lib.modbus_reply(context, query, size, mapping)
"""


class Libmodbus:
    """The server process; ended by its own handle."""

    def __init__(self, kind: str, where: str = "-") -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVER, LIBRARY, kind, where], stdout=subprocess.PIPE, text=True
        )
        self.said = self.process.stdout.readline().strip()

    def __enter__(self) -> "Libmodbus":
        return self

    def __exit__(self, *_) -> None:
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


def expected_memory():
    """The same draws as in the server."""
    draw = random.Random(7)
    coils, discretes, holdings, inputs = [], [], [], []
    for _ in range(2100):
        coils.append(draw.random() < 0.5)
        discretes.append(draw.random() < 0.5)
    for _ in range(300):
        holdings.append(draw.randrange(65536))
        inputs.append(draw.randrange(65536))
    return {"coil": coils, "discrete": discretes, "holding": holdings, "input": inputs}


async def read_everything(wire, unit):
    memory = expected_memory()
    for table, limit in (("coil", 2000), ("discrete", 2000), ("holding", 125), ("input", 125)):
        for address, count in ((0, 1), (3, 11), (0, limit), (50, 8)):
            assert list(await wire.read(unit, table, address, count)) == memory[table][address : address + count]


def test_all_four_tables_over_tcp():
    async def body(port):
        wire = TcpWire("127.0.0.1", port, timeout_s=2.0, connect_timeout_s=2.0)
        await wire.open()
        await read_everything(wire, 255)
        wire.close()

    with Libmodbus("tcp") as server:
        asyncio.run(body(int(server.said)))


def test_an_address_beyond_the_end_is_exception_2():
    """V1.1b3 section 7: of 300 registers, 296 + 4 is fine and 296 + 5 is not."""

    async def body(port):
        wire = TcpWire("127.0.0.1", port, timeout_s=2.0, connect_timeout_s=2.0)
        await wire.open()
        assert len(await wire.read(1, "input", 296, 4)) == 4
        with pytest.raises(Exception, match="exception 0x02") as caught:
            await wire.read(1, "input", 296, 5)
        assert (caught.value.reason, caught.value.code) == (Reason.EXCEPTION, 2)
        assert len(await wire.read(1, "input", 296, 4)) == 4
        wire.close()

    with Libmodbus("tcp") as server:
        asyncio.run(body(int(server.said)))


ANY = {"plausible": (-1e308, 1e308)}  # numbers as such are compared here, not what an analyzer can show
NAMES = ["o2", "cell_temp", "cell_emf", "head_temp", "flue_temp", "load", "heater_current", "supply_voltage"]
CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
ORDERS = ["abcd", "cdab", "badc", "dcba"]


def meant(words, kind, order):
    """The value of registers by the written definition of the orders, in plain byte shuffling."""
    pairs = [struct.pack(">H", word) for word in words]
    if order in ("cdab", "dcba"):
        pairs.reverse()
    if order in ("badc", "dcba"):
        pairs = [pair[::-1] for pair in pairs]
    return struct.unpack(">" + CODES[kind], b"".join(pairs))[0]


def settings_for(port, signals):
    return Settings.model_validate(
        {
            "site": "s",
            "agent": "a",
            "data_dir": "/nowhere",
            "lines": {"l": {"kind": "tcp", "host": "127.0.0.1", "port": port, "timeout_s": 2.0}},
            "maps": {"m": {"signals": signals}},
            "probes": {"p": {"line": "l", "map": "m"}},
        }
    )


def test_every_type_and_order_over_tcp():
    memory = expected_memory()

    async def body(port):
        for kind, code in CODES.items():
            width = struct.calcsize(code) // 2
            for table in ("holding", "input"):
                signals = {
                    name: {"table": table, "address": 10 + i * width, "type": kind, "order": ORDERS[i % 4], **ANY}
                    for i, name in enumerate(NAMES)
                }
                look = await read_once(settings_for(port, signals), "p", clock=SystemClock())
                assert look.detail == ""
                for i, name in enumerate(NAMES):
                    words = tuple(memory[table][10 + i * width : 10 + (i + 1) * width])
                    assert look.signals[name].raw == words
                    value = meant(words, kind, ORDERS[i % 4])
                    if math.isfinite(value):
                        found = look.signals[name].value  # of a float32 the short decimal that it is nearest to
                        assert (np.float32(found) if kind == "float32" else found) == value
                    else:
                        assert look.signals[name].reason is Reason.NOT_FINITE

    with Libmodbus("tcp") as server:
        asyncio.run(body(int(server.said)))


def libmodbus_version():
    lib = ctypes.CDLL(LIBRARY)
    return tuple(ctypes.c_uint.in_dll(lib, f"libmodbus_version_{part}").value for part in ("major", "minor", "micro"))


def test_floats_written_by_libmodbus_are_read_in_all_four_orders():
    orders = ORDERS if libmodbus_version() >= (3, 1, 8) else ["badc", "dcba", "abcd", "cdab"]
    signals = {
        name: {"address": 200 + 2 * i, "type": "float32", "order": order, **ANY}
        for i, (name, order) in enumerate(zip(NAMES, orders, strict=False))
    }

    async def body(port):
        look = await read_once(settings_for(port, signals), "p", clock=SystemClock())
        assert [look.signals[name].value for name in signals] == [-20.965] * 4

    with Libmodbus("tcp") as server:
        asyncio.run(body(int(server.said)))


def test_all_four_tables_over_a_serial_line():
    """Two pseudo terminals, joined back to back: ours has one device, libmodbus the other."""

    async def body():
        ends = [os.openpty(), os.openpty()]
        for pair in ends:
            for fd in pair:
                tty.setraw(fd)
        loop = asyncio.get_running_loop()
        (ours, our_device), (theirs, their_device) = ends
        loop.add_reader(ours, lambda: os.write(theirs, os.read(ours, 4096)))
        loop.add_reader(theirs, lambda: os.write(ours, os.read(theirs, 4096)))
        server = await asyncio.to_thread(Libmodbus, "rtu", os.ttyname(their_device))
        wire = SerialWire(os.ttyname(our_device), baudrate=115200, parity="none", stopbits=1, timeout_s=2.0)
        try:
            assert server.said == "ready"
            await wire.open()
            await read_everything(wire, 17)
            assert not wire.stray
        finally:
            wire.close()
            server.__exit__()
            loop.remove_reader(ours)
            loop.remove_reader(theirs)
            for pair in ends:
                for fd in pair:
                    os.close(fd)

    asyncio.run(body())
