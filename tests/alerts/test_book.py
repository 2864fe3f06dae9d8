"""Stories of alerts: one cause one alert, worsening, speaking again, people, ids, what is handed out."""

import json

import pytest

from agent.alerts.book import AlertBook, RefusedError
from agent.alerts.ledger import Handed
from agent.alerts.payload import alert_id, stamp
from agent.reconstruct.now import ProbeNow, Trust, Value
from agent.rfc3339 import from_text, to_text
from detectors.finding import Finding

T0 = 1_790_000_000.0
HOUR, DAY = 3600.0, 86_400.0
PROBE = "b2-east"


def seen(symptom, at_s, *, active=True, level=1, **rest):
    return Finding(symptom=symptom, at_s=at_s, active=active, level=level, **rest)


def gone(symptom, at_s):
    return seen(symptom, at_s, active=False)


def now(at_s, probe=PROBE, **rest):
    return ProbeNow(probe=probe, at_s=at_s, **{"trust": Trust.GOOD, **rest})


class Plant:
    """Drives a book in order of time and keeps what it hands out."""

    def __init__(self, settings):
        self.settings, self.book, self.out = settings, AlertBook(settings), []

    def take(self, *findings, probe=PROBE, **known):
        at_s = findings[-1].at_s
        return self._keep(self.book.take(probe, findings, now(at_s, probe, **known)))

    def tick(self, at_s):
        return self._keep(self.book.tick(at_s, {}))

    def _keep(self, out):
        self.out += out
        return [t for t in out if t.kind is Handed.TRANSITION]

    def states(self, symptom, probe=PROBE):
        return [t.payload["state"] for t in self.out if t.kind is Handed.TRANSITION and t.key == f"{probe}/{symptom}"]


@pytest.fixture
def plant(settings):
    return Plant(settings)


def test_an_alert_is_raised_and_ends_an_hour_after_a_fast_symptom_is_gone(plant):
    (raised,) = plant.take(seen("heater_open", T0))
    assert raised.payload["state"] == "unacknowledged"
    assert plant.take(gone("heater_open", T0 + 60)) == []
    assert plant.tick(T0 + 60 + HOUR - 1) == []
    (over,) = plant.tick(T0 + 9 * HOUR)
    assert over.at_s == T0 + 60 + HOUR  # at the deadline, however late the tick
    assert over.payload["state"] == "normal"
    assert over.payload["cleared_at"] == over.payload["updated_at"] == to_text(T0 + 60 + HOUR)
    assert (over.payload["id"], over.payload["raised_at"]) == (raised.payload["id"], raised.payload["raised_at"])


def test_a_symptom_that_comes_and_goes_within_the_off_delay_is_one_alert(plant):
    for i in range(20):
        plant.take(seen("heater_open", T0 + 600 * i), gone("heater_open", T0 + 600 * i + 300))
    assert plant.states("heater_open") == ["unacknowledged"]


def test_ids_follow_from_what_where_and_when(plant):
    (raised,) = plant.take(seen("slow_recovery", T0))
    assert raised.payload["id"] == alert_id("works", PROBE, "slow_recovery", T0)
    assert len(raised.payload["id"]) == 26
    assert raised.payload["event_id"] == f"{raised.payload['id']}.1"
    assert alert_id("works", PROBE, "slow_recovery", T0 + 0.001) != raised.payload["id"]


def test_a_consequence_is_listed_in_its_cause_and_not_raised_beside_it(plant):
    plant.take(seen("heater_open", T0), seen("heater_exhausted", T0), seen("transmitter_fault", T0 - 30))
    plant.tick(T0 + 120)
    assert plant.states("heater_exhausted") == []
    assert plant.states("transmitter_fault") == []
    (payload,) = plant.book.active(PROBE)
    assert {one["symptom"] for one in payload["consequences"]} == {"heater_exhausted", "transmitter_fault"}


def test_a_cause_that_worsens_moves_into_the_new_alert(plant):
    (creep,) = plant.take(seen("heater_duty_creep", T0, value=0.45, baseline=0.40))
    broken, moved = plant.take(seen("heater_open", T0 + DAY))
    assert broken.payload["symptom"] == "heater_open"
    assert broken.payload["continues"] == creep.payload["id"]
    assert moved.payload["state"] == "normal"
    assert moved.payload["superseded_by"] == broken.payload["id"]
    assert [one["symptom"] for one in broken.payload["consequences"]] == ["heater_duty_creep"]


