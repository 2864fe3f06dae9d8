"""Checks and the ways back from them, cut out of a stream."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.reconstruct.episodes import TRIES_S, Check, Episodes, RecoveryWindow, Trace
from agent.reconstruct.mode import CODES, ModeTrack
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions


def stream(*spells, step_s=5.0):
    """Trace and modes of spells (mode, seconds, O2 fraction) one after the other; None is a hole in the polling."""
    times, gas, code, at_s = [], [], [], 0.0
    for mode, seconds, frac in spells:
        count = round(seconds / step_s)
        if mode is not None:
            times += [at_s + step_s * i for i in range(count)]
            gas += [frac] * count
            code += [CODES[mode]] * count
        at_s += seconds
    time_s, o2 = np.array(times), np.array(gas)
    nan = np.full(time_s.size, np.nan)
    ones = np.ones(time_s.size)
    trace = Trace(time_s, 100 * o2, nan, o2, np.full(time_s.size, 700.0), nan, nan, nan, ones)
    return trace, np.array(code, np.int8)


def run(trace, code, *, presumed=False, cuts=(), restored=False, options=None):
    options = EpisodeOptions() if options is None else options
    one, out = Episodes(options), []
    edges = [0, *sorted(cut % (code.size + 1) for cut in cuts), code.size]
    for head, end in pairwise(edges):
        flags = np.full(end - head, presumed) & (code[head:end] == CODES[Mode.AIR_CHECK])
        out += one.add(trace.rows(head, end), ModeTrack(code[head:end], flags))
        if restored:
            one = Episodes(options, json.loads(json.dumps(one.to_dict(), allow_nan=False)))
    return out, one


SERVICE, AIR, BACK = Mode.IN_SERVICE, Mode.AIR_CHECK, Mode.RECOVERY
ONE_CHECK = ((SERVICE, 300, 0.03), (AIR, 60, 0.209), (BACK, 600, 0.04), (SERVICE, 300, 0.03))


def test_a_check_is_given_out_when_it_has_ended_with_all_its_samples_and_the_gas_before():
    out, _ = run(*stream(*ONE_CHECK))
    check = out[0]
    assert isinstance(check, Check)
    assert (check.kind, check.start_s, check.end_s) == (AIR, 300.0, 355.0)
    assert check.trace.time_s.tolist() == list(np.arange(300.0, 360.0, 5.0))
    assert check.before_frac == pytest.approx(0.03)


def test_the_way_back_is_given_out_at_fixed_times_and_says_which_is_the_last():
    out, one = run(*stream(*ONE_CHECK))
    windows = [each for each in out if isinstance(each, RecoveryWindow)]
    assert [window.until_s - window.from_s for window in windows] == list(TRIES_S)
    assert [window.last for window in windows] == [False] * 4 + [True]
    assert all(window.trace.time_s[-1] <= window.until_s for window in windows)
    assert {(window.from_s, window.before_frac) for window in windows} == {(360.0, 0.03)}
    assert not one.open


def test_a_way_back_that_the_next_check_breaks_off_goes_no_further():
    out, _ = run(*stream((SERVICE, 300, 0.03), (AIR, 60, 0.209), (BACK, 200, 0.04), (AIR, 60, 0.209), (BACK, 65, 0.03)))
    windows = [each for each in out if isinstance(each, RecoveryWindow)]
    assert [(window.from_s, window.until_s) for window in windows] == [(360.0, 420.0), (360.0, 480.0), (620.0, 680.0)]


def test_gas_of_an_earlier_check_is_not_taken_for_the_process_before():
    # A blowback right on the end of an air check: what the gas returns to is what was there before both.
    out, _ = run(*stream((SERVICE, 300, 0.03), (AIR, 60, 0.209), (Mode.BLOWBACK, 20, 0.209), (BACK, 65, 0.03)))
    assert [each.before_frac for each in out] == pytest.approx([0.03, 0.03, 0.03])


def test_a_hole_in_the_polling_ends_a_check_and_there_is_no_way_back_to_judge():
    out, _ = run(
        *stream(
            (SERVICE, 300, 0.03),
            (AIR, 60, 0.209),
            (None, 400, 0),
            (AIR, 60, 0.209),
            (None, 400, 0),
            (SERVICE, 700, 0.03),
        )
    )
    assert [(type(each), each.end_s) for each in out] == [(Check, 355.0), (Check, 815.0)]


def test_a_presumed_check_of_a_moment_is_none():
    trace, code = stream((SERVICE, 300, 0.03), (AIR, 3, 0.209), (SERVICE, 300, 0.03), step_s=1.0)
    assert run(trace, code, presumed=True)[0] == []
    assert len(run(trace, code)[0]) > 0  # a flagged one is one, however short


def test_only_the_last_minutes_are_kept():
    trace, code = stream((SERVICE, 86_400, 0.03))
    _, one = run(trace, code, cuts=range(0, code.size, 7))
    assert len(one.to_dict()["held"]["time_s"]) <= 120 / 5 + 1


LONG = (
    (SERVICE, 200, 0.031), (AIR, 60, 0.209), (BACK, 100, 0.04), (Mode.BLOWBACK, 20, 0.2), (BACK, 400, 0.03),
    (None, 350, 0), (AIR, 40, 0.209), (None, 400, 0), (AIR, 40, 0.209), (BACK, 130, 0.05), (Mode.UNKNOWN, 20, np.nan),
    (SERVICE, 100, 0.03), (Mode.TEST_GAS, 100, 0.02), (BACK, 600, 0.03), (SERVICE, 50, 0.03),
)  # fmt: skip


def same(a, b):
    """Two lists of episodes, NaN equal to itself."""
    return [repr(each).replace("\n", "") for each in a] == [repr(each).replace("\n", "") for each in b]


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 1000), max_size=12), restored=st.booleans())
def test_any_cut_and_any_restart_give_the_same_episodes(cuts, restored):
    trace, code = stream(*LONG)
    with np.printoptions(threshold=10_000, floatmode="unique"):
        assert same(run(trace, code, cuts=cuts, restored=restored)[0], run(trace, code)[0])


@pytest.mark.parametrize("cuts", [(), (70, 75, 90), range(0, 300, 7)])
def test_a_flag_that_outlasts_its_gas_is_cut_where_the_gas_left(cuts):
    trace, code = stream((SERVICE, 300, 0.03), (AIR, 60, 0.209), (AIR, 300, 0.03), (BACK, 400, 0.03))
    out, _ = run(trace, code, cuts=cuts, restored=bool(cuts))
    check, *windows = out
    assert (check.start_s, check.end_s, check.trace.time_s[-1]) == (300.0, 355.0, 355.0)
    assert [(window.from_s, window.until_s - 355.0) for window in windows] == [(355.0, tried) for tried in TRIES_S]
    assert all(window.trace.o2_frac[0] == 0.209 for window in windows)
