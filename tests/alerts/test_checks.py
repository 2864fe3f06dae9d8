import json
from math import isfinite

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from agent.alerts.checks.build import build_check
from agent.alerts.checks.text import CAUTIONS, PlantState
from agent.alerts.checks.texts import CHECKS, check_text
from agent.alerts.message_schemas import load_schema
from agent.alerts.symptoms import SYMPTOMS
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow, Value
from agent.signals import SIGNALS
from detectors.finding import Finding

NOW_S = 1_790_000_000.0
CHECK_SCHEMA = Draft202012Validator(load_schema("check"))

# Which letters each check must carry, from the content agreed for the hands-on checks; H goes with every one.
LETTERS = {
    "look_first": "F",
    "heater_cold": "ABFG",
    "heater_live": "ACDF",
    "thermocouple_cold": "ABFG",
    "thermocouple_millivolts": "ACDF",
    "cold_junction": "ABFG",
    "cell_isolation": "ABFG",
    "cell_on_test_gas": "ACDEF",
    "cell_on_air": "ACDEF",
    "two_flow_air": "ADEF",
    "return_time": "ADEF",
    "reference_air": "AEF",
    "air_ingress": "ADF",
    "second_opinion": "ADF",
    "transmitter_inputs": "ABCDG",
    "line_and_cable": "AC",
}


def now(probe="b2-east", **signals):
    return ProbeNow(probe=probe, at_s=NOW_S, signals={name: Value(value, "") for name, value in signals.items()})


def test_there_are_sixteen_checks_with_their_cautions():
    assert {name: text.cautions for name, text in CHECKS.items()} == LETTERS


@pytest.mark.parametrize("check_id", LETTERS)
@pytest.mark.parametrize("probe", ["b2-east", "kiln"])
def test_every_check_makes_a_valid_payload_with_full_cautions_before_its_steps(settings, probe, check_id):
    payload = build_check(settings, probe, "slow_recovery", now(probe), check_id=check_id)
    CHECK_SCHEMA.validate(payload)
    shown = {caution["letter"]: caution["text"] for caution in payload["cautions"]}
    assert shown.keys() == {*LETTERS[check_id], "H"}
    assert all(shown[letter] == CAUTIONS[letter][1] for letter in shown)
    keys = list(payload)
    assert keys.index("advice") < keys.index("cautions") < keys.index("steps") < keys.index("expect")
    assert "never a protective function" in payload["advice"]


@pytest.mark.parametrize("name", SYMPTOMS)
def test_every_symptom_has_a_first_check(settings, name):
    payload = build_check(settings, "kiln", name, now("kiln"))
    assert payload["check_id"] == SYMPTOMS[name].first_check
    assert payload["check_id"] not in [one["check_id"] for one in payload["next"]]


def test_a_cold_check_says_what_isolated_means_and_a_hot_one_what_is_exposed():
    assert "proved dead" in PlantState.COLD_AND_ISOLATED.meaning
    assert "Mains is exposed" in PlantState.HOT_AND_LIVE.meaning
    assert "NEVER an insulation tester" in check_text("cell_isolation").caution_note


def test_the_heater_is_off_and_the_transmitter_on_when_substitutes_are_put_in():
    text = check_text("transmitter_inputs")
    assert text.state is PlantState.HEATER_ISOLATED
    assert text.state.value == "HEATER ISOLATED FIRST"
    assert "heater supply locked off and proved dead" in text.state.meaning
    assert "transmitter stays powered" in text.state.meaning
    assert "every supply" not in text.state.meaning
    assert text.steps[-1].startswith("Remove every substitute")


def with_conventions(settings, **said):
    tables = settings.model_dump(exclude_unset=True)
    tables["maps"]["plain"]["conventions"] = said
    return Settings.model_validate(tables)


@pytest.mark.parametrize(("said", "value"), [({}, None), ({"o2_damping_s": 0.0}, 0.0), ({"o2_damping_s": 5.0}, 5.0)])
def test_a_damping_time_that_nobody_configured_is_not_expected(settings, said, value):
    site = with_conventions(settings, **said)
    sheet = build_check(site, "b2-east", "slow_recovery", now(), check_id="look_first")
    row = next(row for row in sheet["expect"] if row["quantity"] == "damping time of the display")
    assert (row["value"], row["low"], row["high"]) == (value, value, value)
    timed = build_check(site, "b2-east", "slow_recovery", now(), check_id="return_time")["expect"][-1]
    assert ("damping of the display (not configured)" in timed["at"]) is (value is None)


