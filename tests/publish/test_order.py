"""What goes next, who is to blame, and how long to rest: plain values, tested as such."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.publish.lanes import Lanes
from agent.publish.retry import BackOff
from agent.publish.suspicion import Suspicion
from agent.publish.volatile import Volatile
from agent.store.messages import OutgoingMessage
from agent.store.unwritten import StoredMessage, superseded


def stored(number: int, key: str, topic: str | None = None) -> StoredMessage:
    is_state = topic is not None
    message = OutgoingMessage(topic or "t", {}, is_state, "state" if is_state else "event", key, 0.0)
    return StoredMessage(number, message, durable=True)


def test_the_oldest_of_all_keys_goes_first_and_only_one_of_a_key_at_a_time():
    lanes = Lanes()
    lanes.add([stored(1, "a"), stored(2, "a"), stored(3, "b")])
    assert [m.id for m in (lanes.take(), lanes.take()) if m] == [1, 3]
    assert lanes.take() is None
    lanes.done(1, "a")
    second = lanes.take()
    assert second is not None
    assert second.id == 2


def test_a_released_message_goes_again_before_its_followers():
    lanes = Lanes()
    lanes.add([stored(1, "a"), stored(2, "a")])
    lanes.take()
    assert lanes.release(1, "a")
    assert [m.id for m in (lanes.take(),) if m] == [1]


def test_a_state_on_its_way_that_a_newer_one_of_another_alert_replaced_is_not_sent_again_after_it():
    lanes = Lanes()
    lanes.add([stored(1, "old alert", topic="x")])
    lanes.take()
    lanes.add([stored(2, "new alert", topic="x")])
    assert [m.id for m in (lanes.take(),) if m] == [2]
    lanes.done(2, "new alert")
    assert not lanes.release(1, "old alert")  # the connection was cut before its answer
    assert lanes.take() is None
    assert len(lanes) == 0


@given(st.data())
def test_lanes_agree_with_a_plain_list(data):
    lanes, waiting, flying, number = Lanes(), [], {}, 0
    newest: dict[str, int] = {}
    for _ in range(data.draw(st.integers(1, 60))):
        step = data.draw(st.sampled_from(["add", "take", "done", "release"]))
        if step == "add":
            number += 1
            one = stored(number, data.draw(st.sampled_from("abc")), data.draw(st.sampled_from([None, None, "x", "y"])))
            if one.message.kind == "state":
                newest[one.message.topic] = number
                waiting = [m for m in waiting if m.message.topic != one.message.topic or m.id in flying]
            waiting.append(one)
            lanes.add([one])
        elif step == "take":
            busy = {m.message.order_key for m in flying.values()}
            heads: dict[str, StoredMessage] = {}
            for m in waiting:
                heads.setdefault(m.message.order_key, m)
            want = min((m.id for m in heads.values() if m.message.order_key not in busy), default=None)
            got = lanes.take()
            assert (None if got is None else got.id) == want
            if got is not None:
                flying[got.id] = got
        elif flying:
            one = flying.pop(data.draw(st.sampled_from(sorted(flying))))
            dead = one.message.kind == "state" and newest[one.message.topic] != one.id
            if step == "done":
                lanes.done(one.id, one.message.order_key)
            else:
                assert lanes.release(one.id, one.message.order_key) is not dead
            if step == "done" or dead:
                waiting.remove(one)
        assert len(lanes) == len(waiting)


def test_messages_cut_together_are_tried_one_by_one_and_only_the_one_cut_alone_is_condemned():
    suspicion = Suspicion(proven_limit=3)
    assert suspicion.cut(["a", "b"], proven=True, any_limit=None) is None
    assert suspicion.one_at_a_time()
    suspicion.clear("a")  # it got through alone
    assert suspicion.cut(["b"], proven=True, any_limit=None) is None
    assert list(suspicion.struck()) == ["b"]
    assert suspicion.cut(["b"], proven=True, any_limit=None) is None
    assert suspicion.cut(["b"], proven=True, any_limit=None) == "b"
    assert not suspicion.one_at_a_time()
    assert not suspicion.struck()


def test_where_nothing_gets_through_only_very_many_cuts_condemn_and_success_acquits():
    suspicion = Suspicion(proven_limit=3)
    for _ in range(9):
        assert suspicion.cut(["a"], proven=False, any_limit=10) is None
    suspicion.clear("a")
    for _ in range(9):
        assert suspicion.cut(["a"], proven=False, any_limit=10) is None
    assert suspicion.cut(["a"], proven=False, any_limit=10) == "a"


def test_a_cut_with_nothing_in_flight_blames_nobody():
    suspicion = Suspicion(proven_limit=1)
    assert suspicion.cut([], proven=True, any_limit=1) is None
    assert not suspicion.one_at_a_time()


# Doubling from 1 to 60 s, by hand; a draw of 1 is the whole rest, 0 half of it.
@pytest.mark.parametrize(
    ("attempt", "draw", "rest_s"),
    [(1, 1.0, 1.0), (1, 0.0, 0.5), (2, 1.0, 2.0), (6, 1.0, 32.0), (7, 1.0, 60.0), (7, 0.5, 45.0), (10**9, 1.0, 60.0)],
)
def test_rests_double_up_to_the_longest_and_are_spread_by_the_draw(attempt, draw, rest_s):
    assert BackOff(1.0, 60.0).rest_s(attempt, draw) == pytest.approx(rest_s)


@pytest.mark.parametrize("limits", [(0.0, 1.0), (2.0, 1.0), (float("nan"), 1.0)])
def test_rests_that_make_no_sense_are_refused(limits):
    with pytest.raises(ValueError, match="first_s"):
        BackOff(*limits)


def test_a_value_that_changes_while_it_is_on_its_way_is_sent_once_more():
    volatile = Volatile()
    volatile.put("t", b"1", retain=True)
    taken = volatile.take(0.0, frozenset())
    assert taken is not None
    volatile.put("t", b"2", retain=True)
    assert volatile.take(0.0, frozenset()) is None  # one at a time
    volatile.done("t", taken[3])
    again = volatile.take(0.0, frozenset())
    assert again is not None
    assert again[1] == b"2"


def test_of_superseded_events_the_oldest_goes_and_of_none_the_oldest_of_all():
    assert superseded([(1, "a"), (2, "b"), (3, "b"), (4, "a")]) == 1
    assert superseded([(1, "a"), (2, "b"), (3, "b")]) == 2
    assert superseded([(1, "a"), (2, "b")]) == 1
    assert superseded([]) is None
