"""The frozen baseline: what it finds, what it does not believe, and what a trend in its own days does."""

import json

import numpy as np
import pytest

from detectors.baseline import Baseline, Prior, fit_baseline
from detectors.learning import try_freeze

VAGUE = {"load": Prior(0.0, 1e3), "flue": Prior(0.0, 1e3)}
TIGHT = {"load": Prior(0.0, 0.003), "flue": Prior(-0.002, 0.0005)}
HOW = {"rho_floor": 0.0, "least_scatter": 1e-4}


def plant(n=40, seed=0, sd=0.01):
    rng = np.random.default_rng(seed)
    load, flue = rng.uniform(50.0, 100.0, n), rng.normal(300.0, 10.0, n)
    return load, flue, 0.002 * (load - 75.0) - 0.002 * (flue - 300.0) - 1.0 + rng.normal(0.0, sd, n)


def test_with_vague_priors_and_quiet_data_it_is_least_squares():
    load, flue, y = plant()
    fit = fit_baseline(y, {"load": load, "flue": flue}, VAGUE, **HOW)
    design = np.stack([np.ones(40), load - load.mean(), flue - flue.mean()], axis=1)
    by_numpy = np.linalg.lstsq(design, y, rcond=None)[0]
    # Huber's weights give up some of the points' pull: 5 % of efficiency, so a part of a standard error.
    u = np.sqrt(np.diag(np.array(fit.cov)))
    assert np.all(np.abs([fit.level, *fit.coef] - by_numpy) < 0.5 * u)
    assert fit.scatter == pytest.approx(0.01, rel=0.5)


def test_wild_points_do_not_pull_it():
    load, flue, y = plant()
    y[[3, 17, 30]] += [0.5, 0.7, -2.0]
    fit = fit_baseline(y, {"load": load, "flue": flue}, TIGHT, **HOW)
    assert fit.level == pytest.approx(-1.0, abs=0.01)
    assert fit.coef == pytest.approx((0.002, -0.002), abs=4e-4)


def test_what_was_never_seen_is_believed_less_and_what_was_seen_is_said():
    _, flue, y = plant()
    fit = fit_baseline(y, {"load": np.full(40, 80.0), "flue": flue}, TIGHT, **HOW)
    here, here_u = fit.expect({"load": 80.0, "flue": 300.0})
    _, away_u = fit.expect({"load": 40.0, "flue": 300.0})
    # Load never moved: 40 % away costs 40 times the prior's 0.003.
    assert away_u == pytest.approx(np.hypot(0.12, here_u), rel=0.05)
    assert fit.seen("load") == (80.0, 80.0)
    assert fit.seen("head") is None
    assert fit.expect({"flue": 300.0})[0] == pytest.approx(here, abs=1e-3)


def test_autocorrelation_widens_it():
    y = plant()[2]
    free = fit_baseline(y, {}, {}, rho_floor=0.0, least_scatter=1e-4)
    tied = fit_baseline(y, {}, {}, rho_floor=0.8, least_scatter=1e-4)
    # (1 + 0.8) / (1 - 0.8) = 9 times the variance for many points; 40 are a little better off.
    assert 2.4 < np.sqrt(tied.cov[0][0] / free.cov[0][0]) < 4.5


def test_coverage_of_a_new_days_expectation_is_honest():
    inside = 0
    for seed in range(200):
        load, flue, y = plant(21, seed)
        fit = fit_baseline(y, {"load": load, "flue": flue}, TIGHT, **HOW)
        level, u = fit.expect({"load": 60.0, "flue": 320.0})
        truth = -1.0 + 0.002 * -15.0 - 0.002 * 20.0
        inside += abs(level - truth) < 1.96 * u
    # 95 % nominal; 200 draws scatter by 1.5 %.
    assert 0.90 <= inside / 200 <= 1.0


def test_it_survives_json():
    load, flue, y = plant()
    fit = fit_baseline(y, {"load": load, "flue": flue}, TIGHT, **HOW)
    assert Baseline.from_dict(json.loads(json.dumps(fit.to_dict(), allow_nan=False))) == fit


def test_a_condition_that_few_days_know_is_left_out():
    load, flue, y = plant()
    flue[5:] = np.nan
    assert fit_baseline(y, {"load": load, "flue": flue}, TIGHT, **HOW).names == ("load",)


@pytest.mark.parametrize("y", [np.array([]), np.array([1.0, np.nan])])
def test_points_that_are_not_finite_are_refused_in_words(y):
    with pytest.raises(ValueError, match="finite points"):
        fit_baseline(y, {}, {}, **HOW)


def freeze(y, *, patience=True, load=None):
    days = np.arange(float(y.size))
    conditions = {} if load is None else {"load": load}
    return try_freeze(days, y, conditions, TIGHT, rho_floor=0.3, least_scatter=1e-3, least_trend=0.02, trend_z=2.0,
                      out_of_patience=not patience)  # fmt: skip


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_days_that_move_are_no_baseline_and_in_the_end_the_lower_third_is(sign):
    y = np.random.default_rng(0).normal(0.0, 0.005, 30) + sign * 0.005 * np.arange(30)
    assert freeze(y) is None
    fit = freeze(y, patience=False)
    # The third of a rise is its first ten days, of a fall its last: 4.5 or 24.5 days in.
    assert fit.level == pytest.approx(0.0225 if sign > 0 else -0.1225, abs=0.006)
    assert "lower end" in fit.note


def test_days_that_stand_still_or_follow_their_load_are_a_baseline():
    rng = np.random.default_rng(1)
    y = rng.normal(0.0, 0.005, 30)
    assert freeze(y).note == ""
    load = np.linspace(50.0, 100.0, 30) + rng.normal(0.0, 10.0, 30)
    assert freeze(y + 0.002 * (load - 75.0), load=load).coef[0] == pytest.approx(0.002, abs=5e-4)
