"""Silence of five minutes, exact in event time under any cut."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.finding import Watch
from detectors.no_communication import NoCommunication, NoCommunicationSettings, NoCommunicationState

T0 = 1_760_000_000.0


def naive(times, now_s, silence_s=300.0):
    """The definition: active from last + limit to the next sample; the limit is 300 s, or four usual intervals."""
    events = []

    def limit(i):
        last = np.diff(times[: i + 1])[-15:]
        return max(silence_s, 4.0 * float(np.median(last))) if len(last) == 15 else silence_s

    for i, (before, after) in enumerate(pairwise(times)):
        if after - before > limit(i):
            events += [(before + limit(i), True), (after, False)]
    if times and now_s - times[-1] > limit(len(times) - 1):
        events.append((times[-1] + limit(len(times) - 1), True))
    return events


def restored(detector):
    saved = json.loads(json.dumps(detector.state.to_dict(), allow_nan=False))
    return NoCommunication(detector.settings, NoCommunicationState.from_dict(saved))


@given(
    gaps=st.lists(
        st.sampled_from([1.0, 5.0, 120.0, 299.0, 300.0, 300.5, 301.0, 500.0, 5000.0]), min_size=1, max_size=60
    ),
    cuts=st.lists(st.integers(0, 60), max_size=6),
    ticks=st.booleans(),
    rest=st.sampled_from([0.0, 300.0, 301.0, 9e5]),
)
@settings(max_examples=150, deadline=None)
def test_any_cut_any_ticks_and_any_restart_give_the_naive_definition(gaps, cuts, ticks, rest):
    times = (T0 + np.cumsum(gaps)).tolist()
    detector, found = NoCommunication(), []
    for part in np.split(np.array(times), sorted({min(c, len(times)) for c in cuts})):
        if ticks and part.size:
            found += detector.advance(float(part[0]) - 0.25)
        found += detector.update(part)
        detector = restored(detector)
    found += detector.advance(times[-1] + rest)
    # A tick before the first sample starts the listening; nothing is silent for 300 s by it here.
    assert [(f.at_s, f.active) for f in found] == naive(times, times[-1] + rest)


def test_two_lost_answers_of_a_slow_poll_are_no_silence_and_five_are():
    """A pace of 120 s, told or only seen: 360 s may pass, 480 s too, and no more."""
    for detector, times in (
        (NoCommunication(period_s=120.0), [T0]),
        (NoCommunication(), (T0 + 120.0 * np.arange(-20, 1)).tolist()),
    ):
        assert detector.update(times) == []
        assert detector.advance(T0 + 480.0) == []
        [found] = detector.advance(T0 + 481.0)
        assert (found.active, found.at_s, found.limit) == (True, T0 + 480.0, 480.0)


def test_a_probe_that_never_answers_is_told_five_minutes_after_the_start():
    detector = NoCommunication(start_s=T0)
    assert detector.advance(T0 + 300.0) == []
    [found] = detector.advance(T0 + 360.0)
    assert (found.active, found.at_s, found.since_s, found.facts["ever_heard"]) == (True, T0 + 300.0, T0, False)
    assert detector.advance(T0 + 4000.0) == []
    [ended] = detector.update([T0 + 5000.0])
    assert (ended.active, ended.at_s, ended.value) == (False, T0 + 5000.0, 5000.0)


def test_the_agents_own_pause_is_not_the_probes_silence():
    detector = NoCommunication()
    detector.update([T0])
    saved = detector.state.to_dict()
    later = NoCommunication(state=NoCommunicationState.from_dict(saved), start_s=T0 + 86400.0)
    assert later.advance(T0 + 86400.0 + 200.0) == []
    [found] = later.advance(T0 + 86400.0 + 301.0)
    assert (found.at_s, found.since_s) == (T0 + 86400.0 + 300.0, T0)


def test_since_is_the_last_valid_sample_and_the_limit_is_said():
    detector = NoCommunication()
    detector.update([T0, T0 + 5.0])
    [found] = detector.advance(T0 + 1000.0)
    assert (found.since_s, found.at_s, found.limit, found.unit) == (T0 + 5.0, T0 + 305.0, 300.0, "s")
    assert detector.report().watch is Watch.FINDING


@pytest.mark.parametrize("bad", [[], [np.nan], [np.inf, -np.inf], [T0 - 50.0], [T0, T0]])
def test_a_bad_or_old_time_changes_nothing(bad):
    detector = NoCommunication()
    detector.update([T0])
    before = detector.state.to_dict()
    assert detector.update(bad) == []
    assert detector.advance(float("nan")) == []
    assert detector.advance(T0 - 1e6) == []
    assert detector.state.to_dict() == before


def test_unsorted_times_are_put_in_order():
    detector = NoCommunication()
    assert detector.update([T0 + 200.0, T0, T0 + 100.0]) == []
    assert detector.state.last_valid_s == T0 + 200.0


def test_a_late_sample_ends_a_silence_no_earlier_than_it_began():
    detector = NoCommunication(start_s=T0)
    detector.update([T0])
    detector.advance(T0 + 400.0)
    [ended] = detector.update([T0 + 100.0])
    assert (ended.active, ended.at_s) == (False, T0 + 300.0)


def test_a_setting_out_of_range_is_named():
    with pytest.raises(ValueError, match="silence_s must be above 0"):
        NoCommunicationSettings(silence_s=float("nan"))


def test_a_state_of_another_version_is_refused():
    with pytest.raises(ValueError, match="version 99"):
        NoCommunicationState.from_dict({"version": 99})
