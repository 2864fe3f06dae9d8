from itertools import pairwise

import numpy as np
import pytest

from agent.reconstruct.windows import WindowMeans

TIME = np.array([0.0, 20, 40, 60, 100, 190, 200, 240])
VALUE = np.array([1.0, 3, np.nan, 5, 7, 11, 13, 0])
USABLE = np.array([True, True, True, True, False, True, True, True])


def test_windows_close_when_a_later_sample_comes():
    closed = WindowMeans(60.0, ("x",)).add(TIME, {"x": VALUE}, USABLE)
    assert closed.start_s.tolist() == [0.0, 60.0, 180.0]
    assert closed.mean[:, 0] == pytest.approx([2.0, 5.0, 12.0])
    assert closed.usable == pytest.approx([1.0, 0.5, 1.0])
    assert closed.count[:, 0].tolist() == [2, 1, 2]


def test_time_alone_closes_a_window_once():
    one = WindowMeans(60.0, ("x",))
    one.add(TIME, {"x": VALUE}, USABLE)
    assert one.advance(299.9).start_s.size == 0
    assert one.advance(300.0).start_s.tolist() == [240.0]
    assert one.advance(900.0).start_s.size == 0


@pytest.mark.parametrize("cut", range(9))
def test_any_cut_gives_the_same_windows_to_the_last_bit(cut):
    rng = np.random.default_rng(2)
    time_s = np.sort(rng.uniform(0, 600, 200))
    value = rng.normal(size=200)
    usable = rng.random(200) > 0.2
    whole = WindowMeans(60.0, ("x",)).add(time_s, {"x": value}, usable)
    one = WindowMeans(60.0, ("x",))
    edges = [0, *sorted(rng.integers(0, 200, cut).tolist()), 200]
    parts = []
    for low, high in pairwise(edges):
        one = WindowMeans(60.0, ("x",), one.to_dict())
        parts.append(one.add(time_s[low:high], {"x": value[low:high]}, usable[low:high]))
    assert np.concatenate([part.start_s for part in parts]).tolist() == whole.start_s.tolist()
    assert np.array_equal(np.concatenate([part.mean for part in parts]), whole.mean, equal_nan=True)
