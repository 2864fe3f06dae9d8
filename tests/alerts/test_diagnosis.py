"""Suspects: what speaks for which part, and that the reasons carry numbers."""

import pytest

from agent.alerts.diagnosis import Around, facts_of, suspects
from agent.alerts.evidence import EvidenceError, parse_rules, shipped_rules
from agent.alerts.symptoms import SYMPTOMS
from agent.reconstruct.now import ProbeNow, Value
from detectors.finding import Finding

T0 = 1_790_000_000.0


def judge(settings, symptom, *, around=None, signals=None, **finding):
    found = Finding(symptom=symptom, at_s=T0, active=True, **finding)
    values = {name: Value(value, "") for name, value in (signals or {}).items()}
    now = ProbeNow(probe="b2-east", at_s=T0, signals=values)
    return suspects(symptom, facts_of(settings, "b2-east", found, now, around or Around()))


def first(rows):
    return rows[0]["part"], rows[0]["confidence"]


def words(rows):
    return " | ".join(reason for row in rows for reason in row["because"])


def test_demand_up_with_v_over_i_up_is_an_aged_winding(settings):
    rows = judge(
        settings,
        "heater_duty_creep",
        value=0.46,
        baseline=0.40,
        facts={"shape": "creep", "resistance_ratio": 1.12, "has_voltage": True},
    )
    assert first(rows) == ("heater", "likely")
    assert "V/I is +12 %" in words(rows)
    assert "demand is 15 % above" in words(rows)


@pytest.mark.parametrize(
    ("facts", "around", "confidence"),
    [
        ({}, Around(), "possible"),
        ({"has_voltage": True}, Around(), "possible"),
        ({"watts_ratio": 1.01}, Around(), "likely"),
        ({"resistance_ratio": 1.12}, Around(), "likely"),
        ({}, Around(quiet=frozenset({"cell_slope_drift"})), "likely"),
    ],
)
def test_a_heater_that_creeps_is_likely_only_with_watts_v_over_i_or_slope_to_say_so(
    settings, facts, around, confidence
):
    facts = {"shape": "creep", "has_voltage": False, **facts}
    rows = judge(settings, "heater_duty_creep", value=0.46, baseline=0.40, facts=facts, around=around)
    assert first(rows) == ("heater", confidence)


def test_too_little_reserve_alone_names_the_heater_as_possible(settings):
    facts = {"guard": True, "demand_limit": 0.81, "has_voltage": False}
    assert first(judge(settings, "heater_duty_creep", value=0.84, facts=facts)) == ("heater", "possible")


def test_demand_and_slope_up_together_is_a_thermocouple_reading_low(settings):
    rows = judge(
        settings,
        "heater_duty_creep",
        value=0.46,
        baseline=0.40,
        facts={"shape": "creep", "watts_ratio": 1.14, "resistance_ratio": 1.0, "has_voltage": True},
        around=Around(active=frozenset({"cell_slope_drift"})),
    )
    assert first(rows)[0] == "thermocouple"
    assert all(row["part"] != "heater" for row in rows)


def test_more_watts_with_a_sound_winding_is_heat_loss(settings):
    rows = judge(
        settings,
        "heater_duty_creep",
        value=0.46,
        baseline=0.40,
        facts={"shape": "step", "watts_ratio": 1.14, "resistance_ratio": 1.0, "has_voltage": True},
    )
    assert first(rows)[0] == "process"


def test_neighbours_on_one_supply_point_at_the_supply(settings):
    rows = judge(
        settings,
        "heater_open",
        facts={"duty_frac": 1.0, "fall_k_per_s": 0.1},
        around=Around(same_supply=1),
    )
    assert first(rows) == ("supply", "likely")
    assert "1 other on the same supply" in words(rows)


def test_no_volts_is_the_supply_and_volts_there_is_the_heater(settings):
    facts = {"duty_frac": 1.0, "fall_k_per_s": 0.1}
    assert first(judge(settings, "heater_open", facts=facts, signals={"supply_voltage": 3.0})) == ("supply", "likely")
    rows = judge(settings, "heater_open", facts=facts, signals={"supply_voltage": 229.0})
    assert first(rows) == ("heater", "likely")
    assert "supply reads 229 V" in words(rows)
    assert "falls 6.0 K a minute" in words(rows)