def test_what_a_cause_explained_is_judged_by_itself_when_the_cause_is_over(plant):
    plant.take(seen("heater_open", T0), seen("heater_exhausted", T0))
    plant.take(gone("heater_open", T0 + 60))
    plant.tick(T0 + 60 + HOUR)
    assert plant.states("heater_exhausted") == ["unacknowledged"]


def test_independent_symptoms_of_one_probe_are_two_alerts(plant):
    plant.take(seen("heater_duty_creep", T0), seen("cell_offset_drift", T0))
    assert len(plant.book.active(PROBE)) == 2


def test_a_slow_symptom_speaks_again_within_seven_days_only_when_its_level_rises(plant):
    plant.take(seen("slow_recovery", T0))
    plant.take(gone("slow_recovery", T0 + DAY))
    plant.tick(T0 + 8 * DAY)
    plant.take(seen("slow_recovery", T0 + 10 * DAY))
    plant.tick(T0 + 15 * DAY - 1)
    assert plant.states("slow_recovery") == ["unacknowledged", "normal"]
    plant.tick(T0 + 15 * DAY)  # seven days after it ended on day 8
    assert plant.states("slow_recovery") == ["unacknowledged", "normal", "unacknowledged"]


def test_a_higher_level_need_not_wait(plant):
    plant.take(seen("slow_recovery", T0))
    plant.take(gone("slow_recovery", T0 + DAY))
    plant.tick(T0 + 8 * DAY)
    plant.take(seen("slow_recovery", T0 + 9 * DAY))
    (urgent,) = plant.take(seen("slow_recovery", T0 + 10 * DAY, level=2))
    assert urgent.payload["priority"] == "medium"  # one step above low


def test_a_level_that_rises_asks_for_attention_again_but_not_each_time_it_flickers(plant):
    plant.take(seen("slow_recovery", T0))
    plant.book.acknowledge(PROBE, "slow_recovery", by="kim", at_s=T0 + 1)
    assert len(plant.take(seen("slow_recovery", T0 + DAY, level=2))) == 1
    for day in (2, 3, 4):
        assert plant.take(seen("slow_recovery", T0 + day * DAY, level=1)) == []
        assert plant.take(seen("slow_recovery", T0 + day * DAY + 1, level=2)) == []


def test_a_silent_probe_has_no_other_fast_symptom_judged(plant):
    plant.take(seen("heater_open", T0))
    plant.take(gone("heater_open", T0 + 60), seen("no_communication", T0 + 400))
    plant.take(seen("heater_exhausted", T0 + 500))
    plant.tick(T0 + 5 * HOUR)
    assert plant.states("heater_open") == ["unacknowledged"]  # neither over nor anything else: nobody knows
    assert plant.states("heater_exhausted") == []
    plant.take(gone("no_communication", T0 + 6 * HOUR), gone("heater_open", T0 + 6 * HOUR + 60))
    plant.tick(T0 + 7 * HOUR + 60)
    assert plant.states("heater_open") == ["unacknowledged", "normal"]


def test_fresher_evidence_renews_the_retained_alert_but_is_no_event(plant):
    plant.take(seen("slow_recovery", T0, value=30.0, unit="s", uncertainty=2.0, baseline=13.0))
    plant.take(seen("slow_recovery", T0 + DAY, value=31.0, unit="s", uncertainty=2.0, baseline=13.0))
    plant.out.clear()
    plant.take(seen("slow_recovery", T0 + DAY + 60, value=36.0, unit="s", uncertainty=2.0, baseline=13.0))
    (update,) = plant.out
    assert update.kind is Handed.UPDATE
    assert [m.topic.rsplit("/", 2)[-2] for m in update.messages] == ["alert", "check"]
    assert all(m.retain for m in update.messages)
    assert update.payload["seq"] == 1
    assert update.payload["evidence"]["value"] == 36.0


