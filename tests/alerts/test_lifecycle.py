"""The life cycle against the transitions that IEC 62682 / ANSI/ISA-18.2 publish, and the two delays."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.alerts.lifecycle import HIDDEN, TRANSITIONS, Condition, Input, Kind, State, next_state

# ISA-18.2-2016 section 5.4 in its own mnemonics.
NORM, UNACK, ACKED, RTNUN = (
    State.NORMAL,
    State.UNACKNOWLEDGED,
    State.ACKNOWLEDGED,
    State.RETURNED_UNACKNOWLEDGED,
)
PUBLISHED = [
    (NORM, Input.CONDITION, UNACK),
    (UNACK, Input.ACKNOWLEDGE, ACKED),
    (ACKED, Input.RETURN, NORM),
    (UNACK, Input.RETURN, RTNUN),
    (RTNUN, Input.CONDITION, UNACK),
    (RTNUN, Input.ACKNOWLEDGE, NORM),
]


@pytest.mark.parametrize(("before", "word", "after"), PUBLISHED)
def test_an_alarm_walks_the_published_transitions(before, word, after):
    assert next_state(Kind.ALARM, before, word, standing=True) is after


@pytest.mark.parametrize("kind", Kind)
@pytest.mark.parametrize("state", [UNACK, ACKED])
def test_repeating_the_same_condition_does_not_announce_it_again(kind, state):
    assert next_state(kind, state, Input.CONDITION, standing=True) is None


def test_an_alert_that_is_gone_needs_no_acknowledgement():
    assert next_state(Kind.ALERT, UNACK, Input.RETURN, standing=False) is NORM
    reachable = set(TRANSITIONS[Kind.ALERT].values())
    assert State.RETURNED_UNACKNOWLEDGED not in reachable
    assert State.LATCHED not in reachable


def test_a_latching_alarm_stays_until_it_is_acknowledged_after_its_return():
    for before in (UNACK, ACKED):
        assert next_state(Kind.LATCHING_ALARM, before, Input.RETURN, standing=False) is State.LATCHED
    assert next_state(Kind.LATCHING_ALARM, State.LATCHED, Input.ACKNOWLEDGE, standing=False) is NORM
    assert next_state(Kind.LATCHING_ALARM, State.LATCHED, Input.CONDITION, standing=True) is UNACK


@pytest.mark.parametrize("kind", Kind)
@pytest.mark.parametrize(
    ("hide", "hidden", "show"),
    [
        (Input.SHELVE, State.SHELVED, Input.UNSHELVE),
        (Input.SUPPRESS, State.SUPPRESSED, Input.UNSUPPRESS),
        (Input.TAKE_OUT, State.OUT_OF_SERVICE, Input.PUT_BACK),
    ],
)
@pytest.mark.parametrize("before", [NORM, UNACK, ACKED])
def test_what_was_hidden_comes_back_unacknowledged_or_normal(kind, hide, hidden, show, before):
    assert next_state(kind, before, hide, standing=True) is hidden
    assert next_state(kind, hidden, show, standing=True) is UNACK
    assert next_state(kind, hidden, show, standing=False) is NORM


@pytest.mark.parametrize("kind", Kind)
def test_what_is_hidden_is_moved_by_people_and_logic_only(kind):
    for state, word in itertools.product(HIDDEN, (Input.CONDITION, Input.RETURN, Input.WORSEN, Input.ACKNOWLEDGE)):
        assert next_state(kind, state, word, standing=True) is None


@pytest.mark.parametrize("kind", Kind)
def test_out_of_service_goes_before_shelving_and_shelving_before_suppression(kind):
    assert next_state(kind, State.SUPPRESSED, Input.SHELVE, standing=True) is State.SHELVED
    assert next_state(kind, State.SHELVED, Input.TAKE_OUT, standing=True) is State.OUT_OF_SERVICE
    assert next_state(kind, State.OUT_OF_SERVICE, Input.SHELVE, standing=True) is None
    assert next_state(kind, State.SHELVED, Input.SUPPRESS, standing=True) is None


def test_a_condition_stands_when_it_has_held_for_its_on_delay_and_not_before():
    condition = Condition().judged(True, 100.0, 60.0)
    assert (condition.standing, condition.due_s) == (False, 160.0)
    assert condition.judged(True, 130.0, 60.0).due_s == 160.0  # said again: the deadline stays
    assert condition.settled().standing


def test_a_condition_that_goes_before_its_deadline_never_stood():
    condition = Condition().judged(True, 100.0, 60.0).judged(False, 159.0, 3600.0)
    assert condition == Condition()


def test_a_condition_that_comes_back_within_the_off_delay_never_ended():
    standing = Condition().judged(True, 0.0, 0.0).settled()
    assert standing.judged(False, 10.0, 3600.0).due_s == 3610.0
    assert standing.judged(False, 10.0, 3600.0).judged(True, 20.0, 0.0).due_s is None


@given(st.lists(st.tuples(st.booleans(), st.floats(0.0, 100.0)), max_size=30))
def test_delays_equal_their_naive_definition(steps):
    """Standing becomes true after 60 s of presence without a break, false after 90 s of absence."""
    condition, at_s, standing, since_s, present = Condition(), 0.0, False, None, False
    for says, wait_s in steps:
        at_s += wait_s
        if condition.due_s is not None and condition.due_s <= at_s:
            condition = condition.settled()
        if present != standing and since_s + (60.0 if present else 90.0) <= at_s:
            standing = present
        condition = condition.judged(says, at_s, 60.0 if says else 90.0)
        if says != present:
            present, since_s = says, at_s
        assert condition.standing == standing
