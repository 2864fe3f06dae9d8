import numpy as np
import pytest

from agent.simulate.noise import MINUTES, NoiseTables, circular_ar1


@pytest.fixture(scope="module")
def tables():
    return NoiseTables.draw(np.random.default_rng(5))


def test_an_autoregression_has_unit_variance_and_its_own_memory():
    found = circular_ar1(np.random.default_rng(3), 1 << 17, 60.0)
    assert np.std(found) == pytest.approx(1.0, abs=0.1)
    lagged = float(np.mean(found * np.roll(found, 60)) / np.var(found))
    assert lagged == pytest.approx(np.exp(-1.0), abs=0.06)  # a = exp(-1/60), to the power of 60


def test_an_autoregression_obeys_its_recursion_with_white_innovations_also_across_its_ends():
    found = circular_ar1(np.random.default_rng(4), 4096, 15.0)
    a = np.exp(-1.0 / 15.0)
    innovations = found - a * np.roll(found, 1)  # the first follows the last
    assert np.std(innovations) == pytest.approx(np.sqrt(1 - a * a), rel=0.1)
    assert abs(np.corrcoef(innovations[1:], innovations[:-1])[0, 1]) < 0.06
    assert abs(innovations[0]) < 5 * np.std(innovations)


def test_noise_is_a_function_of_time_however_it_is_asked_for(tables):
    times = 1.76e9 + np.sort(np.random.default_rng(1).uniform(0, 1e6, 200))
    for read in (tables.hour_at, tables.six_hours_at, tables.quick_at, tables.white_at):
        at_once = read(times, 77)
        one_by_one = np.array([read(times[k : k + 1], 77)[0] for k in range(times.size)])
        assert np.array_equal(at_once, one_by_one)


def test_minute_noise_is_continuous_and_comes_round(tables):
    times = 1.76e9 + np.arange(0.0, 600.0, 0.5)
    assert np.abs(np.diff(tables.hour_at(times, 0))).max() < 0.02  # two minutes of innovation, spread over 60 s
    assert tables.hour_at(times, 9) == pytest.approx(tables.hour_at(times + MINUTES * 60.0, 9))