def test_an_evidence_within_its_uncertainty_renews_nothing(plant):
    plant.take(seen("slow_recovery", T0, value=30.0, unit="s", uncertainty=2.0, baseline=13.0))
    plant.out.clear()
    plant.take(seen("slow_recovery", T0 + 60, value=31.0, unit="s", uncertainty=2.0, baseline=13.0))
    assert plant.out == []


def test_a_transition_is_an_event_and_renews_both_retained_topics(plant):
    (raised,) = plant.take(seen("slow_recovery", T0))
    base = f"flueward/works/probe/{PROBE}"
    assert [(m.topic, m.retain) for m in raised.messages] == [
        (f"{base}/event", False),
        (f"{base}/alert/slow_recovery", True),
        (f"{base}/check/slow_recovery", True),
    ]


def test_retained_topics_are_emptied_a_day_after_normal(plant):
    plant.take(seen("heater_open", T0))
    plant.take(gone("heater_open", T0))
    plant.tick(T0 + HOUR)
    assert len(plant.book.retained()) == 2
    plant.tick(T0 + HOUR + DAY - 1)
    assert plant.out[-1].kind is not Handed.TIDY
    plant.tick(T0 + HOUR + DAY)
    tidy = plant.out[-1]
    assert tidy.kind is Handed.TIDY
    assert [(m.topic.rsplit("/", 2)[-2], m.payload, m.retain) for m in tidy.messages] == [
        ("alert", None, True),
        ("check", None, True),
    ]
    assert plant.book.retained() == []


def test_an_alert_that_comes_back_the_same_day_is_not_emptied(plant):
    plant.take(seen("heater_open", T0))
    plant.take(gone("heater_open", T0))
    plant.tick(T0 + HOUR)
    plant.take(seen("heater_open", T0 + 2 * HOUR))
    plant.tick(T0 + 3 * DAY)
    assert all(t.kind is not Handed.TIDY for t in plant.out)
    first, _, second = (t.payload for t in plant.out if t.kind is Handed.TRANSITION)
    assert first["id"] != second["id"]
    assert second["seq"] == 1


def test_acknowledging_an_alert_means_seen_and_names_by_whom(plant):
    plant.take(seen("slow_recovery", T0))
    (seen_,) = plant.book.acknowledge(PROBE, "slow_recovery", by="kim", at_s=T0 + 5)
    assert (seen_.payload["state"], seen_.payload["state_reason"]) == ("acknowledged", "seen by kim")
    with pytest.raises(RefusedError, match="is acknowledged"):
        plant.book.acknowledge(PROBE, "slow_recovery", by="kim", at_s=T0 + 6)
    with pytest.raises(RefusedError, match="has no alert heater_open now"):
        plant.book.acknowledge(PROBE, "heater_open", by="kim", at_s=T0 + 6)


def test_an_alarm_that_returns_waits_for_its_acknowledgement(settings):
    alarm = settings.model_copy(update={"detectors": {"heater_uncontrolled": {"alarm": True}}})
    plant = Plant(alarm)
    (raised,) = plant.take(seen("heater_uncontrolled", T0))
    assert raised.payload["class"] == "alarm"
    plant.take(gone("heater_uncontrolled", T0 + 1))
    plant.tick(T0 + 2 * HOUR)
    (over,) = plant.book.acknowledge(PROBE, "heater_uncontrolled", by="kim", at_s=T0 + 3 * HOUR)
    assert [*plant.states("heater_uncontrolled"), over.payload["state"]] == [
        "unacknowledged",
        "returned_unacknowledged",
        "normal",
    ]
    assert over.payload["cleared_at"] == to_text(T0 + 3 * HOUR)


def test_shelving_ends_by_itself_and_the_alert_is_back(plant):
    (raised,) = plant.take(seen("slow_recovery", T0))
    (away,) = plant.book.shelve(PROBE, "slow_recovery", until_s=T0 + DAY, by="kim", at_s=T0 + 60)
    assert (away.payload["state"], away.payload["state_reason"]) == ("shelved", "shelved by kim")
    (back,) = plant.tick(T0 + 2 * DAY)
    assert back.at_s == T0 + DAY
    assert (back.payload["state"], back.payload["id"]) == ("unacknowledged", raised.payload["id"])


def test_a_symptom_that_begins_while_shelved_is_told_as_shelved(plant):
    assert plant.book.shelve(PROBE, "slow_recovery", until_s=T0 + DAY, by="kim", at_s=T0) == []
    (told,) = plant.take(seen("slow_recovery", T0 + 60))
    assert told.payload["state"] == "shelved"


