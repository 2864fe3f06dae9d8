import struct
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.config.model import Register, RegisterMap, StatusWord
from agent.simulate.encode import as_read, image_of, raw_of, status_code, words_of
from agent.simulate.history import signals_of
from agent.simulate.settings import plant_settings

CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d"}
ORDERS = ("abcd", "cdab", "badc", "dcba")


def naive_decode(words, kind, order):
    """Bytes by the letters of the order, for four bytes; the same pattern for eight. A second opinion on encoding."""
    data = [byte for word in words for byte in (word >> 8, word & 255)]
    if len(words) > 1:
        letters = {"abcd": range(len(data)), "dcba": range(len(data) - 1, -1, -1)}
        letters["cdab"] = [i + k for i in range(len(data) - 2, -1, -2) for k in (0, 1)]
        letters["badc"] = [i + k for i in range(0, len(data), 2) for k in (1, 0)]
        data = [data[i] for i in letters[order]]
    return struct.unpack(">" + CODES[kind], bytes(data))[0]


@pytest.mark.parametrize(
    ("order", "words"),
    # IEEE 754: 1.0 is 3F 80 00 00, the letters a b c d in this order
    [("abcd", (0x3F80, 0)), ("cdab", (0, 0x3F80)), ("badc", (0x803F, 0)), ("dcba", (0, 0x803F))],
)
def test_one_as_a_float_in_each_order(order, words):
    assert words_of(Register(address=0, type="float32", order=order), 1.0) == words


@given(st.data())
def test_an_integer_comes_back_through_its_words(data):
    kind, order = (
        data.draw(st.sampled_from(sorted(set(CODES) - {"float32", "float64"}))),
        data.draw(st.sampled_from(ORDERS)),
    )
    bits = 8 * struct.calcsize(CODES[kind])
    low = -(1 << (bits - 1)) if kind.startswith("int") else 0
    raw = data.draw(st.integers(low, low + (1 << bits) - 1))
    scale = data.draw(st.sampled_from([1.0, 0.1, 0.01, 0.5, 2.0]))
    register = Register(address=0, type=kind, order=order, scale=scale, offset=data.draw(st.sampled_from([0.0, -40.0])))
    value = float(raw * Decimal(repr(register.scale)) + Decimal(repr(register.offset)))
    assert naive_decode(words_of(register, value), kind, order) == raw
    assert as_read(register, np.array([value]))[0] == value


@given(
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.sampled_from(ORDERS),
    st.sampled_from(["float32", "float64"]),
)
def test_a_float_comes_back_through_its_words(value, order, kind):
    register = Register(address=0, type=kind, order=order)
    assert naive_decode(words_of(register, value), kind, order) == value
    found = as_read(register, np.array([value]))[0]
    if kind == "float32" and abs(value) < 1e38:  # the short decimal that this float32, and no other, is nearest to
        assert np.float32(found) == value
    else:
        assert found == value


@given(st.floats(-2000, 2000))
def test_an_integer_register_is_never_off_by_more_than_half_a_count_inside_its_range(value):
    register = Register(address=0, type="int16", scale=0.1)
    assert as_read(register, np.array([value]))[0] == pytest.approx(value, abs=0.05 + 1e-9)


def test_values_beyond_the_type_stay_at_its_end():
    register = Register(address=0, type="uint16", scale=0.01)
    assert raw_of(register, np.array([-3.0, 700.0])).tolist() == [0.0, 65535.0]


def test_a_missing_value_is_the_sentinel_and_a_real_one_never_is():
    register = Register(address=0, type="uint16", scale=0.01, sentinels=(65535,))
    assert words_of(register, np.nan) == (65535,)
    assert words_of(register, 655.35) == (65534,)
    assert np.isnan(as_read(register, np.array([np.nan]))[0])


def test_a_missing_value_is_nan_in_a_float_register():
    words = words_of(Register(address=0, type="float32"), np.nan)
    assert np.isnan(naive_decode(words, "float32", "abcd"))


def test_a_register_that_cannot_say_missing_says_so():
    with pytest.raises(ValueError, match="int16 at 12 has no sentinel"):
        words_of(Register(address=12, type="int16"), np.nan)


def test_a_counter_starts_again_where_it_wraps():
    register = Register(address=0, type="uint32", scale=0.1, wraps_at=1e6)
    assert as_read(register, np.array([999_999.9, 1_000_000.0, 1_000_012.3])) == pytest.approx([999_999.9, 0.0, 12.3])


def test_flags_share_a_word_and_an_inverted_one_is_set_when_it_is_off():
    signals = {
        "fault": Register(address=7, bit=0),
        "air_check_active": Register(address=7, bit=3),
        "warming_up": Register(address=7, bit=15, invert=True),
    }
    image = image_of(RegisterMap(signals=signals), {"air_check_active": 1.0, "warming_up": 0.0, "fault": 0.0})
    assert image == {"holding": {7: 0b1000_0000_0000_1000}}


def test_a_probe_further_on_shares_the_image_at_shifted_addresses():
    register_map = RegisterMap(signals={"cell_temp": Register(address=3)})
    image = image_of(register_map, {"cell_temp": 701.0})
    image_of(register_map, {"cell_temp": 699.0}, shift=100, into=image)
    assert image == {"holding": {3: 701, 103: 699}}


@pytest.mark.parametrize(
    ("on", "code"),
    [((), 0), (("blowback_active",), 2), (("air_check_active", "output_held"), 3), (("air_check_active",), 3)],
)
def test_a_status_word_is_the_code_whose_flags_are_on_or_the_closest(on, code):
    word = StatusWord(address=0, values={0: (), 2: ("blowback_active",), 3: ("air_check_active", "output_held")})
    assert status_code(word, dict.fromkeys(on, 1.0)) == code


@pytest.mark.parametrize("share", [0.0, 0.37, 1.0])
@pytest.mark.parametrize("map_id", ["float_bits", "scaled_words", "relay_small", "boiler"])
def test_every_signal_of_every_map_of_the_plant_is_read_back_as_history_has_it(map_id, share):
    register_map = plant_settings().maps[map_id]
    span = {"o2": (0.5, 21), "cell_temp": (20, 760), "head_temp": (-20, 90), "heater_on_time": (0, 3e6)}
    values = {}
    for name in signals_of(register_map):
        flag = name.endswith("_active") or name in ("warming_up", "fault", "heater_on", "firing", "output_held")
        low, high = (0, 1) if flag else span.get(name, (0, 250))
        values[name] = float(round(share)) if flag else low + share * (high - low)
    image = image_of(register_map, values)
    for name, register in register_map.signals.items():
        table = image[register.table]
        if register.table == "discrete" or register.bit is not None:
            found = table[register.address] >> (register.bit or 0) & 1
            found = 1 - found if register.invert else found
        else:
            words = [table[register.address + k] for k in range(struct.calcsize(CODES[register.type]) // 2)]
            raw = naive_decode(words, register.type, register.order)
            found = (
                float(str(np.float32(raw)))
                if register.type == "float32"
                else float(raw * Decimal(repr(register.scale)))
            )
        assert found == as_read(register, np.array([values[name]]))[0], name
