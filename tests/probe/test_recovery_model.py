"""The two-lag response against a naive integration of the two lags."""

import numpy as np
import pytest

from detectors.probe.recovery_model import remaining_share, responses, slopes


def naive(tau_s: float, damping_s: float, drift: float, until_s: float, step_s: float = 0.002) -> tuple[float, float]:
    """Old gas 1, process 0 + drift t, through both lags, by small Euler steps of the trapezoid kind."""
    gas, shown, t = 1.0, 1.0, 0.0
    for _ in range(round(until_s / step_s)):
        middle = t + step_s / 2
        gas_before = gas
        gas += (drift * middle - gas) * -np.expm1(-step_s / tau_s)
        if damping_s > 0:
            shown += ((gas + gas_before) / 2 - shown) * -np.expm1(-step_s / damping_s)
        else:
            shown = gas
        t += step_s
    return gas, shown


@pytest.mark.parametrize(
    ("tau_s", "damping_s"), [(15.0, 0.0), (15.0, 5.0), (5.0, 15.0), (10.0, 10.0), (10.0, 10.0 + 1e-9), (12.0, 0.05)]
)
@pytest.mark.parametrize("until_s", [3.0, 20.0])
def test_step_and_ramp_agree_with_integrating_both_lags(tau_s: float, damping_s: float, until_s: float) -> None:
    left, ramp = responses(np.array([until_s]), tau_s, damping_s)
    assert left[0] == pytest.approx(naive(tau_s, damping_s, 0.0, until_s)[1], abs=2e-5)
    assert left[0] + 0.01 * ramp[0] == pytest.approx(naive(tau_s, damping_s, 0.01, until_s)[1], abs=2e-5)


@pytest.mark.parametrize(
    ("tau_s", "damping_s"),
    [(15.0, 0.0), (15.0, 4.0), (4.0, 15.0), (8.0, 8.0), (8.0, 8.0 + 1e-9), (8.0, 8.001), (8.001, 8.0), (60.0, 0.05)],
)
def test_the_slopes_are_those_of_the_responses(tau_s: float, damping_s: float) -> None:
    s = np.array([-3.0, 0.5, 7.0, 40.0])
    found = slopes(s, tau_s, damping_s)
    share, ramp = responses(s, tau_s, damping_s)
    np.testing.assert_allclose(found.share, share, rtol=1e-14)
    np.testing.assert_allclose(found.ramp, ramp, rtol=1e-12, atol=1e-13)
    by_s = (remaining_share(s + 1e-4, tau_s, damping_s) - remaining_share(s - 1e-4, tau_s, damping_s)) / 2e-4
    np.testing.assert_allclose(found.share_by_s, by_s, rtol=1e-6, atol=1e-12)
    up, down = (responses(s, tau_s * np.exp(step), damping_s) for step in (1e-4, -1e-4))
    np.testing.assert_allclose(found.share_by_log_tau, (up[0] - down[0]) / 2e-4, rtol=1e-6, atol=1e-11)
    np.testing.assert_allclose(found.ramp_by_log_tau, (up[1] - down[1]) / 2e-4, rtol=1e-6, atol=1e-9)


def test_lag_and_damping_may_be_exchanged() -> None:
    s = np.linspace(0.0, 100.0, 50)
    np.testing.assert_allclose(remaining_share(s, 12.0, 30.0), remaining_share(s, 30.0, 12.0), atol=1e-15)


def test_nothing_moves_before_the_change_and_nothing_overflows_long_after() -> None:
    left, ramp = responses(np.array([-50.0, 0.0, 1e7]), 0.01, 3.0)
    np.testing.assert_array_equal(left[:2], [1.0, 1.0])
    np.testing.assert_array_equal(ramp[:2], [0.0, 0.0])
    assert left[2] == 0.0
    assert ramp[2] == pytest.approx(1e7 - 3.01)
