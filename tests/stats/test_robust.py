"""Robust location and scale against definitions written out."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.robust import MAD_TO_SIGMA, hampel_outliers, huber_location, mad_sigma, weighted_median

finite = st.floats(-1e6, 1e6)


def test_the_factor_from_mad_to_sigma_is_the_usual_one() -> None:
    assert pytest.approx(1.4826022, abs=1e-7) == MAD_TO_SIGMA  # 1 / z(0.75)


def test_mad_of_a_small_set_by_hand() -> None:
    assert mad_sigma([1, 1, 2, 2, 4, 6, 9, math.nan]) == pytest.approx(1.482602)  # median 2, deviations 1 1 0 0 2 4 7


@settings(deadline=None)
@given(st.lists(st.one_of(finite, st.just(math.nan)), max_size=40), st.integers(1, 4))
def test_hampel_equals_its_definition(values: list[float], half: int) -> None:
    x = np.asarray(values, dtype=float)
    known = x[np.isfinite(x)]
    expected = []
    for i in range(known.size):
        window = known[max(i - half, 0) : i + half + 1]
        sigma = 1.4826022185056018 * np.median(np.abs(window - np.median(window)))
        expected.append(known.size >= 3 and abs(known[i] - np.median(window)) > max(6 * sigma, 0.5))
    found = hampel_outliers(x, half_width=half, floor=0.5)
    assert not found[~np.isfinite(x)].any()
    np.testing.assert_array_equal(found[np.isfinite(x)], np.asarray(expected, dtype=bool))


def test_one_spike_is_found_and_nothing_else() -> None:
    x = np.sin(np.arange(50) / 8)
    x[20] = 40.0
    assert np.flatnonzero(hampel_outliers(x, floor=0.1)).tolist() == [20]


def test_a_window_needs_neighbours() -> None:
    with pytest.raises(ValueError, match="half_width must be >= 1"):
        hampel_outliers([1.0, 2.0], half_width=0)


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(1, 6)), min_size=1, max_size=30))
def test_a_weight_counts_as_so_many_copies(pairs: list[tuple[int, int]]) -> None:
    copies = np.repeat([v for v, _ in pairs], [w for _, w in pairs])
    assert weighted_median([v for v, _ in pairs], [w for _, w in pairs]) == np.median(copies)


def test_no_weight_no_median() -> None:
    assert math.isnan(weighted_median([1.0, math.nan], [0.0, 1.0]))


def test_huber_follows_the_mean_of_clean_data_and_not_the_outlier() -> None:
    x = np.random.default_rng(1).normal(5.0, 1.0, 400)
    assert huber_location(x) == pytest.approx(x.mean(), abs=0.05)
    assert huber_location(np.append(x, [1e6] * 20)) == pytest.approx(5.0, abs=0.25)
    assert huber_location([1.0, 1.0, 1.0, 9.0]) == 1.0
    assert math.isnan(huber_location([]))
