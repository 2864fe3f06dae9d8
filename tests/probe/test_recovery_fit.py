"""The fit's own machinery: its Jacobian, its search, and its honesty about what the data do not hold."""

import math

import numpy as np
import pytest

from detectors.probe.recovery_fit import fit_model, search
from detectors.probe.recovery_model import responses
from detectors.probe.recovery_uncertainty import tau_uncertainty_s


def display(p: np.ndarray, elapsed: np.ndarray, damping_s: float) -> np.ndarray:
    left, ramp = responses(elapsed - p[1], math.exp(p[0]), damping_s)
    return p[3] + (p[2] - p[3]) * left + p[4] * ramp


@pytest.mark.parametrize("damping_s", [0.0, 6.0, 15.0])
def test_the_jacobian_is_the_slope_of_the_model(damping_s: float) -> None:
    elapsed = np.arange(-20.3, 120.0)
    fit = fit_model(
        elapsed, display(np.array([math.log(15.0), 3.1, 0.2095, 0.03, 2e-5]), elapsed, damping_s), 1.0, damping_s
    )
    for column, h in enumerate((1e-6, 1e-6, 1e-7, 1e-7, 1e-9)):
        step = np.zeros(5)
        step[column] = h
        up, down = (display(fit.parameters + sign * step, elapsed, damping_s) for sign in (1, -1))
        np.testing.assert_allclose(fit.jacobian[:, column], (up - down) / (2 * h), rtol=1e-4, atol=2e-5)


@pytest.mark.parametrize(("tau_s", "damping_s"), [(2.0, 0.0), (15.0, 5.0), (10.0, 10.0), (90.0, 4.0)])
def test_exact_data_give_exact_parameters(tau_s: float, damping_s: float) -> None:
    elapsed = np.arange(-20.0, 8 * (tau_s + damping_s) + 5)
    true = np.array([math.log(tau_s), 4.3, 0.2095, 0.03, 1e-5])
    fit = fit_model(elapsed, display(true, elapsed, damping_s), 1.0, damping_s)
    np.testing.assert_allclose(fit.parameters[:4], true[:4], atol=1e-4)
    rough = search(elapsed, display(true, elapsed, damping_s), 1.0, damping_s).tau_s
    assert rough == pytest.approx(tau_s, rel=0.6)


def test_data_that_do_not_hold_the_time_constant_leave_it_unknown() -> None:
    elapsed = np.arange(30.0)
    flat = np.zeros((30, 5))
    assert tau_uncertainty_s(elapsed, np.zeros(30), flat, 10.0, np.ones(30)) == math.inf
    assert tau_uncertainty_s(elapsed[:4], np.zeros(4), flat[:4], 10.0, np.ones(4)) == math.inf
