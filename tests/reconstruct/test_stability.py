import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.reconstruct.options import EpisodeOptions
from agent.reconstruct.stability import Stability


def test_two_hours_at_the_set_point_make_a_probe_stable():
    time_s = np.arange(0.0, 4 * 3600, 600.0)
    temp = np.where(time_s < 3600, 600.0, 700.0)
    stable = Stability(EpisodeOptions()).run(time_s, temp, np.full(time_s.size, 700.0))
    assert time_s[stable][0] == 3000.0 + 7200.0  # last seen off at 3000 s


def test_a_missing_temperature_decides_nothing_and_a_long_silence_starts_anew():
    time_s = np.array([0.0, 600, 1200, 8400, 8460, 8520 + 7200])
    time_s = np.concatenate((np.arange(0.0, 9000, 600), [20000.0, 20060.0]))
    temp = np.full(time_s.size, 700.0)
    temp[5] = np.nan
    stable = Stability(EpisodeOptions()).run(time_s, temp, np.full(time_s.size, 700.0))
    assert stable[:12].sum() == 0
    assert stable[12:15].all()
    assert not stable[15:].any()


def run(time_s, temp, cuts=()):
    """Through any cuts, saved and restored at each."""
    one, out = Stability(EpisodeOptions()), []
    for head, end in pairwise([0, *sorted(cuts), time_s.size]):
        out.append(one.run(time_s[head:end], temp[head:end], np.full(end - head, 700.0)))
        one = Stability(EpisodeOptions(), json.loads(json.dumps(one.to_dict())))
    return np.concatenate(out)


@pytest.mark.parametrize(("took_s", "rest_s"), [(0, 600), (120, 1080), (300, 1800), (1200, 5400), (3600, 7200)])
def test_an_excursion_asks_for_ten_minutes_and_four_times_its_length_of_rest(took_s, rest_s):
    time_s = np.arange(0.0, 8 * 3600, 60.0)
    temp = np.where((time_s >= 10800) & (time_s <= 10800 + took_s), 690.0, 700.0)
    stable = run(time_s, temp)
    assert stable[(time_s >= 7200) & (time_s < 10800)].all()
    after = time_s[stable & (time_s > 10800)]
    assert after[0] == 10800 + took_s + rest_s


def test_excursions_without_a_rest_between_them_add_up_and_an_hourly_blowback_is_none():
    time_s = np.arange(0.0, 48 * 3600, 60.0)
    restless = np.where((time_s > 8000) & (time_s % 900 < 400), 690.0, 700.0)
    assert not run(time_s, restless)[time_s > 8000 + 900].any()
    blown = np.where(time_s % 3600 < 180, 690.0, 700.0)
    assert run(time_s, blown)[time_s > 8000].mean() > 0.6


@given(
    seed=st.integers(0, 1000),
    cuts=st.lists(st.integers(0, 400), max_size=6),
    step_s=st.sampled_from([10.0, 300.0, 700.0, 2000.0]),
)
@settings(max_examples=40, deadline=None)
def test_any_cut_any_restart_any_gaps_and_missing_values_give_the_same(seed, cuts, step_s):
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.exponential(step_s, 400) + 1.0)
    temp = 700 + rng.choice([0.0, 20.0, np.nan, np.inf], 400, p=[0.86, 0.06, 0.06, 0.02])
    assert np.array_equal(run(time_s, temp, cuts), run(time_s, temp))


def test_a_restart_changes_nothing():
    rng = np.random.default_rng(0)
    time_s = np.arange(0.0, 24 * 3600, 300.0)
    temp = 700 + rng.choice([0.0, 20.0], time_s.size, p=[0.98, 0.02])
    set_point = np.full(time_s.size, 700.0)
    whole = Stability(EpisodeOptions()).run(time_s, temp, set_point)
    one = Stability(EpisodeOptions())
    head = one.run(time_s[:100], temp[:100], set_point[:100])
    tail = Stability(EpisodeOptions(), one.to_dict()).run(time_s[100:], temp[100:], set_point[100:])
    assert np.array_equal(np.concatenate((head, tail)), whole)