def test_what_ends_while_shelved_is_normal_when_the_shelving_ends(plant):
    plant.take(seen("heater_open", T0))
    plant.book.shelve(PROBE, "heater_open", until_s=T0 + DAY, by="kim", at_s=T0 + 60)
    plant.take(gone("heater_open", T0 + 120))
    plant.tick(T0 + 2 * DAY)
    last = [t.payload for t in plant.out if t.kind is Handed.TRANSITION][-1]
    assert last["state"] == "normal"
    assert last["cleared_at"] == to_text(T0 + 120 + HOUR)


def test_a_probe_out_of_service_has_all_its_alerts_away_and_back_with_an_end(plant):
    plant.take(seen("slow_recovery", T0), seen("cell_offset_drift", T0))
    away = plant.book.out_of_service(PROBE, until_s=T0 + 4 * HOUR, by="kim", at_s=T0 + 60)
    assert [t.payload["state"] for t in away] == ["out_of_service"] * 2
    assert plant.book.out_of_service(PROBE, until_s=T0 + 8 * HOUR, by="kim", at_s=T0 + 70) == []  # longer
    assert plant.tick(T0 + 5 * HOUR) == []
    assert [t.payload["state"] for t in plant.tick(T0 + 9 * HOUR)] == ["unacknowledged"] * 2
    with pytest.raises(RefusedError, match="not out of service"):
        plant.book.in_service(PROBE, at_s=T0 + 10 * HOUR)


def test_nothing_is_hidden_without_an_end_and_an_uncontrolled_heater_not_at_all(plant):
    with pytest.raises(RefusedError, match="future"):
        plant.book.shelve(PROBE, "slow_recovery", until_s=T0, by="kim", at_s=T0)
    with pytest.raises(RefusedError, match="never shelved"):
        plant.book.shelve(PROBE, "heater_uncontrolled", until_s=T0 + 1, by="kim", at_s=T0)
    with pytest.raises(RefusedError, match="never suppressed"):
        plant.book.suppress(PROBE, "heater_uncontrolled", cause="unit off", at_s=T0)


def test_suppression_by_design_names_its_cause(plant):
    plant.take(seen("probe_disagreement", T0))
    (away,) = plant.book.suppress(PROBE, "probe_disagreement", cause="unit off", at_s=T0 + 1)
    assert (away.payload["state"], away.payload["state_reason"]) == ("suppressed", "unit off")
    (back,) = plant.book.unsuppress(PROBE, "probe_disagreement", at_s=T0 + 2)
    assert back.payload["state"] == "unacknowledged"


def test_a_reading_too_high_on_automatic_trim_is_one_step_up_and_says_what_to_do(plant):
    high = {"trust": Trust.DOUBTFUL, "error_estimate": 0.42, "error_direction": "high"}
    (drift,) = plant.take(seen("cell_offset_drift", T0, value=-2.6, unit="mV"), **high)
    assert drift.payload["priority"] == "medium"
    assert "put trim in manual" in drift.payload["operator_action"]
    (other,) = plant.take(seen("cell_offset_drift", T0), probe="b2-west", **high)  # not used by trim
    assert other.payload["priority"] == "low"


def test_an_offset_that_misleads_now_concerns_the_operator_and_is_out_of_specification(plant):
    facts = {"raw_offset_mv": -2.6, "remaining_offset_mv": -2.4, "remaining_beyond": True, "rule": "remaining"}
    (drift,) = plant.take(seen("cell_offset_drift", T0, value=-2.4, unit="mV", facts=facts))
    assert drift.payload["audience"] == "operator"
    assert drift.payload["status_signal"] == "out_of_specification"


def test_a_payload_is_stamped_when_it_is_handed_over(plant):
    (raised,) = plant.take(seen("slow_recovery", T0))
    assert (raised.payload["sent_at"], raised.payload["delayed"]) == (None, False)
    prompt = stamp(raised.payload, True, T0 + 900)
    assert (prompt["sent_at"], prompt["delayed"], prompt["durable"]) == (to_text(T0 + 900), False, True)
    late = stamp(raised.payload, False, T0 + 900.001)
    assert (late["delayed"], late["durable"]) == (True, False)
    assert raised.payload["sent_at"] is None  # the original is untouched


