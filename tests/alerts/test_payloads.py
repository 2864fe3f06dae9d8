"""Every message against the schema that ships, condition and status, and the text for people."""

import json

import pytest
from jsonschema import Draft202012Validator, ValidationError

from agent.alerts.book import AlertBook
from agent.alerts.condition import condition_payload, sample_payload, status_signal
from agent.alerts.message_schemas import SCHEMA_NAMES, load_schema
from agent.alerts.payload import stamp
from agent.alerts.plain import expected, render
from agent.alerts.seen import rounded_to
from agent.alerts.status import status_payload
from agent.alerts.symptoms import SYMPTOMS, StatusSignal
from agent.alerts.words import HEADLINE_LIMIT
from agent.reconstruct.now import Mode, ProbeNow, Trust, Value
from detectors.finding import Finding, Report, Watch

T0 = 1_790_000_000.0
PROBE = "b2-east"


def check(name, payload):
    Draft202012Validator(load_schema(name)).validate(payload)
    json.dumps(payload, allow_nan=False)


def now(**rest):
    return ProbeNow(probe=PROBE, at_s=T0, sample_at_s=T0 - 2, **rest)


def raised(settings, symptom="slow_recovery", known=None, **finding):
    book = AlertBook(settings)
    known = now(trust=Trust.GOOD) if known is None else known
    book.take(PROBE, [Finding(symptom=symptom, at_s=T0, active=True, **finding)], known)
    book.tick(T0 + 60, {})
    (payload,) = book.active()
    return payload, {m.topic.split("/")[-2]: m.payload for m in book.retained()}["check"]


SLOW = {"value": 41.2, "unit": "s", "uncertainty": 2.1, "baseline": 13.8, "limit": 27.6, "episodes": 4, "since_s": T0}


@pytest.mark.parametrize("name", SCHEMA_NAMES)
def test_the_schemas_are_schemas_and_strict(name):
    schema = load_schema(name)
    Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False
    assert schema["properties"]["schema"] == {"const": f"flueward.{name}/1"}


def test_a_schema_that_there_is_not_is_named():
    with pytest.raises(ValueError, match="no schema 'alarm'; known are alert"):
        load_schema("alarm")


@pytest.mark.parametrize("symptom", SYMPTOMS)
@pytest.mark.parametrize("full", [True, False])
def test_every_symptom_makes_a_valid_alert_and_check(settings, symptom, full):
    evidence = SLOW if full else {}
    known = now(trust=Trust.BAD, error_estimate=0.4, error_direction="high") if full else now()
    payload, sheet = raised(settings, symptom, known, **evidence)
    check("alert", payload)
    check("alert", stamp(payload, False, T0 + 5000))
    check("check", sheet)
    assert len(payload["headline"]) <= HEADLINE_LIMIT


def test_the_example_of_the_contract_reads_as_it_was_written(settings):
    recovering = now(mode=Mode.RECOVERY, trust=Trust.DOUBTFUL, steady_trust=Trust.GOOD)  # as it always is noticed
    payload, _ = raised(settings, known=recovering, **SLOW)
    assert payload["reading_trust"] == "good"
    assert payload["headline"] == "B2 east: filter closing, takes 41 s where 14 is usual. Steady O2 good."
    assert payload["operator_action"] == "none tonight"
    assert (payload["class"], payload["audience"], payload["priority"]) == ("alert", "technician", "low")
    assert payload["status_signal"] == "maintenance_required"
    assert payload["suspects"][0]["part"] == "filter"
    assert payload["check_id"] == "look_first"


CREEP = {
    "value": 0.523456,
    "uncertainty": 0.00423,
    "baseline": 0.42718,
    "limit": 0.469898,
    "trend_per_day": 0.0006182,
    "episodes": 14,
    "reaches_limit_earliest_s": T0 + 8e6,
}


def test_a_share_of_output_is_told_in_percent_to_the_digits_that_are_known(settings):
    evidence = raised(settings, "heater_duty_creep", **CREEP)[0]["evidence"]
    assert [evidence[key] for key in ("value", "baseline", "limit")] == [52.35, 42.72, 46.99]
    assert (evidence["uncertainty"], evidence["trend_per_day"]) == (0.42, 0.062)
    assert evidence["unit"] == "% of full output"


@pytest.mark.parametrize(
    ("symptom", "reaches", "counted"),
    [
        ("heater_duty_creep", "no reserve on low supply", "days"),
        ("cell_offset_drift", "5 mV", "checks"),
        ("slow_recovery", "four times usual", "recoveries"),
        ("reading_noisy", None, None),
    ],
)
def test_evidence_says_what_is_reached_at_its_dates_and_what_it_counts(settings, symptom, reaches, counted):
    evidence = raised(settings, symptom, **CREEP)[0]["evidence"]
    assert (evidence["reaches"], evidence["counted"]) == (reaches, counted)
    evidence = raised(settings, symptom, value=1.0)[0]["evidence"]
    assert (evidence["reaches"], evidence["counted"]) == (None, None)


