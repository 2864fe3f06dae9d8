import numpy as np

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
