"""Rank trend against the definitions written out, and dates against simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.trend import date_range, mann_kendall, residual_inflation, theil_sen

points = st.lists(st.tuples(st.integers(0, 30), st.integers(-9, 9)), max_size=15)


@settings(deadline=None)
@given(points)
def test_s_and_the_slope_equal_their_definitions(pairs: list[tuple[int, int]]) -> None:
    t, y = [float(a) for a, _ in pairs], [float(b) for _, b in pairs]
    n = len(pairs)
    s = sum(np.sign(y[j] - y[i]) for i in range(n) for j in range(i + 1, n))
    found = mann_kendall(y)
    assert found.s == (s if n >= 3 and len(set(y)) > 1 else 0)
    slopes = [(y[j] - y[i]) / (t[j] - t[i]) for i in range(n) for j in range(i + 1, n) if t[i] != t[j]]
    line = theil_sen(t, y)
    if slopes:
        assert line.slope == pytest.approx(np.median(slopes))
        assert line.low <= line.slope + 1e-12
        assert line.high >= line.slope - 1e-12
    else:
        assert math.isnan(line.slope)


def test_only_uneven_times_tell_a_slope_per_time_from_one_per_index() -> None:
    t = np.array([0.0, 1.0, 10.0, 11.0, 40.0, 90.0])
    assert theil_sen(t, 0.3 * t + 2).slope == pytest.approx(0.3)
    assert theil_sen(t, 0.3 * t + 2).intercept == pytest.approx(2.0)


def test_a_wild_value_moves_the_line_little() -> None:
    t = np.arange(20.0)
    y = 0.5 * t
    y[7] = 1e6
    assert theil_sen(t, y).slope == pytest.approx(0.5, abs=1e-9)


def test_widening_widens() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(30.0)
    y = 0.02 * t + rng.normal(0, 1, 30)
    plain, wide = theil_sen(t, y), theil_sen(t, y, widen_by=4.0)
    assert wide.low < plain.low < plain.slope == wide.slope < plain.high < wide.high
    assert mann_kendall(y, widen_by=4.0).p > mann_kendall(y).p
    for call in (lambda: mann_kendall(y, widen_by=0.5), lambda: theil_sen(t, y, widen_by=0.5)):
        with pytest.raises(ValueError, match="widen_by must be >= 1"):
            call()


def test_correlated_noise_without_a_trend_is_not_taken_for_one() -> None:
    rng = np.random.default_rng(2)
    plain = widened = 0
    for _ in range(150):
        y, value = np.empty(60), rng.normal()
        for i, kick in enumerate(rng.normal(0, math.sqrt(1 - 0.36), 60)):
            value = 0.6 * value + kick
            y[i] = value
        plain += mann_kendall(y).p < 0.05
        widened += mann_kendall(y, widen_by=residual_inflation(np.arange(60.0), y)).p < 0.05
    assert plain / 150 > 0.2  # four times what it claims
    assert widened / 150 < 0.12


def test_an_80_pct_range_holds_the_date_in_80_of_100() -> None:
    rng = np.random.default_rng(3)
    inside, runs = 0, 400
    for _ in range(runs):
        t = np.sort(rng.uniform(0, 60, 14))
        found = date_range(theil_sen(t, 0.05 * t + rng.normal(0, 0.5, 14), confidence=0.8), 5.0, now=60.0)
        assert found is not None
        inside += found.earliest <= 100.0 <= found.latest
        assert found.earliest <= found.middle <= found.latest
    assert inside / runs == pytest.approx(0.8, abs=0.07)  # 3.5 sigma of 400 draws


def test_no_trend_no_date() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(20.0)
    found = [date_range(theil_sen(t, rng.normal(0, 1, 20)), 50.0, now=20.0) for _ in range(100)]
    assert any(each is None for each in found)
    assert all(each is None or math.isinf(each.latest) or each.latest > 100 for each in found)
    assert date_range(theil_sen(t, np.zeros(20)), 5.0, now=20.0) is None
    assert date_range(theil_sen(t, -t), 5.0, now=20.0) is None  # the line leads away
    assert date_range(theil_sen([], []), 5.0, now=20.0) is None
    assert date_range(theil_sen(t, t), math.nan, now=20.0) is None


def test_a_limit_below_is_reached_by_a_falling_line() -> None:
    t = np.arange(20.0)
    found = date_range(theil_sen(t, -0.1 * t), -5.0, now=20.0)
    assert found is not None
    assert (found.earliest, found.middle, found.latest) == pytest.approx((50.0, 50.0, 50.0))


def test_a_limit_already_passed_is_reached_now() -> None:
    t = np.arange(20.0)
    found = date_range(theil_sen(t, t), 15.0, now=20.0)
    assert found is not None
    assert found.earliest == found.middle == found.latest == 20.0


def test_bad_input_is_refused() -> None:
    with pytest.raises(ValueError, match="share one shape"):
        theil_sen([1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="confidence"):
        theil_sen([1.0], [1.0], confidence=1.0)
    with pytest.raises(ValueError, match="at most 2000"):
        mann_kendall(np.arange(2001.0))


@settings(deadline=None)
@given(st.lists(st.floats(), max_size=12))
def test_any_values_are_taken(values: list[float]) -> None:
    values = [v if abs(v) < 1e150 or not math.isfinite(v) else 0.0 for v in values]
    assert 0 <= mann_kendall(values).p <= 1
    theil_sen(np.arange(float(len(values))), values)