def test_the_check_is_renewed_each_hour_with_the_conditions_of_the_probe(plant):
    plant.take(seen("slow_recovery", T0))
    plant.out.clear()
    plant.tick(T0 + HOUR - 1)
    assert plant.out == []
    warm = now(T0 + HOUR, signals={"cell_temp": Value(712.0, "degC")})
    (update,) = plant.book.tick(T0 + HOUR, {PROBE: warm})
    assert update.kind is Handed.UPDATE
    assert update.messages[-1].payload["at"] == to_text(T0 + HOUR)


def test_a_book_goes_on_from_its_rows(settings):
    plant = Plant(settings)
    plant.take(seen("slow_recovery", T0, value=float("nan"), facts={"x": float("inf"), "after": "air_check"}))
    rows = json.loads(json.dumps(plant.book.to_rows(), allow_nan=False))
    again = AlertBook.from_rows(settings, rows)
    assert again.to_rows() == plant.book.to_rows()
    assert again.active() == plant.book.active()


def test_only_rows_that_changed_are_to_be_saved(plant):
    plant.take(seen("slow_recovery", T0))
    assert set(plant.book.changed_rows()) == {f"{PROBE}/slow_recovery"}
    plant.tick(T0 + 1)
    assert plant.book.changed_rows() == {}
    plant.take(seen("no_communication", T0 + 10), probe="kiln")
    assert set(plant.book.changed_rows()) == {"book"}
    plant.tick(T0 + 20)
    assert set(plant.book.changed_rows()) == {"book", "kiln/no_communication"}


def test_a_probe_that_is_configured_no_more_has_its_topics_emptied(settings):
    plant = Plant(settings)
    plant.take(seen("slow_recovery", T0))
    probes = {name: probe for name, probe in settings.probes.items() if name != PROBE}
    smaller = AlertBook(settings.model_copy(update={"probes": probes}), state=plant.book.to_rows())
    assert smaller.active() == []
    assert [(m.topic, m.payload) for m in smaller.leftovers()] == [
        (f"flueward/works/probe/{PROBE}/alert/slow_recovery", None),
        (f"flueward/works/probe/{PROBE}/check/slow_recovery", None),
    ]


@pytest.mark.parametrize(
    ("damage", "message"),
    [({"version": 9}, "slow_recovery: version 9"), ({"state": "asleep"}, "slow_recovery is damaged")],
)
def test_one_bad_row_is_named_and_costs_no_other(settings, damage, message):
    plant = Plant(settings)
    plant.take(seen("slow_recovery", T0), seen("cell_offset_drift", T0))
    rows = plant.book.to_rows()
    rows[f"{PROBE}/slow_recovery"] |= damage
    again = AlertBook(settings, state=rows)
    assert message in again.refused_rows[0]
    assert [p["symptom"] for p in again.active()] == ["cell_offset_drift"]
    assert [m.topic for m in again.leftovers()] == [
        f"flueward/works/probe/{PROBE}/alert/slow_recovery",
        f"flueward/works/probe/{PROBE}/check/slow_recovery",
    ]


@pytest.mark.parametrize("row", [{"version": 2}, {"version": 1}, {"version": 1, "silent": None, "queue": []}])
def test_a_bad_row_of_the_book_itself_costs_no_alert(settings, row):
    plant = Plant(settings)
    plant.take(seen("slow_recovery", T0))
    again = AlertBook(settings, state={**plant.book.to_rows(), "book": row})
    assert "book" in again.refused_rows[0]
    assert len(again.active()) == 1


def test_an_unknown_probe_or_symptom_is_named(plant):
    with pytest.raises(ValueError, match="no probe 'b9'"):
        plant.book.take("b9", [], now(T0))
    with pytest.raises(ValueError, match="no symptom 'flame_off'"):
        plant.take(seen("flame_off", T0))


def test_times_in_payloads_are_event_times(plant):
    (raised,) = plant.take(seen("transmitter_fault", T0))[:1] or plant.tick(T0 + 500)
    assert from_text(raised.payload["raised_at"]) == T0 + 60  # its on-delay
