"""A step is told from a creep, and only when it clearly is one."""

import numpy as np
import pytest

from detectors.step_or_creep import step_or_creep

DAY = np.arange(60.0) + 20_000.0


@pytest.mark.parametrize("seed", range(8))
def test_a_step_is_a_step_and_its_day_is_found(seed):
    noise = np.random.default_rng(seed).normal(0.0, 0.01, 60)
    shape = step_or_creep(DAY, np.where(DAY >= 20_040.0, 0.12, 0.0) + noise)
    assert shape.word == "step"
    assert shape.at_day == pytest.approx(20_040.0, abs=1.0)


@pytest.mark.parametrize("seed", range(8))
def test_a_ramp_is_a_creep(seed):
    noise = np.random.default_rng(seed).normal(0.0, 0.01, 60)
    assert step_or_creep(DAY, 0.002 * np.arange(60.0) + noise).word == "creep"


def test_one_wild_day_is_no_step():
    y = 0.002 * np.arange(60.0)
    y[30] = 40.0
    assert step_or_creep(DAY, y).word == "creep"


@pytest.mark.parametrize("n", [0, 1, 7, 60])
def test_too_little_or_too_flat_is_a_creep(n):
    assert step_or_creep(DAY[:n], np.zeros(n)).at_day is None
