"""The whole of acquisition on real sockets and a pseudo terminal, with everything that it says recorded."""

import asyncio
import contextlib
import random
import struct

import pytest

from agent.acquire.acquisition import Acquisition
from agent.acquire.once import read_once
from agent.clock import SystemClock
from agent.counters import Counters
from agent.signals import Reason

MAPPED = {"holding": {10, 11, 12, 13, 40}, "coil": {5}, "discrete": {9}, "input": {7}}
MAP = {
    "signals": {
        "o2": {"address": 10, "scale": 0.01},
        "cell_temp": {"address": 11},
        "cell_emf": {"address": 12, "type": "float32"},
        "load": {"address": 7, "table": "input"},
        "heater_on": {"address": 5, "table": "coil"},
        "fault": {"address": 9, "table": "discrete"},
    },
    "status_words": {"state": {"address": 40, "values": {0: [], 40: ["warming_up"]}}},
}


def check_frames(frames, units=(1, 2)):
    """Only functions 1 to 4, never unit 0, only mapped addresses, no value split."""
    tables = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
    assert frames
    for unit, function, address, count in frames:
        assert unit in units
        assert function in tables
        assert set(range(address, address + count)) <= MAPPED[tables[function]]
        if function == 3:
            assert (12 in range(address, address + count)) == (13 in range(address, address + count))


async def acquire(settings, seconds, *, until=lambda samples: False, seed=1):
    samples, counters, enough = [], Counters(), asyncio.Event()

    def keep(sample):
        samples.append(sample)
        if until(samples):
            enough.set()

    quiet = type("Quiet", (), {"__getattr__": lambda self, level: lambda event, **values: None})()
    acquisition = Acquisition(
        settings,
        clock=SystemClock(),
        rng=random.Random(seed),
        emit=keep,
        emit_feed=keep,
        counters=counters,
        log=quiet,
    )
    task = asyncio.create_task(acquisition.run())
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(enough.wait(), seconds)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert task.cancelled()
    return samples, counters


def whims(kit, rng):
    """A transmitter or gateway that misbehaves in a different way at every request."""

    def behave(transaction, unit, pdu):
        good = kit.mbap(transaction, unit, kit.good_pdu(pdu))
        return rng.choice(
            [
                lambda: [good],
                lambda: [good],
                lambda: [good],
                lambda: [good, good],
                lambda: [
                    kit.mbap(transaction, unit, bytes([pdu[0] | 0x80, rng.choice([1, 2, 3, 4, 5, 6, 8, 10, 11])]))
                ],
                lambda: [kit.mbap(transaction - 1 & 0xFFFF, unit, kit.good_pdu(pdu))],
                lambda: [kit.mbap(transaction, unit ^ 1, kit.good_pdu(pdu))],
                lambda: [good[:-1], kit.CLOSE],
                lambda: [rng.randbytes(20)],
                lambda: [0.06, good],
                lambda: [kit.CLOSE],
            ]
        )()

    return behave


def true_values(sample, shift=0):
    """What the honest register n = n, bit n = (n % 3 == 0) means for the map above."""
    emf = struct.unpack(">f", struct.pack(">HH", 12 + shift, 13 + shift))[0]
    expected = {"o2": 0.1, "cell_temp": 11, "cell_emf": emf, "load": 7, "heater_on": 0, "fault": 1, "warming_up": 1}
    return all(sample.values[name] == pytest.approx(expected[name]) for name in sample.values)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_whatever_the_other_end_does_only_mapped_reads_leave_and_only_true_values_arrive(kit, seed):
    async def body():
        server = await kit.RawTcpServer().start()
        server.behave = whims(kit, random.Random(seed))
        line = {"kind": "tcp", "host": "127.0.0.1", "port": server.port, "timeout_s": 0.04, "back_off_max_s": 1}
        settings = kit.make_settings(
            lines={"a": line},
            probes={"p": {"line": "a", "period_s": 0.1}, "q": {"line": "a", "unit": 2, "period_s": 0.1}},
            maps={"m": MAP},
        )
        samples, counters = await acquire(settings, 1.0)
        await server.stop()
        check_frames(server.frames())
        assert sum(bool(sample.values) for sample in samples) >= 3
        assert all(true_values(sample) for sample in samples)
        assert all(set(sample.values) | set(sample.reasons) == {*MAP["signals"], "warming_up"} for sample in samples)
        assert all(not set(sample.values) & set(sample.reasons) for sample in samples)
        assert counters.total("line_failed") == 0

    asyncio.run(body())


def test_a_server_that_comes_back_is_polled_again(kit):
    async def body():
        server = await kit.RawTcpServer().start()
        port = server.port
        line = {"kind": "tcp", "host": "127.0.0.1", "port": port, "timeout_s": 0.05, "back_off_max_s": 1}
        settings = kit.make_settings(lines={"a": line}, probes={"p": {"line": "a", "period_s": 0.1}}, maps={"m": MAP})

        async def outage():
            await asyncio.sleep(0.15)
            await server.stop()
            again = kit.RawTcpServer()
            again.port = port
            await asyncio.sleep(0.2)
            return await again.start()

        waiting = asyncio.create_task(outage())
        back = lambda samples: len(samples) > 5 and not samples[3].values and bool(samples[-1].values)  # noqa: E731
        samples, _ = await acquire(settings, 4.0, until=back)
        second = await waiting
        await second.stop()
        assert samples[0].values
        assert samples[-1].values
        assert {r for s in samples for r in s.reasons.values()} <= {Reason.CLOSED, Reason.CONNECT, Reason.BACK_OFF}
        check_frames(server.frames() + second.frames())

    asyncio.run(body())


