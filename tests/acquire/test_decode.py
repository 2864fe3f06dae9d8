"""Registers and bits to values, against byte orders written out by hand and numbers from published frames."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.acquire.decode import CompiledMap
from agent.acquire.plan import make_plan
from agent.config.model import RegisterMap
from agent.signals import Reason


def decode(signals, memory, *, status_words=None, conventions=None, shift=0):
    """Decode a map from a dict of (table, address) to word or bit; unnamed addresses hold 0."""
    register_map = RegisterMap.model_validate(
        {"signals": signals, "status_words": status_words or {}, "conventions": conventions or {}}
    )
    compiled = CompiledMap(register_map, shift)
    values, reasons = {}, {}
    for block in make_plan(compiled.spans):
        decoders, _ = compiled.compile_block(block)
        words = tuple(memory.get((block.table, address), 0) for address in range(block.address, block.end))
        for each in decoders:
            each(words, values, reasons)
    return values, reasons


def one(register, words, name="cell_temp", **more):
    memory = {(register.get("table", "holding"), register["address"] + i): word for i, word in enumerate(words)}
    return decode({name: register}, memory, **more)


# 700.0 as IEEE 754 single is 44 2F 00 00. The four arrangements are written out by hand.
@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("abcd", (0x442F, 0x0000)),
        ("cdab", (0x0000, 0x442F)),
        ("badc", (0x2F44, 0x0000)),
        ("dcba", (0x0000, 0x2F44)),
    ],
)
def test_a_float32_is_read_in_all_four_orders(order, words):
    assert one({"address": 3, "type": "float32", "order": order}, words) == ({"cell_temp": 700.0}, {})


# -2.5 as IEEE 754 double is C0 04 00 .. 00; with the last byte 01 every byte has its place. Written out by hand.
@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("abcd", (0xC004, 0x0203, 0x0405, 0x0601)),
        ("cdab", (0x0601, 0x0405, 0x0203, 0xC004)),
        ("badc", (0x04C0, 0x0302, 0x0504, 0x0106)),
        ("dcba", (0x0106, 0x0504, 0x0302, 0x04C0)),
    ],
)
def test_a_float64_follows_the_same_pattern(order, words):
    expected = struct.unpack(">d", bytes.fromhex("C004020304050601"))[0]
    values, _ = one({"address": 3, "type": "float64", "order": order}, words)
    assert values["cell_temp"] == expected


@pytest.mark.parametrize(
    ("kind", "order", "words", "expected"),
    [
        ("uint16", "abcd", (0xFFFE,), 65534),
        ("int16", "abcd", (0xFFFE,), -2),
        ("int16", "cdab", (0x8000,), -32768),
        ("int16", "badc", (0xFEFF,), -2),
        ("uint16", "dcba", (0x3412,), 0x1234),
        ("int32", "abcd", (0xFFFF, 0xFFFE), -2),
        ("int32", "cdab", (0xFFFE, 0xFFFF), -2),
        ("uint32", "abcd", (0x0102, 0x0304), 0x01020304),
        ("uint32", "cdab", (0x0304, 0x0102), 0x01020304),
        ("uint32", "badc", (0x0201, 0x0403), 0x01020304),
        ("uint32", "dcba", (0x0403, 0x0201), 0x01020304),
    ],
)
def test_integers_are_read_in_every_order(kind, order, words, expected):
    values, reasons = one({"address": 0, "type": kind, "order": order, "plausible": (-1e10, 1e10)}, words)
    assert values == {"cell_temp": expected}
    assert not reasons


CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}


def arranged(data: bytes, order: str) -> tuple[int, ...]:
    """The definition, naively: words in order or reversed, bytes of each word in order or swapped."""
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in ("cdab", "dcba"):
        pairs.reverse()
    if order in ("badc", "dcba"):
        pairs = [pair[::-1] for pair in pairs]
    return tuple(int.from_bytes(pair, "big") for pair in pairs)


@given(data=st.binary(min_size=8, max_size=8), kind=st.sampled_from(sorted(CODES)), order=st.sampled_from(
    ["abcd", "cdab", "badc", "dcba"]), before=st.integers(0, 3))  # fmt: skip
def test_any_bits_in_any_order_decode_as_the_naive_definition(data, kind, order, before):
    data = data[: struct.calcsize(CODES[kind])]
    expected = float(struct.unpack(">" + CODES[kind], data)[0])
    signals = {"cell_temp": {"address": before, "type": kind, "order": order, "plausible": (-1.79e308, 1.79e308)}}
    signals |= {name: {"address": i} for i, name in enumerate(["o2", "load", "head_temp"][:before])}
    memory = {("holding", before + i): word for i, word in enumerate(arranged(data, order))}
    values, reasons = decode(signals, memory)
    if kind == "float32" and abs(expected) < 1e38:  # the short decimal that this float32, and no other, is nearest to
        assert struct.pack(">f", values["cell_temp"]) == struct.pack(">f", expected)
        assert expected.is_integer() or float(f"{values['cell_temp']:.9g}") == values["cell_temp"]
    elif math.isfinite(expected):
        assert values["cell_temp"] == expected
    else:
        assert reasons["cell_temp"] is Reason.NOT_FINITE
        assert "cell_temp" not in values


def test_scale_and_offset_are_applied_to_the_raw_number():
    values, _ = one({"address": 0, "type": "int16", "scale": 0.1, "offset": -40}, (0xFFF6,))
    assert values["cell_temp"] == pytest.approx(-41.0)  # -10 x 0.1 - 40


@pytest.mark.parametrize(
    ("kind", "words", "sentinel"),
    [
        ("uint16", (0xFFFF,), 65535),
        ("int16", (0x8000,), -32768),
        ("int16", (0x8000,), 32768),  # the same bits, given as a word
        ("int32", (0x8000, 0x0000), 0x80000000),
        ("int32", (0xFFFF, 0xFFFF), -1),
        ("uint32", (0xFFFF, 0xFFFF), 0xFFFFFFFF),
        ("float32", (0x7EFF, 0xFFFF), 1.7014117e38),
        ("float32", (0xC61C, 0x3C00), -9999),
        ("float32", (0x3DCC, 0xCCCD), 0.1),  # the nearest single is meant
    ],
)
def test_a_sentinel_is_missing_with_its_reason(kind, words, sentinel):
    values, reasons = one({"address": 0, "type": kind, "scale": 0.1, "offset": 5, "sentinels": [sentinel]}, words)
    assert (values, reasons) == ({}, {"cell_temp": Reason.SENTINEL})


def test_a_sentinel_no_float32_can_hold_matches_nothing():
    assert one({"address": 0, "type": "float32", "sentinels": [1e300]}, (0x442F, 0))[0] == {"cell_temp": 700.0}


@pytest.mark.parametrize("words", [(0x7FC0, 0), (0x7F80, 0), (0xFF80, 0), (0xFFFF, 0xFFFF)])
def test_nan_and_infinity_are_missing(words):
    assert one({"address": 0, "type": "float32"}, words) == ({}, {"cell_temp": Reason.NOT_FINITE})


def test_a_value_that_overflows_by_its_scale_is_missing():
    register = {"address": 0, "type": "float64", "scale": 1e10}
    assert one(register, (0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF)) == ({}, {"cell_temp": Reason.NOT_FINITE})


@pytest.mark.parametrize(("raw", "missing"), [(99, True), (100, False), (900, False), (901, True)])
def test_an_implausible_value_is_missing_and_the_limits_are_inside(raw, missing):
    values, reasons = one({"address": 0, "plausible": [100, 900]}, (raw,))
    assert values == ({} if missing else {"cell_temp": raw})
    assert reasons == ({"cell_temp": Reason.IMPLAUSIBLE} if missing else {})


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        (0, Reason.CLAMPED),
        (1, None),
        (2099, None),
        (2100, Reason.CLAMPED),
        (2101, Reason.CLAMPED),
        (2600, Reason.IMPLAUSIBLE),
    ],
)
def test_o2_at_the_end_of_its_range_is_clamped(raw, reason):
    register = {"address": 0, "scale": 0.01, "plausible": [0, 25]}
    values, reasons = one(register, (raw,), name="o2", conventions={"o2_clamp": [0, 21]})
    assert reasons == ({"o2": reason} if reason else {})
    assert values == ({} if reason else {"o2": pytest.approx(raw / 100)})


def test_the_clamp_is_of_o2_alone_and_holds_for_floats():
    assert one({"address": 0}, (21,), conventions={"o2_clamp": [0, 21]})[0] == {"cell_temp": 21}
    words = arranged(struct.pack(">f", 20.95), "abcd")
    register = {"address": 0, "type": "float32"}
    assert one(register, words, name="o2", conventions={"o2_clamp": [0.1, 20.95]})[1] == {"o2": Reason.CLAMPED}


@pytest.mark.parametrize(
    ("register", "words", "expected"),
    [
        ({"table": "coil", "address": 0}, (True,), 1.0),
        ({"table": "coil", "address": 0, "invert": True}, (True,), 0.0),
        ({"table": "discrete", "address": 0}, (False,), 0.0),
        ({"table": "discrete", "address": 0, "invert": True}, (False,), 1.0),
        ({"address": 0, "bit": 3}, (0b1000,), 1.0),
        ({"address": 0, "bit": 3}, (0b0111,), 0.0),
        ({"address": 0, "bit": 15, "type": "int16"}, (0x8000,), 1.0),
        ({"address": 0, "bit": 0, "invert": True}, (0xFFFE,), 1.0),
        ({"address": 0, "bit": 8, "order": "badc"}, (0x0001,), 1.0),
        ({"address": 0, "type": "bool"}, (0,), 0.0),
        ({"address": 0, "type": "bool", "invert": True}, (0xFF00,), 0.0),
        ({"address": 0, "type": "uint16"}, (7,), 1.0),
    ],
)
def test_flags_come_from_coils_bits_and_words(register, words, expected):
    assert one(register, words, name="fault") == ({"fault": expected}, {})


def test_a_flag_may_have_a_sentinel_and_a_nan():
    assert one({"address": 0, "bit": 1, "sentinels": [65535]}, (0xFFFF,), name="fault")[1] == {"fault": Reason.SENTINEL}
    register = {"address": 0, "type": "float32"}
    assert one(register, (0x7FC0, 0), name="fault")[1] == {"fault": Reason.NOT_FINITE}


STATE = {
    "state": {
        "address": 5,
        "values": {0: [], 1: ["warming_up"], 2: ["air_check_active", "output_held"], 3: ["output_held"]},
    }
}


@pytest.mark.parametrize(
    ("code", "on"), [(0, set()), (1, {"warming_up"}), (2, {"air_check_active", "output_held"}), (3, {"output_held"})]
)
def test_a_status_word_sets_its_flags_and_clears_the_others(code, on):
    values, reasons = decode({}, {("holding", 5): code}, status_words=STATE)
    assert values == {name: float(name in on) for name in ("warming_up", "air_check_active", "output_held")}
    assert not reasons


def test_an_unlisted_code_makes_every_flag_of_the_word_missing():
    values, reasons = decode({"o2": {"address": 4}}, {("holding", 4): 3, ("holding", 5): 9}, status_words=STATE)
    assert values == {"o2": 3}
    assert reasons == dict.fromkeys(("warming_up", "air_check_active", "output_held"), Reason.UNKNOWN_CODE)


@pytest.mark.parametrize(
    ("first", "second", "value", "reason"),
    [
        (1, 1, 1.0, None),
        (1, 0, 1.0, None),
        (0, 1, 1.0, None),
        (0, 0, 0.0, None),
        (9, 1, 1.0, None),
        (1, 9, 1.0, None),
        (9, 0, None, Reason.UNKNOWN_CODE),
        (0, 9, None, Reason.UNKNOWN_CODE),
    ],
)
def test_a_flag_of_two_words_is_on_if_either_says_so_and_off_only_if_both_do(first, second, value, reason):
    words = {name: {"address": at, "values": {0: [], 1: ["output_held"]}} for name, at in (("one", 5), ("two", 20))}
    values, reasons = decode({}, {("holding", 5): first, ("holding", 20): second}, status_words=words)
    assert values.get("output_held") == value
    assert reasons.get("output_held") is reason


def test_a_register_of_its_own_goes_before_a_status_word():
    signals = {"output_held": {"table": "coil", "address": 1}}
    values, reasons = decode(signals, {("coil", 1): False, ("holding", 5): 9}, status_words=STATE)
    assert values == {"output_held": 0.0}
    assert set(reasons) == {"warming_up", "air_check_active"}


def test_the_address_shift_moves_every_address():
    values, _ = decode({"o2": {"address": 1}}, {("holding", 101): 7}, shift=100)
    assert values == {"o2": 7}


def test_every_signal_of_the_map_is_named_once():
    compiled = CompiledMap(RegisterMap.model_validate({"signals": {"o2": {"address": 1}}, "status_words": STATE}))
    assert compiled.names == ("o2", "air_check_active", "output_held", "warming_up")


@pytest.mark.parametrize(
    ("name", "kind", "word"),
    [("supply_voltage", "int16", 0xFFFF), ("cell_temp", "int16", 0x8000), ("o2", "uint16", 0xFFFE)],
)
def test_what_no_such_quantity_can_be_is_missing_though_the_map_gives_no_limits(name, kind, word):
    values, reasons = decode({name: {"address": 0, "type": kind}}, {("holding", 0): word})
    assert values == {}
    assert reasons == {name: Reason.IMPLAUSIBLE}