def test_what_is_reached_follows_the_settings(settings):
    own = settings.model_copy(
        update={"detectors": {"cell_offset_drift": {"raw_limit_mv": 6.5}, "slow_recovery": {"urgent_ratio": 4.5}}}
    )
    assert raised(own, "cell_offset_drift", **CREEP)[0]["evidence"]["reaches"] == "6.5 mV"
    assert raised(own, "slow_recovery", **CREEP)[0]["evidence"]["reaches"] == "4.5 times usual"


@pytest.mark.parametrize(
    ("value", "u", "told"), [(41.234, 2.14, 41.2), (41.234, None, 41.2), (-2.6123, 0.0, -2.61), (1234.5, 87.0, 1234.0)]
)
def test_a_value_is_told_to_the_second_digit_of_its_uncertainty(value, u, told):
    assert rounded_to(value, u) == told


def test_condition_and_alert_leave_out_an_error_that_cannot_be(settings):
    known = now(trust=Trust.BAD, error_estimate=-18.0, error_direction="low")
    payload, _ = raised(settings, known=known, **SLOW)
    for told in (payload, condition_payload(settings, known, {}, [])):
        assert (told["error_estimate"], told["error_direction"]) == (None, "low")


def test_a_missing_value_is_null_and_never_absent(settings):
    payload, _ = raised(settings)
    assert payload["evidence"]["value"] is None
    del payload["error_estimate"]
    with pytest.raises(ValidationError, match="'error_estimate' is a required property"):
        check("alert", payload)


def test_a_key_that_nobody_agreed_on_is_refused(settings):
    payload, _ = raised(settings)
    with pytest.raises(ValidationError, match="Additional properties"):
        check("alert", {**payload, "score": 1})


def test_a_headline_of_a_long_name_is_cut_at_a_word_and_never_too_long(settings):
    probes = {PROBE: settings.probes[PROBE].model_copy(update={"name": "boiler house two, economiser outlet east"})}
    long = settings.model_copy(update={"probes": probes})
    evidence = {"value": 0.46, "baseline": 0.40, "reaches_limit_earliest_s": T0 + 8e6}
    payload, _ = raised(long, "heater_duty_creep", **evidence)
    assert len(payload["headline"]) <= HEADLINE_LIMIT
    assert payload["headline"].startswith("boiler house two, economiser outlet east: heater takes 15 % more")


def test_a_headline_that_would_be_too_long_still_says_whether_the_reading_can_be_trusted(settings):
    known = now(trust=Trust.DOUBTFUL, steady_trust=Trust.DOUBTFUL, error_estimate=0.42, error_direction="low")
    evidence = {"value": 0.52, "baseline": 0.427, "reaches_limit_earliest_s": T0 + 8e6}
    payload, _ = raised(settings, "heater_duty_creep", known, **evidence)
    assert payload["headline"].endswith(" at the earliest. Steady O2 doubtful.")


def test_condition_says_what_is_known_and_what_each_detector_does(settings):
    known = now(
        mode=Mode.IN_SERVICE,
        trust=Trust.GOOD,
        signals={
            "o2": Value(3.01, "% vol"),
            "cell_emf": Value(40.7, "mV", 0.2, "reconstructed"),
            "tau": Value(float("nan"), "s", float("inf")),
        },
    )
    reports = {
        "slow_recovery": Report(watch=Watch.LEARNING, learnt="3 of 8 episodes", needs="5 more air checks"),
        "heater_open": Report(watch=Watch.WATCHING),
    }
    alert, _ = raised(settings, **SLOW)
    payload = condition_payload(settings, known, reports, [alert])
    check("condition", payload)
    assert payload["signals"].keys() == {"o2", "cell_emf"}  # what is not finite is not known
    assert payload["signals"]["cell_emf"]["source"] == "reconstructed"
    assert payload["detectors"]["slow_recovery"] == {
        "state": "learning",
        "learnt": "3 of 8 episodes",
        "needs": "5 more air checks",
    }
    assert payload["detectors"]["heater_open"]["learnt"] is None
    assert payload["alerts"] == [alert["id"]]
    assert payload["status_signal"] == "maintenance_required"


def test_condition_of_a_probe_of_which_nothing_is_known(settings):
    payload = condition_payload(settings, ProbeNow(probe=PROBE, at_s=T0), {}, [])
    check("condition", payload)
    assert (payload["mode"], payload["status_signal"], payload["sample_at"]) == ("unknown", None, None)