def serial_settings(kit, peer, listen_s=0.1):
    line = {"kind": "rtu", "device": peer.device, "baudrate": 115200, "parity": "none", "timeout_s": 0.05}
    line |= {"listen_s": listen_s, "back_off_max_s": 1}
    probes = {"p": {"line": "a", "period_s": 0.1}, "q": {"line": "a", "unit": 2, "period_s": 0.1}}
    return kit.make_settings(lines={"a": line}, probes=probes, maps={"m": MAP})


def test_a_serial_line_is_polled_after_listening_and_only_mapped_reads_leave(kit):
    async def body():
        peer = kit.PtyPeer()
        rng = random.Random(4)

        def behave(unit, pdu):
            good = kit.rtu(unit, kit.good_pdu(pdu))
            refusal = kit.rtu(unit, bytes([pdu[0] | 0x80, rng.choice([2, 4, 6, 11])]))
            return rng.choice(
                [[good], [good], [good], [good], [refusal], [good[:-1] + b"\x00"], [good[:4]], [0.06, good]]
            )

        peer.behave = behave
        samples, counters = await acquire(serial_settings(kit, peer), 1.2)
        await peer.stop()
        check_frames(peer.frames())
        assert len(peer.received) == 8 * len(peer.requests)
        assert any(sample.values for sample in samples)
        assert all(true_values(sample) for sample in samples)
        assert counters.total("foreign_master") == 0
        assert counters.total("line_failed") == 0

    asyncio.run(body())


def test_nothing_is_said_on_a_line_that_has_a_master(kit):
    async def body():
        peer = kit.PtyPeer()

        async def other_master():
            while True:
                peer.send(kit.rtu(9, b"\x03\x00\x00\x00\x02"))
                peer.send(kit.rtu(9, b"\x03\x04\x00\x01\x00\x02"))
                await asyncio.sleep(0.02)

        task = asyncio.create_task(other_master())
        samples, counters = await acquire(serial_settings(kit, peer), 0.6)
        looked = await read_once(serial_settings(kit, peer), "p", clock=SystemClock())
        task.cancel()
        await peer.stop()
        assert peer.received == b""
        assert counters.at("foreign_master", "a") == 1
        assert samples
        assert {r for s in samples for r in s.reasons.values()} == {Reason.FOREIGN_MASTER}
        assert set(looked.sample.reasons.values()) == {Reason.FOREIGN_MASTER}
        assert "somebody else speaks" in looked.detail

    asyncio.run(body())


# --- one look ---


def test_one_look_shows_raw_words_values_and_reasons(kit):
    maps = {"m": MAP | {"signals": MAP["signals"] | {"head_temp": {"address": 14, "sentinels": [14]}}}}

    async def body():
        server = await kit.RawTcpServer().start()
        line = {"kind": "tcp", "host": "127.0.0.1", "port": server.port, "timeout_s": 0.5}
        settings = kit.make_settings(lines={"a": line}, probes={"p": {"line": "a"}}, maps=maps)
        look = await read_once(settings, "p", clock=SystemClock())
        await server.stop()
        assert look.detail == ""
        assert look.signals["o2"].raw == (10,)
        assert look.signals["o2"].value == pytest.approx(0.1)
        assert look.signals["cell_emf"].raw == (12, 13)
        assert look.signals["heater_on"].raw == (0,)
        assert look.signals["warming_up"].raw == (40,)
        assert (look.signals["head_temp"].raw, look.signals["head_temp"].value) == ((14,), None)
        assert look.signals["head_temp"].reason is Reason.SENTINEL
        with pytest.raises(KeyError):
            await read_once(settings, "nobody", clock=SystemClock())

    asyncio.run(body())


def test_one_look_at_what_is_not_there_says_so_instead_of_failing(kit):
    async def body():
        server = await kit.RawTcpServer().start()
        await server.stop()
        line = {"kind": "tcp", "host": "127.0.0.1", "port": server.port, "timeout_s": 0.5}
        settings = kit.make_settings(
            lines={"a": line}, probes={"p": {"line": "a"}}, feeds={"f": {"line": "a"}}, maps={"m": MAP}
        )
        for name in ("p", "f"):
            look = await read_once(settings, name, clock=SystemClock())
            assert set(look.sample.reasons.values()) == {Reason.CONNECT}
            assert str(server.port) in look.detail
            assert all(signal.raw == () and signal.value is None for signal in look.signals.values())

    asyncio.run(body())


def test_one_look_over_a_serial_line_listens_first(kit):
    async def body():
        peer = kit.PtyPeer()
        began = asyncio.get_running_loop().time()
        asked = []
        peer.behave = lambda u, p: [
            asked.append(asyncio.get_running_loop().time() - began) or kit.rtu(u, kit.good_pdu(p))
        ]
        look = await read_once(serial_settings(kit, peer), "p", clock=SystemClock())
        await peer.stop()
        assert look.signals["load"].value == 7
        assert asked[0] >= 0.1
        check_frames(peer.frames())

    asyncio.run(body())
