"""Trends over days: when one is told, and when its date."""

import numpy as np
import pytest

from detectors.day_trend import KEPT, DayMeans, Reach, day_trend

DAY = 86400.0
HOW = {"min_points": 6, "min_days": 30.0, "max_p": 0.01}
UP = Reach(limit=5.0)


def test_means_run_by_utc_day_and_stay_bounded():
    means = DayMeans()
    for at_s, value in ((0.0, 1.0), (5.0, 3.0), (DAY, 7.0), (3.0, 9.0)):
        means.add(at_s, value)
    assert (means.day, means.count, means.mean) == ([0, 1], [2, 2], [2.0, 8.0])
    for day in range(2, 400):
        means.add(day * DAY, 0.0)
    assert (len(means.day), means.day[-1]) == (KEPT, 399)
    means.add(740 * DAY, 1.0)  # all but what lies within a year is gone
    assert means.day == [*range(375, 400), 740]


def test_a_clean_line_reaches_its_limit_on_its_day():
    day = np.arange(0.0, 50.0, 5.0)
    found = day_trend(day, 0.05 * day, **HOW, reach=UP)
    assert found.slope_per_day == pytest.approx(0.05)
    # 0.05 a day reaches 5 on day 100; a day's mean stands for its noon.
    assert found.earliest_s / DAY == pytest.approx(100.5, abs=0.2)
    assert found.latest_s / DAY == pytest.approx(100.5, abs=0.2)


def test_a_fall_reaches_a_limit_on_both_sides_only():
    day = np.arange(0.0, 50.0, 5.0)
    assert day_trend(day, -0.05 * day, **HOW, reach=UP).earliest_s is None
    both = day_trend(day, -0.05 * day, **HOW, reach=Reach(limit=5.0, both_sides=True))
    assert both.latest_s / DAY == pytest.approx(100.5, abs=0.2)


def test_there_is_no_date_once_the_limit_is_passed_or_lies_beyond_ten_years():
    day = np.arange(0.0, 50.0, 5.0)
    assert day_trend(day, 6.0 + 0.05 * day, **HOW, reach=UP).earliest_s is None
    assert day_trend(day, 0.0005 * day, **HOW, reach=UP).earliest_s is None


@pytest.mark.parametrize("n", [0, 1, 5])
def test_too_few_points_too_short_a_time_or_no_trend_are_none(n):
    day = np.arange(0.0, 10.0 * n, 10.0)
    assert day_trend(day, day, **HOW, reach=UP) is None
    assert day_trend(np.arange(20.0), np.arange(20.0), **HOW, reach=UP) is None
    assert day_trend(np.arange(60.0), np.zeros(60), **HOW, reach=UP) is None


def test_correlated_noise_is_rarely_called_a_trend():
    called = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        x = [0.0]
        for e in rng.normal(0.0, 1.0, 59):
            x.append(0.7 * x[-1] + e)
        called += day_trend(np.arange(60.0), np.array(x), **HOW, reach=UP) is not None
    # 1 % nominal; without the widening it is about a fifth at rho 0.7.
    assert called <= 6
