"""No number that a detector or a transmitter could give makes the book fail, or leaves it as nonsense."""

import json
from dataclasses import fields
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from agent.alerts.book import AlertBook
from agent.alerts.condition import condition_payload
from agent.alerts.diagnosis import Around, facts_of
from agent.alerts.evidence import shipped_rules
from agent.alerts.message_schemas import load_schema
from agent.reconstruct.now import ProbeNow, Trust, Value
from agent.signals import SIGNALS
from detectors.finding import Finding

T0 = 1_790_000_000.0
ALERT, CHECK = (Draft202012Validator(load_schema(name)) for name in ("alert", "check"))
JUDGED = ["heater_duty_creep", "heater_open", "cell_offset_drift", "slow_recovery", "no_communication", "reading_noisy"]
NUMBERS = [field.name for field in fields(Finding) if field.type == float | None]
FACTS = sorted({test.name for rule in shipped_rules() for test in rule.when} | {"fall_k_per_s", "duty_frac"})
WORDS = {"shape", "rule"}
wild = (
    st.sampled_from([1e308, -1e308, 1e13, -1e13, 1e-308, 5e-324, 0.0, -0.0, nan, inf, -inf, -5000.0, 0.5]) | st.floats()
)
tables = st.dictionaries(st.sampled_from([name for name in FACTS if name not in WORDS]), wild | st.booleans())


def take(settings, finding, now):
    book = AlertBook(settings)
    book.take(now.probe, [finding], now)
    book.tick(T0 + 3600, {})
    for row in book.to_rows().values():
        json.dumps(row, allow_nan=False)
    for message in book.retained():
        json.dumps(message.payload, allow_nan=False)
        (CHECK if "/check/" in message.topic else ALERT).validate(message.payload)
    return book


@hypothesis_settings(max_examples=150, deadline=None)
@given(
    symptom=st.sampled_from(JUDGED),
    numbers=st.dictionaries(st.sampled_from(NUMBERS), wild),
    facts=tables,
    signals=st.dictionaries(st.sampled_from([*SIGNALS, "heater_resistance", "tau"]), wild),
    error=wild,
    trust=st.sampled_from(list(Trust)),
)
def test_no_wild_number_breaks_alert_headline_or_check(shared_settings, symptom, numbers, facts, signals, error, trust):
    finding = Finding(symptom=symptom, at_s=T0, active=True, facts=facts, **numbers)
    values = {name: Value(value, "") for name, value in signals.items()}
    now = ProbeNow(probe="b2-east", at_s=T0, trust=trust, error_estimate=error, error_direction="high", signals=values)
    (payload,) = take(shared_settings, finding, now).active()
    assert all(len(reason) < 300 for one in payload["suspects"] for reason in one["because"])
    json.dumps(condition_payload(shared_settings, now, {}, [payload]), allow_nan=False)


@pytest.mark.parametrize("raw", [-1e308, -1e5, -2000.0, -inf, nan])
def test_an_offset_that_no_pressure_makes_is_not_told_as_pressure(settings, raw):
    finding = Finding(symptom="cell_offset_drift", at_s=T0, active=True, value=raw, facts={"raw_offset_mv": raw})
    now = ProbeNow(probe="b2-east", at_s=T0)
    assert "pressure_kpa" not in facts_of(settings, "b2-east", finding, now, Around())
    take(settings, finding, now)


@pytest.mark.parametrize("cell_c", [nan, inf, -400.0, 1e308])
def test_a_cell_temperature_that_cannot_be_breaks_no_diagnosis(settings, cell_c):
    facts = {"raw_offset_mv": -3.0}
    finding = Finding(symptom="cell_offset_drift", at_s=T0, active=True, value=-3.0, facts=facts)
    take(settings, finding, ProbeNow(probe="b2-east", at_s=T0, signals={"cell_temp": Value(cell_c, "degC")}))


def test_a_date_beyond_all_calendars_is_no_date(settings):
    finding = Finding(
        symptom="slow_recovery", at_s=T0, active=True, reaches_limit_earliest_s=T0, reaches_limit_latest_s=9e11
    )
    (payload,) = take(settings, finding, ProbeNow(probe="b2-east", at_s=T0)).active()
    assert payload["evidence"]["reaches_limit_earliest"] is not None
    assert payload["evidence"]["reaches_limit_latest"] is None