def test_the_worst_signal_counts_alerts_in_view_work_and_trust(settings):
    alert, _ = raised(settings, **SLOW)
    assert status_signal(now(trust=Trust.GOOD), []) is None
    assert status_signal(now(trust=Trust.GOOD), [alert]) is StatusSignal.MAINTENANCE_REQUIRED
    assert status_signal(now(trust=Trust.GOOD), [{**alert, "state": "shelved"}]) is None
    assert status_signal(now(trust=Trust.DOUBTFUL), [alert]) is StatusSignal.OUT_OF_SPECIFICATION
    assert status_signal(now(mode=Mode.AIR_CHECK, trust=Trust.HELD), [alert]) is StatusSignal.FUNCTION_CHECK
    assert status_signal(now(mode=Mode.AIR_CHECK, trust=Trust.BAD), [alert]) is StatusSignal.FAILURE


def test_sample_carries_signals_and_there_is_none_before_the_first(settings):
    payload = sample_payload(settings, now(signals={"o2": Value(3.0, "% vol")}))
    check("sample", payload)
    assert sample_payload(settings, ProbeNow(probe=PROBE, at_s=T0)) is None


def test_status_online_and_as_a_will(settings):
    full = status_payload(
        settings,
        state="online",
        at_s=T0,
        version="0.1.0",
        started_at_s=T0 - 60,
        last_sample_at_s=T0 - 1,
        polled=3,
        silent=1,
        waiting=2,
        clock="synchronised",
    )
    check("status", full)
    assert full["probes"] == {"configured": 3, "polled": 3, "silent": 1}
    check("status", status_payload(settings, state="offline", at_s=T0, version="0.1.0"))


REQUEST = {
    "schema": "flueward.request/1",
    "site": "works",
    "request_id": "r-1",
    "at": "2026-01-31T04:05:06Z",
    "by": "kim",
    "action": "shelve",
}


def test_requests_and_responses_have_schemas():
    check("request", REQUEST)
    reading = {"quantity": "winding", "value": 171.0, "unit": "ohm", "uncertainty": None}
    record = {"action": "measured", "part": "heater", "check_id": "heater_cold", "readings": [reading]}
    check("request", {**REQUEST, "action": "record", "probe": PROBE, "record": record})
    for wrong in ({"action": "reset"}, {"request_id": "a/b"}, {"extra": 1}):
        with pytest.raises(ValidationError):
            check("request", {**REQUEST, **wrong})
    response = {"schema": "flueward.response/1", "site": "works", "at": "2026-01-31T04:05:06.000Z", "agent": "edge-1"}
    check("response", {**response, "request_id": "r-1", "outcome": "refused", "reason": "stale", "changed": []})


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("symptom", ["slow_recovery", "heater_open", "heater_uncontrolled", "no_communication"])
def test_text_for_people_fits_its_width_and_plain_ascii(settings, width, symptom):
    text = render(*raised(settings, symptom, **SLOW), width=width)
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= width


def test_text_tells_which_probe_trust_what_why_and_what_to_expect(settings):
    payload, sheet = raised(settings, "heater_open", facts={"duty_frac": 1.0, "fall_k_per_s": 0.1})
    text = render(payload, sheet)
    order = ("B2 east", "can be trusted: yes", "Suspect", "heater (possible)", "Check", "Cautions", "Expect")
    at = [text.index(word) for word in order]
    assert at == sorted(at)
    assert "winding: 169.6 ohm (148.3 to 195.9 ohm)" in text
    assert "Permit, lock and tag at the source, prove dead with a proved tester." in " ".join(text.split())


def test_colour_adds_nothing_but_colour(settings):
    payload, sheet = raised(settings, **SLOW)
    coloured = render(payload, sheet, colour=True)
    for code in ("\x1b[1m", "\x1b[0m", "\x1b[34m"):
        assert code in coloured
        coloured = coloured.replace(code, "")
    assert coloured == render(payload, sheet)


def test_a_name_with_control_characters_cannot_steer_a_terminal(settings):
    payload, _ = raised(settings, **SLOW)
    text = render({**payload, "headline": "B2 \x1b[2J\u00fcber\r\nx"})
    assert "\x1b" not in text
    assert text.isascii()


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"value": 60.0, "unit": "ohm", "low": 54.0, "high": 66.0}, "60 ohm (54 to 66 ohm)"),
        ({"value": None, "unit": "Mohm", "low": 1.0, "high": None}, "1 Mohm or more"),
        ({"value": 0.0, "unit": "A", "low": None, "high": 0.026}, "0 A (0.026 A or less)"),
        ({"value": None, "unit": "ohm", "low": None, "high": None}, "not known here (ohm)"),
        ({"value": 5.0, "unit": "s", "low": 5.0, "high": 5.0}, "5 s"),
    ],
)
def test_an_expected_value_in_words(row, words):
    assert expected(row) == words