def test_an_uncontrolled_heater_is_isolated_before_anything_is_measured(settings):
    payload = build_check(settings, "kiln", "heater_uncontrolled", now("kiln"))
    assert payload["steps"][0].startswith("ISOLATE THE HEATER")


def test_values_are_for_the_probe_now_and_say_so(settings):
    payload = build_check(settings, "b2-east", "slow_recovery", now(cell_temp=712.0), check_id="cell_on_test_gas")
    assert "cell 712 degC (now)" in payload["expect"][0]["at"]


def test_a_condition_that_is_not_known_is_stated_and_says_so(settings):
    payload = build_check(settings, "kiln", "slow_recovery", now("kiln"), check_id="cell_on_test_gas")
    at = payload["expect"][0]["at"]
    assert "700 degC (stated: not known now)" in at
    assert "no bottle in the configuration" in at


def test_a_cooling_cell_does_not_shift_the_values_of_a_hot_check(settings):
    payload = build_check(settings, "b2-east", "heater_open", now(cell_temp=180.0), check_id="cell_on_test_gas")
    assert payload["expect"][0]["value"] == 63.78
    assert "shows 180 degC now" in payload["expect"][0]["at"]


def test_an_unknown_rating_gives_no_resistance_but_says_how_to_get_one(settings):
    row = build_check(settings, "kiln", "heater_open", now("kiln"))["expect"][0]
    assert row["value"] is None
    assert "V^2/P from its plate" in row["at"]


def test_the_learnt_return_time_is_what_the_check_expects(settings):
    finding = Finding(symptom="slow_recovery", at_s=NOW_S, active=True, value=41.2, unit="s", baseline=13.8)
    payload = build_check(settings, "b2-east", "slow_recovery", now(), check_id="return_time", finding=finding)
    row = payload["expect"][-1]
    assert (row["value"], row["high"]) == (13.8, 27.6)


@pytest.mark.parametrize(
    ("kwargs", "message"),
    [
        ({"probe": "b9"}, "no probe 'b9'; known are b2-east, b2-west, kiln"),
        ({"symptom": "x"}, "no symptom 'x'"),
        ({"check_id": "x"}, "no check 'x'; known are air_ingress"),
    ],
)
def test_what_there_is_not_is_named_with_what_there_is(settings, kwargs, message):
    given_ = {"probe": "kiln", "symptom": "heater_open", "check_id": None, **kwargs}
    with pytest.raises(ValueError, match=message):
        build_check(settings, given_["probe"], given_["symptom"], now("kiln"), check_id=given_["check_id"])


RECONSTRUCTED = ["heater_resistance", "heater_duty", "heater_watts", "raw_offset", "tau"]


@pytest.mark.parametrize("check_id", LETTERS)
@pytest.mark.parametrize("absurd", [-5000.0, -1.0, 0.0, 1e-9, 20.95, 55.0, 1201.0, 1e9])
def test_a_probe_that_shows_nothing_but_nonsense_still_gets_its_check(settings, check_id, absurd):
    signals = dict.fromkeys([*SIGNALS, *RECONSTRUCTED], absurd)
    assert_sound(build_check(settings, "b2-west", "heater_open", now("b2-west", **signals), check_id=check_id))


@hypothesis_settings(max_examples=60, deadline=None)
@given(
    signals=st.dictionaries(st.sampled_from([*SIGNALS, *RECONSTRUCTED]), st.floats(-2000.0, 5000.0), min_size=4),
    check_id=st.sampled_from(list(LETTERS)),
)
def test_no_mixture_of_readings_breaks_a_check(shared_settings, signals, check_id):
    assert_sound(build_check(shared_settings, "b2-east", "heater_open", now(**signals), check_id=check_id))


def assert_sound(payload):
    CHECK_SCHEMA.validate(payload)
    json.dumps(payload, allow_nan=False)
    for row in payload["expect"]:
        assert all(row[key] is None or isfinite(row[key]) for key in ("value", "low", "high"))
