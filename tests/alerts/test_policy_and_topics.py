import pytest

from agent.alerts.book import AlertBook
from agent.alerts.lifecycle import Kind
from agent.alerts.policy import policy_for, policy_problems
from agent.alerts.symptoms import Audience, Priority
from agent.alerts.topics import agent_topic, probe_topic, response_topic
from agent.config.model import Settings


def with_detectors(settings: Settings, **detectors) -> Settings:
    return settings.model_copy(update={"detectors": detectors})


def test_everything_is_an_alert_unless_it_is_opted_in(settings):
    assert policy_for(settings, "kiln", "heater_uncontrolled").kind is Kind.ALERT
    opted = with_detectors(settings, heater_uncontrolled={"alarm": True})
    assert policy_for(opted, "kiln", "heater_uncontrolled").kind is Kind.ALARM
    latching = with_detectors(settings, heater_uncontrolled={"alarm": True, "latching": True})
    assert policy_for(latching, "kiln", "heater_uncontrolled").kind is Kind.LATCHING_ALARM


def test_silence_is_gathered_only_where_a_line_has_several_probes(settings):
    assert policy_for(settings, "b2-east", "no_communication").on_delay_s == 60.0
    assert policy_for(settings, "kiln", "no_communication").on_delay_s == 0.0


def test_a_sites_own_words_go_before_the_table(settings):
    own = with_detectors(
        settings, slow_recovery={"off_delay_s": 60, "priority": "high", "audience": "operator", "on_delay_s": 5}
    )
    policy = policy_for(own, "kiln", "slow_recovery")
    assert (policy.off_delay_s, policy.on_delay_s) == (60.0, 5.0)
    assert (policy.priority, policy.audience) == (Priority.HIGH, Audience.OPERATOR)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"alarm": True}, "only these may be alarms: heater_uncontrolled, reads_air_while_firing"),
        ({"priority": "urgent"}, "priority: must be one of low, medium, high, got 'urgent'"),
        ({"off_delay_s": -1}, "off_delay_s: must be seconds, 0 or more, got -1"),
        ({"on_delay_s": float("nan")}, "on_delay_s: must be seconds"),
        ({"latching": True}, "only an alarm can latch"),
        ({"alarm": "yes"}, "alarm: must be true or false, got 'yes'"),
    ],
)
def test_a_wrong_option_is_named_with_what_would_be_right(settings, options, message):
    wrong = with_detectors(settings, slow_recovery=options)
    problems = policy_problems(wrong)
    assert len(problems) == 3  # one a probe
    assert all(message in problem and "slow_recovery" in problem for problem in problems)
    with pytest.raises(ValueError, match="slow_recovery"):
        AlertBook(wrong)


def test_topics_are_those_of_the_contract():
    assert probe_topic("works", "b2", "alert", "slow_recovery") == "flueward/works/probe/b2/alert/slow_recovery"
    assert probe_topic("works", "b2", "check", "slow_recovery") == "flueward/works/probe/b2/check/slow_recovery"
    assert probe_topic("works", "b2", "event") == "flueward/works/probe/b2/event"
    assert agent_topic("works", "e1", "status") == "flueward/works/agent/e1/status"
    assert response_topic("works", "e1", "r-7") == "flueward/works/agent/e1/response/r-7"


@pytest.mark.parametrize("bad", ["", "B2", "a/b", "a+b", "#", "a b", "x" * 33, "$sys", "ü"])
def test_no_id_that_could_change_a_topic_gets_into_one(bad):
    for make in (
        lambda: probe_topic(bad, "b2", "event"),
        lambda: probe_topic("works", bad, "event"),
        lambda: agent_topic("works", bad, "status"),
        lambda: response_topic("works", "e1", bad),
    ):
        with pytest.raises(ValueError, match="must match"):
            make()


def test_a_symptom_belongs_to_alert_and_check_only():
    with pytest.raises(ValueError, match="only there"):
        probe_topic("works", "b2", "event", "slow_recovery")
    with pytest.raises(ValueError, match="only there"):
        probe_topic("works", "b2", "alert")
