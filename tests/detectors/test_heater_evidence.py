"""How surely a heater's demand is beyond what health, weather and supply would do."""

import numpy as np
import pytest

from detectors.baseline import Baseline
from detectors.heater_evidence import HEALTHY_BUT_DAYS, Level, Unmeasured, evidence, sampling_u

BASELINE = Baseline(
    level=np.log(0.4), names=("flue_temp_c",), coef=(-0.002,), centre=(300.0,), low=(290.0,), high=(310.0,),
    cov=((2e-5, 0.0), (0.0, 4e-7)), scatter=0.012, rho=0.5, points=21,
)  # fmt: skip
SLOW = Unmeasured(level=0.03, season=0.04)


def level(day, residual, days=14, away=0.0):
    return Level(day=day, residual=residual, days=days, away=(away,))


def ask(past, window, unmeasured=SLOW, **how):
    return evidence(BASELINE, 0.0, past, window, unmeasured=unmeasured, rho=0.5, **how)


def covariance(day):
    """The model of the docstring, written out pair by pair."""
    out = np.empty((day.size, day.size))
    for i, a in enumerate(day):
        for j, b in enumerate(day):
            lag = abs(a - b)
            out[i, j] = 0.03**2 * np.exp(-lag / 30.0)
            out[i, j] += 0.5 * 0.04**2 * np.cos(2 * np.pi * lag / 365.25) * np.exp(-lag / 365.25)
    return out


def test_the_learning_days_alone_leave_the_variance_of_a_difference_of_two_draws():
    found = ask([], level(100.0, 0.1))
    slow = 2.0 * 0.03**2 * (1.0 - np.exp(-100.0 / 30.0))
    season = 0.04**2 * (1.0 - np.cos(2.0 * np.pi * 100.0 / 365.25) * np.exp(-100.0 / 365.25))
    expected = slow + season + 2e-5 + sampling_u(0.012, 0.5, 14) ** 2
    assert found.u == pytest.approx(np.sqrt(expected), rel=1e-3)
    assert found.z == pytest.approx(0.1 / np.sqrt(expected), rel=2e-3)
    assert found.from_days == np.inf


def test_drawn_from_its_own_model_the_largest_z_passes_three_as_seldom_as_is_said():
    rng = np.random.default_rng(0)
    day = np.concatenate([[0.0], 21.0 + 14.0 * np.arange(26)])
    root = np.linalg.cholesky(covariance(day) + 1e-12 * np.eye(day.size))
    z, alone = [], []
    for _ in range(1500):
        drawn = root @ rng.normal(size=day.size)
        drawn += np.concatenate([[rng.normal(0.0, np.sqrt(2e-5))], rng.normal(0.0, sampling_u(0.012, 0.5, 14), 26)])
        rows = [level(d, r) for d, r in zip(day[1:], drawn[1:] - drawn[0], strict=True)]
        z.append(ask(rows[:-1], rows[-1]).z)
        alone.append(ask(rows[:-1], rows[-1], since_learning_only=True).z)
    assert np.std(alone) == pytest.approx(1.0, abs=0.06)
    # Six questions of one thing: 0.13 % each, so at most 0.8 % together; and they are alike.
    assert np.mean(np.array(z) > 3.0) <= 0.007
    assert np.mean(np.array(z) > 2.0) <= 6 * 0.0228 / 1.5


def test_months_of_health_make_the_same_rise_more_evident_and_a_rise_in_them_less():
    quiet = [level(21.0 + 14.0 * i, 0.0) for i in range(10)]
    short = ask([], level(190.0, 0.1))
    long = ask(quiet, level(190.0, 0.1))
    assert long.u < 0.7 * short.u
    assert long.z > 1.5 * short.z
    assert long.from_days in HEALTHY_BUT_DAYS
    rising = [level(21.0 + 14.0 * i, 0.01 * i) for i in range(10)]
    assert ask(rising, level(190.0, 0.1)).z < long.z


def test_days_in_other_weather_teach_its_coefficient_and_unknown_weather_teaches_less():
    far = level(100.0, 0.1, away=80.0)
    nothing = Unmeasured(level=0.005, season=0.0)
    unseen = ask([level(30.0, 0.0), level(60.0, 0.0)], far, nothing)
    seen = ask([level(30.0, 0.0, away=80.0), level(60.0, 0.0, away=80.0)], far, nothing)
    assert seen.u < 0.5 * unseen.u
    dim = [Level(day=30.0, residual=0.0, days=14, away=(80.0,), unknown_var=1.0)] * 2
    assert ask(dim, far, nothing).u == pytest.approx(ask([], far, nothing).u, rel=0.01)


@pytest.mark.parametrize("residual", [0.0, 1e3, -1e3])
def test_exact_and_extreme_values_keep_it_finite(residual):
    found = ask([level(30.0, residual)] * 3, level(1e5, residual, days=1), Unmeasured(level=0.0, season=0.0))
    assert np.isfinite([found.z, found.u]).all()
    assert found.u > 0.0
