"""Fitting the return from air, on probes made by integrating the lags sample by sample, never by our own model."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from detectors.probe.gas_exchange import RecoveryFit, fit_recovery

Floats = NDArray[np.float64]
AIR, PROCESS = 0.2095, 0.03
STEP_S = 0.25


def wander(rng: np.random.Generator, n: int, sd_frac: float, time_s: float) -> Floats:
    """A first-order process, sample by sample."""
    keep = math.exp(-STEP_S / time_s)
    kicks = rng.normal(0.0, sd_frac * math.sqrt(1 - keep * keep), n)
    result = np.empty(n)
    value = rng.normal(0.0, sd_frac)
    for i in range(n):
        value = keep * value + kicks[i]
        result[i] = value
    return result


def lagged(values: Floats, tau_s: float, start: float) -> Floats:
    share, result, state = -math.expm1(-STEP_S / tau_s), np.empty(values.size), start
    for i, value in enumerate(values):
        state += share * (value - state)
        result[i] = state
    return result


def probe(
    rng: np.random.Generator,
    *,
    tau_s: float,
    damping_s: float = 0.0,
    dead_s: float = 4.0,
    until_s: float = 400.0,
    period_s: float = 1.0,
    noise_frac: float = 0.0003,
    resolution_frac: float = 1e-4,
    sd_frac: float = 0.004,
    old: float = AIR,
    step_frac: float = 0.0,
    step_at_s: float = 0.0,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Time and display of a return that starts at 0, and the process behind it on its own fine clock.

    The process is that of a coal boiler at steady load: 0.4 % O2 over one hour and six.
    """
    fine = np.arange(-60.0, until_s, STEP_S)
    process = PROCESS + wander(rng, fine.size, 0.8 * sd_frac, 3600.0) + wander(rng, fine.size, 0.6 * sd_frac, 21600.0)
    process += np.where(fine > step_at_s, step_frac, 0.0)
    shown = lagged(np.where(fine <= dead_s, old, process), tau_s, old)
    if damping_s:
        shown = lagged(shown, damping_s, old)
    time = np.arange(-55.0 + rng.uniform(0, period_s), until_s - 1.0, period_s)
    display = np.interp(time, fine, shown) + rng.normal(0.0, noise_frac, time.size)
    return time, np.round(display / resolution_frac) * resolution_frac, fine, process


@pytest.mark.parametrize(
    ("tau_s", "damping_s", "period_s", "resolution_frac"),
    [
        (15.0, 0.0, 1.0, 1e-4),
        (15.0, 0.0, 5.0, 1e-4),
        (30.0, 0.0, 10.0, 1e-3),
        (15.0, 5.0, 1.0, 1e-4),
        (10.0, 10.0, 1.0, 1e-4),  # filter and damping alike
        (8.0, 20.0, 2.0, 1e-4),  # damping slower than the filter
        (60.0, 3.0, 2.0, 1e-4),
        (5.0, 0.0, 1.0, 1e-4),
    ],
)
def test_the_time_constant_comes_back_from_a_moving_process(
    tau_s: float, damping_s: float, period_s: float, resolution_frac: float
) -> None:
    rng = np.random.default_rng(1)
    for _ in range(5):
        time, o2, _, _ = probe(
            rng, tau_s=tau_s, damping_s=damping_s, period_s=period_s, resolution_frac=resolution_frac
        )
        fit = fit_recovery(time, o2, start_s=0.0, damping_s=damping_s, process_before_frac=PROCESS)
        assert fit.accepted, fit.why_not
        assert fit.tau_s == pytest.approx(tau_s, rel=0.08)
        assert fit.dead_time_s == pytest.approx(4.0, abs=0.5 * period_s + 0.3)
        assert fit.amplitude_frac == pytest.approx(AIR - PROCESS, abs=0.015)
        assert fit.end_frac == pytest.approx(o2[-1], abs=0.01)


def coverage(make: Callable[[np.random.Generator], RecoveryFit], tau_s: float, runs: int) -> tuple[float, float]:
    """Root mean square of error over stated uncertainty, and the share of errors within two of them."""
    rng = np.random.default_rng(2)
    z = np.array([(fit.tau_s - tau_s) / fit.tau_u_s for fit in (make(rng) for _ in range(runs)) if fit.accepted])
    assert z.size > 0.9 * runs
    return float(np.sqrt(np.mean(z**2))), float(np.mean(np.abs(z) < 2))


