"""The settled value of a check."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.probe.settled import settled_value

CHECK = {"skip_s": 30.0, "flat_limit_per_min": 0.2, "min_window_s": 60.0, "temp_band_c": 3.0}


def check(
    rng: np.random.Generator, *, level_mv: float = -1.2, tau_s: float = 15.0, until_s: float = 240.0, sd: float = 0.05
):
    time = np.arange(0.0, until_s)
    mv = level_mv + 40 * np.exp(-time / tau_s) + rng.normal(0, sd, time.size)
    return time, mv, 700 + rng.normal(0, 0.3, time.size)


def test_the_level_comes_out_within_its_uncertainty() -> None:
    rng = np.random.default_rng(1)
    z = []
    for _ in range(100):
        level = rng.uniform(-2, 2)
        time, mv, temp = check(rng, level_mv=level)
        found = settled_value(time, np.round(mv, 1), temp, resolution=0.1, **CHECK)
        assert found.accepted, found.why_not
        assert found.start_s >= 30.0
        assert found.temp_c == pytest.approx(700.0, abs=0.2)
        z.append((found.value - level) / found.u)
    assert np.mean(np.abs(z) < 2) > 0.9


def test_the_uncertainty_never_falls_below_the_resolution() -> None:
    time = np.arange(200.0)
    found = settled_value(time, np.full(200, -1.0), resolution=0.5, **CHECK)
    assert found.value == -1.0
    assert found.u == pytest.approx(0.5 / math.sqrt(12))  # an even spread over one step


def test_correlated_noise_costs_more_than_white() -> None:
    rng = np.random.default_rng(2)
    kicks = rng.normal(0, 0.05, 300)
    slow = np.zeros(300)
    for i in range(1, 300):
        slow[i] = 0.9 * slow[i - 1] + kicks[i] * math.sqrt(1 - 0.81)
    time = np.arange(300.0)
    assert settled_value(time, slow, **CHECK).u > 2 * settled_value(time, kicks, **CHECK).u


def test_the_last_flat_window_counts_not_the_first() -> None:
    time = np.arange(0.0, 400.0)
    mv = np.where(time < 200, 5.0, -1.0) + np.random.default_rng(3).normal(0, 0.02, 400)
    found = settled_value(time, mv, **CHECK)
    assert found.value == pytest.approx(-1.0, abs=0.02)
    assert found.start_s >= 199.0


def test_one_spike_changes_nothing_much() -> None:
    time, mv, temp = check(np.random.default_rng(4))
    calm = settled_value(time, mv, temp, **CHECK)
    mv[150] += 30.0
    assert settled_value(time, mv, temp, **CHECK).value == pytest.approx(calm.value, abs=0.02)


def test_missing_samples_are_left_out() -> None:
    rng = np.random.default_rng(5)
    time, mv, temp = check(rng)
    mv[rng.random(mv.size) < 0.4] = np.nan
    found = settled_value(time, mv, temp, **CHECK)
    assert found.value == pytest.approx(-1.2, abs=0.05)


def test_a_temperature_that_is_not_read_is_not_judged() -> None:
    time, mv, _ = check(np.random.default_rng(6))
    assert settled_value(time, mv, np.full(time.size, np.nan), **CHECK).accepted


@pytest.mark.parametrize(
    ("mv", "temp", "reason"),
    [
        (lambda t: 0.02 * t, lambda t: 700 + 0 * t, "never flat"),
        (lambda t: 0 * t, lambda t: 650 + 0.2 * t, "cell temperature moved more than 3 K"),
        (lambda t: 20 * np.sin(t / 20), lambda t: 700 + 0 * t, "only where it turns"),
        (lambda t: np.where((t > 80) & (t < 200), np.nan, 0.0), lambda t: 700 + 0 * t, "gap"),
        (lambda t: np.where(t < 200, np.nan, 0.0), lambda t: 700 + 0 * t, "60 s are needed"),
        (lambda t: np.nan * t, lambda t: 700 + 0 * t, "0 samples"),
    ],
)
def test_what_did_not_settle_is_refused_with_a_reason(mv, temp, reason: str) -> None:
    time = np.arange(0.0, 240.0)
    found = settled_value(time, mv(time), temp(time), **CHECK)
    assert not found.accepted
    assert reason in found.why_not
    assert math.isnan(found.value)


def test_a_short_check_judges_nothing() -> None:
    time, mv, temp = check(np.random.default_rng(7), until_s=80.0)
    assert "60 s are needed" in settled_value(time, mv, temp, **CHECK).why_not


@pytest.mark.parametrize("name", ["flat_limit_per_min", "min_window_s", "temp_band_c", "skip_s"])
def test_a_setting_out_of_range_is_named(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        settled_value([0.0], [0.0], **{**CHECK, name: -1.0})
    with pytest.raises(ValueError, match=name):
        settled_value([0.0], [0.0], **{**CHECK, name: math.nan})


@settings(max_examples=150, deadline=None)
@given(st.lists(st.one_of(st.floats(-5, 5), st.floats()), max_size=80), st.sampled_from([1.0, 5.0]))
def test_no_data_makes_it_fail(values: list[float], period_s: float) -> None:
    found = settled_value(np.arange(len(values)) * period_s, values, **CHECK)
    if found.accepted:
        assert math.isfinite(found.value)
        assert found.u >= 0
