"""Exponential fits on made data; certified sets are in tests/outside."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.exponential import fit_decays, fit_saturation


def test_a_decay_on_a_floor_comes_back_with_an_honest_uncertainty() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.0)
    z = []
    for _ in range(80):
        fit = fit_decays(t, 2.0 + 5.0 * np.exp(-t / 12.0) + rng.normal(0, 0.1, t.size))
        assert fit.accepted
        z.append((fit.rates[0] - 1 / 12.0) / fit.u_rates[0])
    assert np.std(z) == pytest.approx(1.0, abs=0.25)
    assert abs(np.mean(z)) < 0.4


def test_a_known_floor_saves_a_short_record() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 8.0, 0.2)
    y = 5.0 * np.exp(-t / 12.0) + rng.normal(0, 0.02, t.size)
    free, fixed = fit_decays(t, y), fit_decays(t, y, floor=0.0)
    assert fixed.rates[0] == pytest.approx(1 / 12.0, rel=0.03)
    assert fixed.u_rates[0] < 0.2 * free.u_rates[0]
    assert fixed.u_floor == 0.0


def test_a_late_origin_is_no_matter() -> None:
    t = 1.79e9 + np.arange(0.0, 60.0)
    fit = fit_decays(t, 2.0 + 5.0 * np.exp(-(t - t[0]) / 12.0))
    assert (fit.origin, fit.floor, fit.amplitudes[0], 1 / fit.rates[0]) == pytest.approx((t[0], 2.0, 5.0, 12.0))


@pytest.mark.parametrize(
    ("t", "y", "reason"),
    [
        ([], [], "0 times"),
        ([1.0], [1.0], "1 times"),
        ([0.0, 1.0, 2.0, math.nan], [1.0, 2.0, 3.0, 4.0], "3 times for 3 unknowns"),
        (list(range(20)), [1.0] * 20, "do not change"),
        (list(range(20)), list(range(20)), "ran to a bound"),
    ],
)
def test_what_shows_no_exponential_says_why(t: list[float], y: list[float], reason: str) -> None:
    fit = fit_decays(t, y)
    assert not fit.accepted
    assert reason in fit.why_not


def test_settings_out_of_range_are_refused() -> None:
    t = np.arange(9.0)
    with pytest.raises(ValueError, match="terms must be 1, 2 or 3"):
        fit_decays(t, t, terms=4)
    with pytest.raises(ValueError, match="start_rates must be 1 values > 0"):
        fit_decays(t, t, start_rates=(1.0, 2.0))
    with pytest.raises(ValueError, match="rate_bounds"):
        fit_decays(t, t, rate_bounds=(1.0, 0.5))
    with pytest.raises(ValueError, match="share one shape"):
        fit_saturation(t, t[:-1])
    assert not fit_saturation([0.0, 0.0], [1.0, 1.0]).accepted


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-100, 100), st.just(math.nan)), max_size=25))
def test_any_values_are_taken(values: list[float]) -> None:
    for fit in (fit_decays(np.arange(len(values)), values), fit_saturation(np.arange(len(values)), values)):
        if fit.accepted:
            assert math.isfinite(fit.rates[0])
            assert math.isfinite(fit.rss)