# 60 runs: the root mean square of honest z lies within 1 +- 0.27 at 3 sigma. Somewhat careful is right, bold is not.
@pytest.mark.parametrize(("tau_s", "period_s", "damping_s"), [(15.0, 1.0, 0.0), (30.0, 10.0, 0.0), (12.0, 1.0, 10.0)])
def test_the_stated_uncertainty_holds_while_the_process_wanders(
    tau_s: float, period_s: float, damping_s: float
) -> None:
    def make(rng: np.random.Generator) -> RecoveryFit:
        time, o2, _, _ = probe(rng, tau_s=tau_s, period_s=period_s, damping_s=damping_s, until_s=10 * tau_s)
        return fit_recovery(time, o2, start_s=0.0, damping_s=damping_s)

    spread, within_two = coverage(make, tau_s, 60)
    assert 0.5 < spread < 1.27
    assert within_two >= 0.88


def test_white_noise_alone_would_claim_far_too_much() -> None:
    rng = np.random.default_rng(3)
    time, o2, _, _ = probe(rng, tau_s=60.0, until_s=600.0)
    careful = fit_recovery(time, o2, start_s=0.0)
    bold = fit_recovery(time, o2, start_s=0.0, wander_sd_frac=0.0)
    assert careful.tau_s == bold.tau_s
    assert careful.tau_u_s > bold.tau_u_s


def test_a_step_of_the_process_is_taken_out_by_a_twin() -> None:
    rng = np.random.default_rng(4)
    plain_error, twin_error, used = [], [], 0
    for _ in range(12):
        time, o2, fine, process = probe(rng, tau_s=40.0, until_s=500.0, step_frac=0.02, step_at_s=rng.uniform(20, 120))
        twin_time = np.arange(-60.0, 495.0, 5.0)
        twin = 0.002 + 0.9 * np.interp(twin_time, fine, lagged(process, 12.0, process[0]))
        plain = fit_recovery(time, o2, start_s=0.0)
        helped = fit_recovery(time, o2, start_s=0.0, twin_time_s=twin_time, twin_o2_frac=twin)
        plain_error.append(abs(plain.tau_s / 40.0 - 1))
        twin_error.append(abs(helped.tau_s / 40.0 - 1))
        used += helped.twin_used
        assert not plain.twin_used
    assert used >= 10
    assert np.mean(twin_error) < 0.5 * np.mean(plain_error)


def test_a_twin_that_tells_nothing_is_not_used() -> None:
    rng = np.random.default_rng(5)
    time, o2, _, _ = probe(rng, tau_s=20.0, sd_frac=0.0005)
    noise = rng.normal(0.03, 0.002, time.size)
    alone = fit_recovery(time, o2, start_s=0.0)
    for twin in (noise, np.full(time.size, 0.03), np.full(time.size, np.nan)):
        assert fit_recovery(time, o2, start_s=0.0, twin_time_s=time, twin_o2_frac=twin) == alone
    holed = np.where((time > 20.0) & (time < 100.0), np.nan, noise)
    assert fit_recovery(time, o2, start_s=0.0, twin_time_s=time, twin_o2_frac=holed) == alone
    short = time[time < 50.0]
    assert fit_recovery(time, o2, start_s=0.0, twin_time_s=short, twin_o2_frac=short) == alone


def test_spikes_and_gaps_do_little_harm() -> None:
    rng = np.random.default_rng(6)
    time, o2, _, _ = probe(rng, tau_s=15.0)
    o2[rng.random(o2.size) < 0.03] += 0.04
    o2[rng.random(o2.size) < 0.3] = np.nan
    fit = fit_recovery(time, o2, start_s=0.0)
    assert fit.accepted, fit.why_not
    assert fit.tau_s == pytest.approx(15.0, rel=0.06)


def test_a_return_upwards_is_a_return_too() -> None:
    time, o2, _, _ = probe(np.random.default_rng(7), tau_s=15.0, old=0.002)
    fit = fit_recovery(time, o2, start_s=0.0)
    assert fit.accepted, fit.why_not
    assert fit.tau_s == pytest.approx(15.0, rel=0.15)
    assert fit.amplitude_frac < 0


def test_the_clock_may_count_from_1970() -> None:
    time, o2, _, _ = probe(np.random.default_rng(8), tau_s=15.0)
    near = fit_recovery(time, o2, start_s=0.0)
    far = fit_recovery(time + 1.79e9, o2, start_s=1.79e9)
    assert far.tau_s == pytest.approx(near.tau_s, rel=1e-4)


