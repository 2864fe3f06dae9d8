"""Shares from counted samples."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.stats.proportion import duty_interval, effective_n, wilson


@settings(deadline=None)
@given(st.integers(0, 500), st.integers(0, 500), st.floats(0.5, 0.99))
def test_the_interval_holds_the_share_and_stays_inside_0_and_1(hits: int, misses: int, confidence: float) -> None:
    low, high = wilson(hits, hits + misses, confidence=confidence)
    assert 0.0 <= low <= high <= 1.0
    if hits + misses:
        assert low - 1e-12 <= hits / (hits + misses) <= high + 1e-12


# n (1 - r) / (1 + r) for 600 samples, by hand
@pytest.mark.parametrize(("r", "n_eff"), [(0.5, 200.0), (0.8, 66.667), (0.9, 31.579), (-0.3, 600.0)])
def test_dependent_samples_are_worth_less(r: float, n_eff: float) -> None:
    assert effective_n(600, r) == pytest.approx(n_eff, abs=5e-4)


def test_the_duty_of_a_sampled_relay_lies_in_its_interval_as_often_as_promised() -> None:
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        # A relay that switches with probabilities 0.06 and 0.04 a poll: duty 0.4, lag-1 correlation 0.9.
        on, state = np.empty(600), float(rng.random() < 0.4)
        for i, draw in enumerate(rng.random(600)):
            state = float(draw >= 0.06) if state else float(draw < 0.04)
            on[i] = state
        _, low, high = duty_interval(on)
        inside += low <= 0.4 <= high
    assert inside / 300 == pytest.approx(0.95, abs=0.04)


def test_no_sample_tells_nothing() -> None:
    duty, low, high = duty_interval([math.nan, math.nan])
    assert math.isnan(duty)
    assert (low, high) == (0.0, 1.0)
    assert wilson(0, 0) == (0.0, 1.0)


def test_always_on_is_not_certainly_always_on() -> None:
    duty, low, high = duty_interval(np.ones(600))
    assert (duty, high) == (1.0, 1.0)
    assert 0.99 < low < 1.0


def test_bad_input_is_refused() -> None:
    with pytest.raises(ValueError, match="0 <= hits <= n"):
        wilson(5, 4)
    with pytest.raises(ValueError, match="confidence"):
        wilson(1, 4, confidence=0.0)
    with pytest.raises(ValueError, match="-1 < r < 1"):
        effective_n(5, 1.0)
