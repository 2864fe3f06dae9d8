"""The gas of a check that leaves while its flag still stands."""

import numpy as np
import pytest

from agent.reconstruct.leaving import left_at


def way_back(stay=60, tau_s=15.0, way=60, before=0.04, gas=0.2095, sd=0.0, seed=0):
    """Samples a second apart: gas stays, then goes back."""
    o2 = np.concatenate([np.full(stay, gas), before + (gas - before) * np.exp(-np.arange(way) / tau_s)])
    return o2 + np.random.default_rng(seed).normal(0.0, sd, o2.size)


@pytest.mark.parametrize("sd", [0.0, 0.003])
@pytest.mark.parametrize("gas", [0.2095, 0.12, 0.002])
def test_the_last_sample_at_the_gas_is_found(gas, sd):
    before = 0.04 if gas > 0.04 else 0.15
    if gas == 0.2095 and sd == 0.0:  # a check while the furnace rests, its gas nearly air already
        assert left_at(way_back(before=0.166), 0.166) == pytest.approx(60, abs=3)
    o2 = way_back(before=before, gas=gas, sd=sd)
    # At 15 s the gas has lost a tenth of its way after 1.6 s.
    assert left_at(o2, before) == pytest.approx(60, abs=3)


@pytest.mark.parametrize("tau_s", [4.0, 100.0])
def test_quick_and_slow_filters_are_both_seen_to_leave(tau_s):
    assert left_at(way_back(tau_s=tau_s, way=120), 0.04) == pytest.approx(60 + 0.105 * tau_s, abs=2)


def test_gas_that_stays_until_the_flag_falls_has_not_left():
    assert left_at(way_back(way=0), 0.04) is None
    assert left_at(way_back(way=8), 0.04) is None  # on its way, not back: the rest follows the flag
    assert left_at(np.concatenate([[0.04] * 5, np.linspace(0.04, 0.2095, 20), [0.2095] * 60]), 0.04) is None


def test_one_odd_sample_is_no_way_back_and_a_missing_one_no_matter():
    o2 = way_back(way=0)
    o2[-1] = 0.04
    assert left_at(o2, 0.04) is None
    o2 = way_back()
    o2[::3] = np.nan
    assert left_at(o2, 0.04) == pytest.approx(60, abs=3)


def test_a_held_value_a_move_that_is_none_and_an_unknown_process_tell_nothing():
    assert left_at(np.full(60, 0.04), 0.04) is None
    assert left_at(way_back(gas=0.045), 0.04) is None
    assert left_at(way_back(gas=0.08, sd=0.01), 0.04) is None
    assert left_at(way_back(), np.nan) is None
    assert left_at(np.full(60, np.nan), 0.04) is None
    assert left_at(np.zeros(0), 0.04) is None
