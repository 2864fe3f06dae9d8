"""Later samples, a pace and windows: the same however the stream is cut."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.samples import first_of_each, flags_of, known, later, windows


@given(seed=st.integers(0, 1000), cuts=st.lists(st.integers(0, 200), max_size=10))
@settings(max_examples=60, deadline=None)
def test_any_cut_leaves_the_same_samples_cells_and_windows(seed, cuts):
    rng = np.random.default_rng(seed)
    t = 1e6 + np.cumsum(rng.choice([1.0, 7.0, 30.0, 0.0, -3.0, 5000.0], 200, p=[0.5, 0.3, 0.1, 0.04, 0.04, 0.02]))
    t[rng.random(200) < 0.03] = np.nan
    t[rng.random(200) < 0.01] = np.inf

    def run(cuts):
        seen, cell, open_rows = None, None, [[], []]
        left, firsts, done = [], [], []
        for a, b in pairwise([0, *sorted(cuts), 200]):
            at_s, x = later(seen, t[a:b], np.arange(200.0)[a:b])
            seen = float(at_s[-1]) if at_s.size else seen
            left += at_s.tolist()
            index, cell = first_of_each(10.0, cell, at_s)
            firsts += at_s[index].tolist()
            done += [(s, r.tolist()) for s, r in windows(60.0, open_rows, np.array([at_s[index], x[index]]))]
        return left, firsts, done, open_rows

    whole = run([])
    assert run(cuts) == whole
    best, expected = -np.inf, []
    for one in t:
        if np.isfinite(one) and one > best:
            best = one
            expected.append(one)
    assert whole[0] == expected
    cells = {}
    for one in expected:
        cells.setdefault(one // 10.0, one)
    assert whole[1] == list(cells.values())
    assert [row for _, rows in whole[2] for row in rows[0]] + whole[3][0] == whole[1]


def test_flags_and_known():
    assert flags_of(np.array([0.0, 1.0, np.nan])).tolist() == [False, True, False]
    assert known(np.ones(3)) is None
    assert known(np.ones(2), np.array([1.0, np.inf])).tolist() == [True, False]
