import pytest

from agent.alerts.checks.texts import CHECKS
from agent.alerts.diagnosis import EXPLAINS, WORSENS_INTO
from agent.alerts.engine import CAUSE_ORDER
from agent.alerts.evidence import PARTS
from agent.alerts.symptoms import (
    FAST_OFF_DELAY_S,
    SLOW_OFF_DELAY_S,
    SYMPTOMS,
    Audience,
    Priority,
    Speed,
    StatusSignal,
    symptom,
    worst_signal,
)

# The contract's list of symptoms.
ALL = """heater_duty_creep heater_exhausted heater_open heater_uncontrolled warm_up_failed temperature_hunting
cell_offset_drift cell_slope_drift cell_slow_response slow_recovery filter_back_pressure thermocouple_mismatch
thermocouple_open thermocouple_shorted cold_junction_implausible reading_frozen reading_noisy reads_air_while_firing
fuel_rich_reading probe_disagreement constants_inconsistent calibration_suspect transmitter_fault check_without_effect
no_communication check_overdue calibration_due"""


def test_the_table_holds_every_symptom_of_the_contract_and_no_other():
    assert sorted(SYMPTOMS) == sorted(ALL.split())


def test_only_two_symptoms_may_be_alarms():
    assert {s.name for s in SYMPTOMS.values() if s.may_be_alarm} == {"heater_uncontrolled", "reads_air_while_firing"}


def test_an_uncontrolled_heater_is_never_hidden():
    assert not SYMPTOMS["heater_uncontrolled"].suppressible
    assert all("heater_uncontrolled" not in found for found in EXPLAINS.values())


def test_delays_to_normal_are_an_hour_or_seven_days():
    assert (FAST_OFF_DELAY_S, SLOW_OFF_DELAY_S) == (3600.0, 604800.0)
    assert symptom("heater_open").off_delay_s == FAST_OFF_DELAY_S
    assert symptom("slow_recovery").off_delay_s == SLOW_OFF_DELAY_S


def test_what_names_a_check_or_a_part_names_one_that_there_is():
    for row in SYMPTOMS.values():
        assert {row.first_check, *row.then_checks} <= CHECKS.keys()
        assert set(row.suspects) <= set(PARTS)


def test_high_priority_is_rare():
    """EEMUA 191 and ISA-18.2: about 5 % high. Ours are so few symptoms that a handful is the bound."""
    assert sum(s.priority is Priority.HIGH for s in SYMPTOMS.values()) <= 4


def test_slow_symptoms_never_go_to_the_operator_by_themselves():
    assert all(s.audience is not Audience.OPERATOR for s in SYMPTOMS.values() if s.speed is Speed.SLOW)


def test_the_worst_status_signal_is_in_the_order_f_c_s_m():
    """NAMUR NE 107."""
    f, c, s, m = StatusSignal
    assert [x.value[0] for x in (f, c, s, m)] == ["f", "f", "o", "m"]
    assert worst_signal([m, s, c, f]) is f
    assert worst_signal([m, s, c]) is c
    assert worst_signal([m, s]) is s
    assert worst_signal([]) is None


def test_causes_come_before_what_they_explain():
    for cause, found in EXPLAINS.items():
        assert all(CAUSE_ORDER[cause] < CAUSE_ORDER[name] for name in found)


def test_what_worsens_into_a_symptom_is_explained_by_it():
    for old, new in WORSENS_INTO.items():
        assert all(old in EXPLAINS[name] for name in new)


def test_an_unknown_symptom_is_named_with_what_there_is():
    with pytest.raises(ValueError, match="no symptom 'flame_off'; known are heater_duty_creep"):
        symptom("flame_off")


def test_priority_ends_at_high():
    assert Priority.LOW.raised() is Priority.MEDIUM
    assert Priority.HIGH.raised(2) is Priority.HIGH
