"""Charts and run lengths against the NIST/SEMATECH e-Handbook and published tables."""

import numpy as np
import pytest

from detectors.stats import cusum as cusum_chart
from detectors.stats import ewma as ewma_chart

# NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3: means of 4, target 325, k 0.3175, h 4.1959;
# the sums as printed, two decimals.
MEANS = [
    324.925,
    324.675,
    324.725,
    324.350,
    325.350,
    325.225,
    324.125,
    324.525,
    325.225,
    324.600,
    324.625,
    325.150,
    328.325,
    327.250,
    327.825,
    328.500,
    326.675,
    327.775,
    326.875,
    328.350,
]
HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_the_handbooks_cusum() -> None:
    high, low, state = cusum_chart.cusum(np.array(MEANS) - 325.0, slack=0.3175)
    np.testing.assert_allclose(high, HIGH, atol=0.0051)
    np.testing.assert_allclose(low, LOW, atol=0.0051)
    assert np.flatnonzero(high > 4.1959)[0] + 1 == 14  # the group that signals
    assert not np.any(low > 4.1959)
    assert state.high == pytest.approx(19.035, abs=1e-9)


# Section 6.3.2.4: lambda 0.3, target 50, s 2.0539; averages and limits as printed.
VALUES = [
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
    52.4,
    53.6,
    52.1,
]
AVERAGES = [
    50.60,
    49.52,
    50.56,
    50.18,
    50.16,
    49.21,
    49.75,
    49.85,
    50.26,
    50.33,
    50.11,
    49.36,
    49.52,
    50.05,
    49.38,
    49.92,
    50.73,
    51.23,
    51.94,
    51.99,
]


def test_the_handbooks_ewma() -> None:
    found, _ = ewma_chart.ewma(VALUES, weight=0.3, start=50.0)
    np.testing.assert_allclose(found, AVERAGES, atol=0.0051)
    low, high = ewma_chart.limits(50.0, 2.0539, weight=0.3)
    assert high == pytest.approx(52.5884, abs=1e-4)
    assert low == pytest.approx(47.4115, abs=1e-4)  # printed from a factor rounded to 0.4201
    assert np.all((found > low) & (found < high))


SHIFTS = [0, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]
# Lucas and Crosier, Technometrics 24, 199-205, 1982, table 1, k 0.5, h 4, as printed.
CUSUM_H4 = [168, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]
CUSUM_H4_HEADSTART_2 = [149, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07]


def half_last_digit(printed: float) -> float:
    return 0.5 if printed >= 100 else 0.05 if printed >= 10 else 0.0051


@pytest.mark.parametrize(("shift", "plain", "quick"), list(zip(SHIFTS, CUSUM_H4, CUSUM_H4_HEADSTART_2, strict=True)))
def test_cusum_run_lengths_of_lucas_and_crosier(shift: float, plain: float, quick: float) -> None:
    assert cusum_chart.arl(0.5, 4.0, shift=shift) == pytest.approx(plain, abs=half_last_digit(plain))
    # 1.3254 is printed 1.32: a hair more than half a digit.
    assert cusum_chart.arl(0.5, 4.0, shift=shift, head_start=2.0) == pytest.approx(
        quick, abs=half_last_digit(quick) * 1.1
    )


# R package spc 0.6.7, xcusum.arl, k 0.5, h 5.
@pytest.mark.parametrize(
    ("shift", "length"), [(0, 465.4435), (0.25, 139.4937), (0.5, 37.9961), (1, 10.3760), (2, 4.0089)]
)
def test_cusum_run_lengths_of_spc(shift: float, length: float) -> None:
    assert cusum_chart.arl(0.5, 5.0, shift=shift) == pytest.approx(length, abs=6e-5)


def test_one_sided_run_lengths() -> None:
    assert cusum_chart.arl(0.5, 4.0, sides=1) == pytest.approx(335.3676, abs=6e-5)  # spc 0.6.7
    # Brook and Evans, Biometrika 59, 539-549, 1972, k 0.5, h 3: printed 117.59 and 3.75 at a shift of 1.5.
    assert cusum_chart.arl(0.5, 3.0, sides=1) == pytest.approx(117.59, abs=0.0101)
    assert cusum_chart.arl(0.5, 3.0, shift=1.5, sides=1) == pytest.approx(3.75, abs=0.0051)


# Lucas and Saccucci, Technometrics 32, 1-12, 1990, table 3, as printed.
EWMA_SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5]
EWMA_HALF = [500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.34, 1.07]
EWMA_003 = [500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.11, 2.55]


@pytest.mark.parametrize(("shift", "half", "slow"), list(zip(EWMA_SHIFTS, EWMA_HALF, EWMA_003, strict=True)))
def test_ewma_run_lengths_of_lucas_and_saccucci(shift: float, half: float, slow: float) -> None:
    assert ewma_chart.arl(0.5, 3.071, shift=shift) == pytest.approx(half, abs=half_last_digit(half))
    assert ewma_chart.arl(0.03, 2.437, shift=shift) == pytest.approx(slow, abs=half_last_digit(slow))