def test_what_comes_long_after_does_not_matter() -> None:
    time, o2, _, _ = probe(np.random.default_rng(9), tau_s=15.0, until_s=900.0)
    later = o2.copy()
    later[time > 400.0] += 0.03  # the load changes
    assert fit_recovery(time, later, start_s=0.0).tau_s == pytest.approx(
        fit_recovery(time, o2, start_s=0.0).tau_s, rel=0.01
    )


def test_t90_is_dead_time_and_2_3026_time_constants() -> None:
    fit = RecoveryFit(tau_s=10.0, dead_time_s=3.0)
    assert fit.t90_s == pytest.approx(3.0 + 23.02585, abs=1e-5)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"tau_s": 15.0, "until_s": 20.0}, "under 1.5 time constants"),
        ({"tau_s": 500.0, "until_s": 400.0}, "under 1.5 time constants"),
        ({"tau_s": 10.0, "period_s": 10.0}, "samples while it moved"),
        ({"tau_s": 15.0, "until_s": 8.0}, "fewer than 8 samples"),
        ({"tau_s": 15.0, "old": PROCESS, "sd_frac": 0.0}, "moved less than 0.5 % O2"),
    ],
)
def test_what_cannot_be_judged_is_refused_with_a_reason(change: dict[str, float], reason: str) -> None:
    time, o2, _, _ = probe(np.random.default_rng(10), **change)
    fit = fit_recovery(time, o2, start_s=0.0)
    assert not fit.accepted
    assert reason in fit.why_not


def test_a_return_that_stops_half_way_is_refused() -> None:
    time, o2, _, _ = probe(np.random.default_rng(11), tau_s=15.0)
    fit = fit_recovery(time, np.maximum(o2, 0.15), start_s=0.0, process_before_frac=PROCESS)
    assert not fit.accepted


def test_something_that_is_no_exponential_is_refused() -> None:
    time = np.arange(-30.0, 200.0)
    o2 = np.where(time < 0, AIR, 0.1 + 0.06 * np.sin(time / 9.0))
    fit = fit_recovery(time, o2, start_s=0.0)
    assert not fit.accepted
    assert fit.why_not


def test_settings_that_make_no_sense_are_errors() -> None:
    time = np.arange(20.0)
    with pytest.raises(ValueError, match="share one shape"):
        fit_recovery(time, time[:-1], start_s=0.0)
    with pytest.raises(ValueError, match="damping_s must be >= 0"):
        fit_recovery(time, time, start_s=0.0, damping_s=-1.0)
    with pytest.raises(ValueError, match="start_s must be finite"):
        fit_recovery(time, time, start_s=math.nan)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.one_of(st.floats(0.0, 0.3), st.sampled_from([math.nan, math.inf, -1.0, 99.0])), max_size=60),
    st.sampled_from([0.0, 4.0]),
)
def test_no_data_makes_it_fail(values: list[float], damping_s: float) -> None:
    fit = fit_recovery(np.arange(len(values)) - 5.0, values, start_s=0.0, damping_s=damping_s)
    assert fit.accepted == (not fit.why_not)
    if fit.accepted:
        assert math.isfinite(fit.tau_s)
        assert fit.tau_s > 0
        assert math.isfinite(fit.tau_u_s)


@pytest.mark.parametrize("n", [0, 1, 8, 9, 200])
def test_a_constant_display_is_no_return(n: int) -> None:
    assert not fit_recovery(np.arange(n), np.full(n, 0.03), start_s=0.0).accepted


@pytest.mark.parametrize("damping_s", [0.0, 8.0])
@pytest.mark.parametrize("blown_s", [8.0, 20.0])
def test_a_blow_back_too_short_to_reach_a_level_is_fitted_from_its_turn(blown_s: float, damping_s: float) -> None:
    rng = np.random.default_rng(12)
    fine = np.arange(-120.0, 300.0, STEP_S)
    process = PROCESS + wander(rng, fine.size, 0.004, 5400.0)
    shown = lagged(np.where((fine > -blown_s) & (fine <= 0.0), AIR, process), 15.0, PROCESS)
    shown = lagged(shown, damping_s, PROCESS) if damping_s else shown
    time, o2 = fine[::4], shown[::4] + rng.normal(0, 0.0003, fine[::4].size)
    fit = fit_recovery(time, o2, start_s=0.0, damping_s=damping_s, process_before_frac=PROCESS)
    assert fit.accepted, fit.why_not
    assert fit.tau_s == pytest.approx(15.0, rel=0.1)