def test_what_would_have_helped_is_said(settings):
    rows = judge(settings, "heater_open", facts={"duty_frac": 1.0, "fall_k_per_s": 0.1})
    assert "supply voltage is not known" in rows[0]["because"][-1]


def test_slow_return_with_quick_test_gas_is_the_filter_and_with_slow_test_gas_the_cell(settings):
    evidence = {"value": 41.2, "baseline": 13.8, "unit": "s"}
    quick = judge(settings, "slow_recovery", around=Around(quiet=frozenset({"cell_slow_response"})), **evidence)
    assert first(quick) == ("filter", "likely")
    assert "takes 41 s where 14 is usual, 3.0 times" in words(quick)
    slow = judge(settings, "slow_recovery", around=Around(active=frozenset({"cell_slow_response"})), **evidence)
    assert first(slow)[0] == "cell"


def test_a_negative_offset_with_slow_return_may_be_pressure_and_says_how_much(settings):
    """-0.207 mV a kPa at 700 degC and 101.325 kPa, so -2.07 mV is about 10.5 kPa (101.325 (exp(2.07/20.965) - 1))."""
    rows = judge(
        settings,
        "cell_offset_drift",
        facts={"raw_offset_mv": -2.07, "rule": "pair"},
        around=Around(active=frozenset({"slow_recovery"})),
    )
    assert first(rows)[0] == "filter"
    assert "10.5 kPa" in words(rows)


def test_a_positive_offset_acquits_the_reference(settings):
    rows = judge(settings, "cell_offset_drift", facts={"raw_offset_mv": 5.5, "trend_mv_per_30_days": 1.2})
    assert first(rows) == ("cell", "likely")
    assert all(row["part"] != "reference_air" for row in rows)


def test_one_silent_probe_is_its_transmitter_and_a_silent_line_the_line(settings):
    alone = judge(settings, "no_communication", around=Around(line="boiler", line_probes=2, line_silent=False))
    assert first(alone) == ("transmitter", "likely")
    line = judge(settings, "no_communication", around=Around(line="boiler", line_probes=2, line_silent=True))
    assert first(line) == ("line", "likely")


@pytest.mark.parametrize("name", SYMPTOMS)
def test_there_is_always_a_suspect_with_a_reason(settings, name):
    rows = judge(settings, name)
    assert 1 <= len(rows) <= 4
    assert all(row["because"] for row in rows)


def test_every_rule_that_ships_can_be_read_and_quotes_in_a_form_that_works():
    for rule in shipped_rules():
        facts = dict.fromkeys(rule.quotes(), 1.5)
        assert rule.because.format(**facts) == "" or rule.part is not None


def test_a_rule_whose_numbers_are_not_known_says_nothing():
    (rule,) = parse_rules(
        '[[rule]]\nsymptom = "heater_open"\npart = "heater"\nweight = 1\nwhen = []\nbecause = "{volts:.0f} V"\n'
    )
    assert not rule.applies({})
    assert rule.applies({"volts": 3.0})


RULE = '[[rule]]\nsymptom = "heater_open"\npart = "heater"\nweight = 1\nbecause = "x"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[rule", "not TOML"),
        (RULE.replace("heater_open", "flame_off"), "rule 1: symptom must be one of"),
        (RULE.replace('"heater"', '"pump"'), "rule 1: part must be one of heater, supply"),
        (RULE.replace("weight = 1", 'weight = "much"'), "rule 1: weight must be a number, got 'much'"),
        (RULE.replace('because = "x"', ""), "rule 1: because is missing"),
        (RULE + 'when = ["volts about 3"]', "rule 1: cannot read 'volts about 3'"),
        (RULE + 'when = ["volts > high"]', "rule 1: cannot read"),
        (RULE + 'wen = ["volts known"]', "rule 1: unknown key wen"),
    ],
)
def test_a_table_that_cannot_work_is_refused_with_the_rule_and_what_would_be_right(text, message):
    with pytest.raises(EvidenceError, match=message):
        parse_rules(text)
