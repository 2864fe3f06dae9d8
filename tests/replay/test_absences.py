"""Silence that shows as missing rows: a probe's, while its line is heard; never a recorder's gap."""

import json

import numpy as np
import pytest

from agent.config.model import Settings
from agent.replay.engine import replay
from tests.replay.recorded import MemoryHistory

START_S = 1_789_948_800.0  # a midnight
DAY_S = 86_400.0


def site(**probes):
    """Probes by id and line."""
    return Settings.model_validate(
        {
            "site": "fen",
            "agent": "a",
            "data_dir": "unused",
            "lines": {line: {"kind": "tcp", "host": "127.0.0.1", "port": 502} for line in set(probes.values())},
            "maps": {"m": {"signals": {"o2": {"address": 0}}}},
            "probes": {probe: {"line": line, "map": "m"} for probe, line in probes.items()},
        }
    )


def rows(days=3.0, *, gaps=(), empty=(), every_s=30.0, shift_s=0.0):
    """A row each `every_s`; none in `gaps`, and nothing in those of `empty` (spans in s from the start)."""
    time_s = np.arange(shift_s, days * DAY_S, every_s)
    for start, stop in gaps:
        time_s = time_s[(time_s <= start) | (time_s >= stop)]
    o2 = np.full(time_s.size, 3.0)
    for start, stop in empty:
        o2[(time_s > start) & (time_s < stop)] = np.nan
    return START_S + time_s, {"o2": o2}


def silences(settings, jobs=1, **streams):
    """Probe, state and seconds from the start of every transition."""
    done = replay(settings, MemoryHistory(streams), jobs=jobs)
    assert not done.failed
    return [
        (one["probe"], one["state"], round(np.datetime64(one["updated_at"][:-1], "ms").astype(int) / 1000 - START_S))
        for one in done.alerts
    ]


AT = 20 * 3600.0
HOUR = (AT, AT + 3600.0)
ENDED_S = AT + 3600.0 + 3600.0  # off-delay of an hour


def test_a_probe_without_rows_while_its_line_is_heard_was_silent():
    found = silences(site(a="one", b="one"), a=rows(gaps=[HOUR]), b=rows(shift_s=7.0))
    assert found == [("a", "unacknowledged", AT + 360), ("a", "normal", ENDED_S)]


@pytest.mark.parametrize("later_s", [0.0, 2.0, 200.0])
def test_a_recorder_that_stops_is_no_outage_whoever_starts_first(later_s):
    gap = (AT, AT + 3600.0 + later_s)
    assert silences(site(a="one", b="one"), a=rows(gaps=[gap]), b=rows(gaps=[HOUR], shift_s=7.0)) == []


def test_a_probe_that_stopped_just_before_the_recorder_did_is_no_outage_and_one_long_before_is():
    for before_s, known in ((100.0, False), (400.0, True)):
        gap = (AT - before_s, AT + 3600.0)
        found = silences(site(a="one", b="one"), a=rows(gaps=[gap]), b=rows(gaps=[HOUR], shift_s=7.0))
        assert bool(found) is known


def test_another_line_says_nothing_of_a_probe():
    assert silences(site(a="one", b="two"), a=rows(gaps=[HOUR]), b=rows()) == []


def test_rows_with_nothing_in_them_are_an_outage_also_of_a_probe_alone():
    assert silences(site(a="one"), a=rows(empty=[HOUR])) == [
        ("a", "unacknowledged", AT + 300),
        ("a", "normal", ENDED_S),
    ]


def test_a_whole_line_with_nothing_in_its_rows_is_one_alert():
    found = silences(site(a="one", b="one"), a=rows(empty=[HOUR]), b=rows(empty=[(AT + 20.0, AT + 3600.0)]), jobs=1)
    assert [row[:2] for row in found] == [("a", "unacknowledged"), ("a", "normal")]


def test_a_probe_whose_rows_end_while_others_go_on_is_silent_to_the_end():
    found = silences(site(a="one", b="one"), a=rows(1.5), b=rows(2.0, shift_s=7.0))
    assert found == [("a", "unacknowledged", 1.5 * DAY_S - 30 + 360)]


def test_histories_that_begin_at_different_times_are_no_silence():
    time_s, signals = rows(2.0)
    late = (time_s + 1.25 * DAY_S, signals)
    assert silences(site(a="one", b="one"), a=rows(3.25), b=late) == []


def test_rows_that_are_rarer_than_a_silence_are_no_outage_and_a_day_without_them_is():
    slow = {"every_s": 900.0}
    assert silences(site(a="one"), a=rows(5.0, **slow)) == []
    assert silences(site(a="one", b="one"), a=rows(5.0, **slow), b=rows(5.0, shift_s=450.0, **slow)) == []
    gap = (DAY_S, 2 * DAY_S)
    found = silences(site(a="one", b="one"), a=rows(5.0, gaps=[gap], **slow), b=rows(5.0, **slow))
    assert [row[:2] for row in found] == [("a", "unacknowledged"), ("a", "normal")]


def test_an_outage_that_the_recorder_did_not_see_to_its_end_ends_with_the_next_value():
    stream = rows(gaps=[(AT + 1800.0, AT + 7200.0)], empty=[(AT, AT + 9000.0)])
    assert silences(site(a="one"), a=stream) == [
        ("a", "unacknowledged", AT + 300),
        ("a", "normal", AT + 9000.0 + 3600.0),
    ]


def test_the_share_without_data_counts_gaps_and_empty_rows_once():
    done = replay(site(a="one"), MemoryHistory({"a": rows(2.0, gaps=[HOUR], empty=[(30 * 3600.0, 36 * 3600.0)])}))
    assert done.probes["a"].blind_s == pytest.approx(7 * 3600.0, abs=61.0)
    assert json.dumps(done.alerts)
