"""A transmitter that speaks by one map, read by another."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.acquire.decode import CompiledMap
from agent.acquire.once import Look, SignalLook
from agent.commands.conventions import judge_numbers
from agent.commands.nernst_fit import judge_nernst, judge_thermocouple
from agent.commands.table import look_json, look_lines
from agent.config.model import RegisterMap
from agent.signals import Reason, Sample
from agent.simulate.encode import image_of
from detectors.probe.nernst import cell_emf_mv

TRUE = {
    "o2": {"address": 0, "type": "float32"},
    "cell_emf": {"address": 2, "type": "float32"},
    "cell_temp": {"address": 4, "type": "float32"},
    "stored_offset": {"address": 6, "type": "float32"},
    "heater_output": {"address": 8, "type": "uint16", "scale": 0.1},
    "head_temp": {"address": 9, "type": "int16", "scale": 0.1},
    "thermocouple_emf": {"address": 10, "type": "float32"},
}
# 3 % at 700 degC: 40.746 mV by hand (20.965 ln(20.95/3)), and a stored offset of 4 mV that the display takes out.
# Type K at 700 and 25 degC: 29.129 - 1.000 = 28.129 mV (IEC 60584-1).
VALUES = {
    "o2": 3.0,
    "cell_emf": float(cell_emf_mv(0.03, 700.0)) + 4.0,
    "cell_temp": 700.0,
    "stored_offset": 4.0,
    "heater_output": 43.2,
    "head_temp": 25.0,
    "thermocouple_emf": 28.129,
}


def a_map(changes=None, **conventions):
    signals = {name: {**register, **(changes or {}).get(name, {})} for name, register in TRUE.items()}
    return RegisterMap.model_validate({"signals": signals, "conventions": conventions})


def look_of(spoken, read, values):
    """What the `read` map makes of registers that the `spoken` one filled."""
    return look_at(read, image_of(spoken, values))


def look_at(read, image):
    compiled = CompiledMap(read)
    results = {
        block: tuple(image[block.table][at] for at in range(block.address, block.end)) for block in compiled.plan
    }
    found, reasons = {}, {}
    for block, words in results.items():
        for decode in compiled.compile_block(block)[0]:
            decode(words, found, reasons)
    raw = compiled.raw_words(results)
    signals = {name: SignalLook(name, raw[name], found.get(name), reasons.get(name)) for name in compiled.names}
    return Look(Sample("p", 0.0, found, reasons), signals)


def verdicts(read, *, spoken=None, values=None, feeds=None):
    look = look_of(a_map() if spoken is None else spoken, read, {**VALUES, **(values or {})})
    judged = judge_numbers(look, read, feeds or {})
    return [
        *judged.verdicts, *judge_nernst(read, judged.values), *judge_thermocouple(read, judged.values),
    ]  # fmt: skip


def misfits(read, **kwargs):
    return {one.about: one.text for one in verdicts(read, **kwargs) if one.fit == "does_not_fit"}


def test_the_right_map_fits_in_all_it_says():
    assert {one.fit for one in verdicts(a_map())} == {"fits"}


def test_the_sign_of_a_stored_offset_shows_once_it_is_some_millivolts():
    text = misfits(a_map(stored_offset_sign="correction"))["o2, cell_emf, cell_temp"]
    assert 'stored_offset_sign = "cell"' in text


@pytest.mark.parametrize("order", ["cdab", "badc", "dcba"])
def test_each_order_of_words_and_bytes_is_found_from_the_registers(order):
    swapped = {name: {"order": order} for name, register in TRUE.items() if register["type"] == "float32"}
    found = misfits(a_map(), spoken=a_map(swapped))
    assert f'order = "{order}" would be' in " ".join(found.values())
    assert "o2, cell_emf, cell_temp" not in found  # judged in the better order


@pytest.mark.parametrize(
    ("name", "shown", "setting"),
    [
        ("cell_temp", 1292.0, "scale = 0.555556, offset = -17.7778 (in degF)"),  # 700 x 1.8 + 32
        ("cell_temp", 973.15, "scale = 1, offset = -273.15 (in kelvin)"),
        ("o2", 0.03, "o2 scale = 100 (a fraction, not %)"),
        ("cell_emf", 0.0447457, "cell_emf scale = 1000 (in V, not mV)"),
        ("cell_emf", -44.7457, "cell_emf scale = -1 (its sign turned)"),
        ("thermocouple_emf", 0.028129, "thermocouple_emf scale = 1000"),
        ("thermocouple_emf", 29.129, "compensated to 0 degC"),
        ("thermocouple_emf", 23.868, 'thermocouple = "N"'),  # IEC 60584-1, type N: 24.527 - 0.659
    ],
)
def test_another_unit_is_named_with_the_keys_that_would_make_it_right(name, shown, setting):
    assert setting in " ".join(misfits(a_map(), values={name: shown}).values())


def test_an_output_of_0_to_1_cannot_keep_a_cell_hot():
    text = misfits(a_map({"heater_output": {"scale": 0.001}}))["heater_output"]
    assert "scale = 0.1" in text


def test_a_cold_cell_tells_nothing_and_is_no_fault_of_the_map():
    found = verdicts(a_map(), values={"cell_temp": 40.0, "thermocouple_emf": 0.61, "heater_output": 0.0})
    assert {one.about: one.fit for one in found}["o2, cell_emf, cell_temp"] == "cannot_tell"


def test_air_at_the_cell_is_no_time_to_tell_signs_and_units():
    air = {"o2": 20.9, "cell_emf": float(cell_emf_mv(0.209, 700.0)) + 4.0}
    by_about = {one.about: one for one in verdicts(a_map(), values=air)}
    assert by_about["o2, cell_emf, cell_temp"].fit == "cannot_tell"
    assert "near air" in by_about["o2, cell_emf, cell_temp"].text


@pytest.mark.parametrize(("type_", "raw", "sentinel"), [("int16", 0x7FFF, "32767"), ("int16", -999, "-999")])
def test_what_looks_like_no_value_is_proposed_as_a_sentinel(type_, raw, sentinel):
    read = a_map({"head_temp": {"scale": 1.0, "type": type_}})
    text = misfits(read, spoken=read, values={"head_temp": raw})["head_temp"]
    assert f"sentinels = [{sentinel}]" in text


def test_a_mapped_sentinel_is_no_misfit():
    read = a_map({"head_temp": {"sentinels": [0x7FFF]}})
    found = {one.about: one for one in verdicts(read, spoken=read, values={"head_temp": float("nan")})}
    assert found["head_temp"].fit == "cannot_tell"


def test_a_display_at_its_end_is_told_and_not_held_against_the_map():
    read = a_map(o2_clamp=[0.0, 25.0])
    found = {one.about: one for one in verdicts(read, spoken=read, values={"o2": 25.0})}
    assert found["o2"].fit == "cannot_tell"
    assert "end of the display's range" in found["o2"].text


def test_a_display_in_dry_gas_is_recognised_by_a_likely_share_of_water():
    dry = {"o2": 3.0 / (1 - 0.167)}  # methane at 3 % dry has 16.7 % water
    assert 'o2_basis = "dry", with 17 % water' in " ".join(misfits(a_map(), values=dry).values())
    assert not misfits(a_map(o2_basis="dry"), values=dry)


def test_a_disagreement_that_no_convention_explains_is_told_as_such():
    text = misfits(a_map(), values={"cell_emf": 60.0})["o2, cell_emf, cell_temp"]
    assert "no sign, unit, scale or offset convention tried explains it" in text


def test_a_status_code_that_the_map_does_not_list_is_named():
    state = {"address": 20, "values": {0: [], 2: ["blowback_active"]}}
    listed = RegisterMap.model_validate({"signals": {"o2": {"address": 0}}, "status_words": {"state": state}})
    look = look_of(listed, listed, {"o2": 3.0})
    raw = {**look.signals}
    flag = raw["blowback_active"]
    raw["blowback_active"] = SignalLook(flag.name, (7,), None, Reason.UNKNOWN_CODE)
    found = judge_numbers(Look(look.sample, raw), listed, {}).verdicts
    assert any("reads 7, and the map lists only 0 and 2" in one.text for one in found)


def test_a_wrong_guess_is_never_taken_over():
    """Suggestions only: what is judged further is what was read, save where the words made no number at all."""
    read = a_map({"cell_emf": {"scale": -1.0}})
    look = look_of(a_map(), read, VALUES)
    assert judge_numbers(look, read, {}).values["cell_emf"] == pytest.approx(-VALUES["cell_emf"])


WORD = st.integers(0, 0xFFFF)


@given(words=st.lists(WORD, min_size=12, max_size=12), turn=st.sampled_from(["abcd", "cdab", "badc", "dcba"]))
@settings(max_examples=150, deadline=None)
def test_whatever_is_in_the_registers_ends_in_verdicts(words, turn):
    orders = {name: {"order": turn} for name, register in TRUE.items() if register["type"] == "float32"}
    read = a_map(orders, o2_clamp=[0.0, 25.0])
    look = look_at(read, {"holding": dict(enumerate(words))})
    judged = judge_numbers(look, read, {"firing": 1.0})
    found = judged.verdicts + judge_nernst(read, judged.values, judged.odd) + judge_thermocouple(read, judged.values)
    assert found
    assert all(one.text.isascii() and "nan" not in one.text.lower().replace("(nan or infinity", "") for one in found)
    assert look_lines(look, read)
    json.dumps(look_json(look, read), allow_nan=False)
