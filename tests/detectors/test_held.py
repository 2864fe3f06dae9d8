"""A condition that must hold: two votes of three, a duration, holes, and a release of its own."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor, HeldState, RuleState, held
from tests.detector_kit import naive_held

RULE = HeldFor(hold_s=60.0, release_s=30.0, max_gap_s=100.0)


def run(rule, time_s, on, off, cuts=(), breaks=None, restart=False):
    state, found = HeldState(), []
    for a, b in pairwise([0, *sorted({min(c, len(time_s)) for c in cuts}), len(time_s)]):
        part = None if breaks is None else breaks[a:b]
        found += [
            (time_s[a + c.row], c.active, c.since_s) for c in held(rule, state, time_s[a:b], on[a:b], off[a:b], part)
        ]
        if restart:
            saved = RuleState.from_dict(json.loads(json.dumps(RuleState().to_dict())))
            assert saved.seen_s is None
            state = HeldState(**json.loads(json.dumps({name: getattr(state, name) for name in HeldState.__slots__})))
    return found, state


@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(0, 300), max_size=40), restart=st.booleans())
@settings(max_examples=150, deadline=None)
def test_any_cut_gives_the_definition(seed, cuts, restart):
    rng = np.random.default_rng(seed)
    n = 300
    time_s = 1e9 + np.cumsum(rng.choice([1.0, 10.0, 30.0, 200.0], n, p=[0.3, 0.5, 0.17, 0.03]))
    level = np.repeat(rng.choice([-1, 0, 1], n // 10), 10)
    level = np.where(rng.random(n) < 0.15, rng.choice([-1, 0, 1], n), level)
    breaks = rng.random(n) < 0.03
    rule = HeldFor(
        hold_s=float(rng.choice([0.0, 40.0, 90.0])), release_s=float(rng.choice([0.0, 30.0])), max_gap_s=100.0
    )
    for broken in (None, breaks):
        whole, end = run(rule, time_s, level == 1, level == -1, breaks=broken)
        assert whole == naive_held(rule, time_s, level == 1, level == -1, broken)
        pieces, last = run(rule, time_s, level == 1, level == -1, cuts, broken, restart)
        assert pieces == whole
        assert last == end


def steady(n, step=10.0):
    return 1e9 + step * np.arange(n)


def test_a_lone_sample_neither_starts_nor_breaks_and_alternation_never_holds():
    t = steady(100)
    on = np.zeros(100, bool)
    on[20] = True
    assert run(RULE, t, on, ~on)[0] == []
    on[30:50] = True
    on[40] = False
    assert [(a - 1e9, b) for a, b, _ in run(RULE, t, on, ~on)[0]] == [(370.0, True), (540.0, False)]
    assert run(RULE, t, np.arange(100) % 2 == 0, np.zeros(100, bool))[0] == []


def test_the_duration_is_met_exactly():
    t = steady(20)
    for last, expected in ((6, 0), (7, 1)):  # voted from sample 1 to one after the last; 60 s later is sample 7
        on = np.arange(20) < last
        assert len(run(RULE, t, on, np.zeros(20, bool))[0]) == expected


def test_a_hole_ends_a_run_but_not_what_was_found():
    t = steady(40)
    t[5:] += 1000.0
    on = np.ones(40, bool)
    assert [a - 1e9 for a, _, _ in run(RULE, t, on, ~on)[0]] == [1120.0]
    t = steady(40)
    t[20:] += 1e6
    assert [b for _, b, _ in run(RULE, t, np.arange(40) < 20, np.arange(40) >= 30)[0]] == [True, False]


def test_slow_polls_need_three_samples():
    t = steady(5, 90.0)
    assert [a - 1e9 for a, _, _ in run(RULE, t, np.ones(5, bool), np.zeros(5, bool))[0]] == [270.0]


@pytest.mark.parametrize("name", ["hold_s", "release_s", "max_gap_s", "least"])
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        HeldFor(**{"hold_s": 1.0, "release_s": 1.0, name: float("nan")})
