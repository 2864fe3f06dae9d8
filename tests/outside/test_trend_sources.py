"""Rank trend against the USEPA's and others' worked examples, pymannkendall and scipy.stats."""

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from detectors.stats.trend import mann_kendall, theil_sen

# USEPA, Unified Guidance, 2009, example 17-6: sulfate, with ties; and 17-7: sodium (data files of R's EnvStats 3.1.0).
SULFATE = (
    [
        89.6,
        89.8,
        90.1,
        90.3,
        90.6,
        90.8,
        91.1,
        91.3,
        91.6,
        91.8,
        92.1,
        92.6,
        93.1,
        93.6,
        94.1,
        94.6,
        95.1,
        95.6,
        95.8,
        96.1,
        96.3,
        96.6,
        96.8,
    ],
    [480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540, 590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590],
)
SODIUM = ([89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3], [56, 53, 51, 55, 52, 60, 62, 59, 61, 63])
# USEPA QA/G-9S, 2006, p. 109: S 22, variance 155.33, Z 1.685 as printed.
G9S = (list(range(1, 12)), [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])
ALL = [SULFATE, SODIUM, G9S]


def test_the_sulfate_example_as_envstats_prints_it() -> None:
    t, y = SULFATE
    test, line = mann_kendall(y), theil_sen(t, y, confidence=0.95)
    assert test.s == 194
    assert test.tau == pytest.approx(0.7667984, abs=5e-8)
    assert test.z == pytest.approx(5.107322, abs=5e-7)
    assert test.p == pytest.approx(3.267574e-07, rel=2e-7)
    assert line.slope == pytest.approx(26.6666667, abs=5e-8)
    assert (line.low, line.high) == pytest.approx((20.0, 35.71182), abs=5e-6)


def test_the_g9s_example_as_printed() -> None:
    found = mann_kendall(G9S[1])
    assert found.s == 22
    assert found.var_s == pytest.approx(155.33, abs=5e-3)
    assert found.z == pytest.approx(1.685, abs=5e-4)


@pytest.mark.parametrize("example", ALL)
def test_s_variance_z_and_p_agree_with_pymannkendall(example: tuple[list[float], list[float]]) -> None:
    other = pymannkendall.original_test(example[1])
    found = mann_kendall(example[1])
    assert found.s == other.s
    assert (found.var_s, found.z, found.p, found.tau) == pytest.approx((other.var_s, other.z, other.p, other.Tau))


@pytest.mark.parametrize("example", ALL)
def test_slope_and_rounded_limits_agree_with_scipy(example: tuple[list[float], list[float]]) -> None:
    t, y = example
    other = stats.theilslopes(y, t, 0.95)
    found = theil_sen(t, y, confidence=0.95, ranks="rounded")
    assert (found.slope, found.low, found.high) == pytest.approx((other.slope, other.low_slope, other.high_slope))


def test_helsel_and_hirschs_line_shrugs_at_one_wild_value() -> None:
    # Helsel and Hirsch, Statistical Methods in Water Resources, chapter 10: slope 1 as printed.
    assert theil_sen(range(1, 8), [1, 2, 3, 4, 5, 16, 7]).slope == 1.0


def test_gilberts_four_points() -> None:
    # Gilbert 1987, section 16.4: S = 4 as printed.
    assert mann_kendall([10, 15, 14, 20]).s == 4


def test_random_ties_agree_with_pymannkendall_and_scipy() -> None:
    rng = np.random.default_rng(1)
    for _ in range(20):
        y = rng.integers(0, 8, 25).astype(float)
        t = np.sort(rng.uniform(0, 100, 25))
        other = pymannkendall.original_test(y)
        assert mann_kendall(y).p == pytest.approx(other.p)
        line = stats.theilslopes(y, t, 0.8)
        found = theil_sen(t, y, confidence=0.8, ranks="rounded")
        assert (found.slope, found.low, found.high) == pytest.approx((line.slope, line.low_slope, line.high_slope))
