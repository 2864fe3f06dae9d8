import numpy as np
import pytest

from agent.simulate.episodes import DEAD_TIME_S, INTO_CELL_S, Episode, GasAtCell, Kind, Stage, Timetable

AIR = Stage(kind=Kind.AIR_CHECK, lasts_s=30.0)


def process(time_s):
    return 0.03 + 0.00002 * (np.asarray(time_s) - 1000.0)  # 0.002 % a second, as a load step would do


def by_integration(stages, start_s, tau_s, damping_s, times):
    """Both filters, stepped at a millisecond: what the closed form must be for a process that stands still."""
    step, found = 1e-3, []
    cell = shown = 0.03
    now, wanted = start_s - 5.0, list(times)
    edges = np.cumsum([start_s, *(stage.lasts_s for stage in stages)])
    while wanted:
        k = int(np.searchsorted(edges, now, side="right")) - 1
        if k < 0 or now >= edges[-1] + DEAD_TIME_S:
            target, tau = 0.03, tau_s
        else:
            target, tau = stages[min(k, len(stages) - 1)].o2_frac, INTO_CELL_S
        shown += step * (cell - shown) / damping_s
        cell += step * (target - cell) / tau
        now += step
        while wanted and now >= wanted[0] - step / 2:
            found.append((cell, shown))
            wanted.pop(0)
    return np.array(found).T


def test_gas_and_display_follow_their_differential_equations_through_several_gases():
    stages = (
        Stage(kind=Kind.TEST_GAS, lasts_s=6.0, o2_frac=0.08),
        Stage(kind=Kind.TEST_GAS, lasts_s=4.0, o2_frac=0.02),
        Stage(kind=Kind.AIR_CHECK, lasts_s=5.0),
    )
    gas = GasAtCell(
        [Episode(start_s=1000.0, stages=stages)],
        np.array([7.0]),
        lambda t: np.full_like(np.asarray(t, float), 0.03),
        3.0,
    )
    times = np.arange(998.0, 1050.0, 0.5) + 0.25
    cell, shown = gas.at(times, gas.segment(times), np.full_like(times, 0.03))
    expected_cell, expected_shown = by_integration(stages, 1000.0, 7.0, 3.0, times)
    assert cell == pytest.approx(expected_cell, abs=4e-4)  # the steps of the integration, 1e-3 / 0.35 of 0.19
    assert shown == pytest.approx(expected_shown, abs=2e-4)


def test_the_way_back_from_air_has_its_time_constant_in_oxygen():
    gas = GasAtCell([Episode(start_s=1000.0, stages=(AIR,))], np.array([9.0]), process, 0.0)
    times = 1030.0 + DEAD_TIME_S + np.array([0.0, 9.0])
    cell, shown = gas.at(times, gas.segment(times), process(times))
    above = cell - process(times)
    assert above[1] / above[0] == pytest.approx(np.exp(-1.0), rel=1e-9)
    assert cell[0] == pytest.approx(0.2095, abs=1e-12)
    assert np.array_equal(cell, shown)


def test_air_is_at_the_cell_within_a_second_or_so():
    gas = GasAtCell([Episode(start_s=1000.0, stages=(AIR,))], np.array([9.0]), process, 0.0)
    times = np.array([999.9, 1001.5])
    cell, _ = gas.at(times, gas.segment(times), process(times))
    assert cell[0] == pytest.approx(process(999.9))
    assert cell[1] == pytest.approx(0.2095, abs=0.003)


def test_a_flag_is_up_while_its_gas_is_on_and_not_while_it_leaves():
    gas = GasAtCell([Episode(start_s=1000.0, stages=(AIR,))], np.array([9.0]), process, 0.0)
    times = np.array([999.5, 1000.0, 1029.5, 1030.0, 1030.5, 1040.0])
    segment = gas.segment(times)
    assert gas.running(times, segment, Kind.AIR_CHECK).tolist() == [0, 1, 1, 0, 0, 0]
    assert gas.running(times, segment, Kind.BLOWBACK).tolist() == [0] * 6


def test_the_process_goes_on_while_the_gas_comes_back():
    gas = GasAtCell([Episode(start_s=1000.0, stages=(AIR,))], np.array([9.0]), process, 0.0)
    times = np.array([1300.0])
    assert gas.at(times, gas.segment(times), process(times))[0] == pytest.approx(process(1300.0))


def test_overlapping_episodes_are_refused():
    episodes = [Episode(start_s=1000.0, stages=(AIR,)), Episode(start_s=1020.0, stages=(AIR,))]
    with pytest.raises(ValueError, match="1020"):
        GasAtCell(episodes, np.array([9.0, 9.0]), process, 0.0)


def test_a_timetable_counts_both_ways_from_its_anchor():
    timetable = Timetable(anchor_s=1_000_000.0, every_days=2, stages=(AIR,))
    starts = [episode.start_s for episode in timetable.between(1_000_000.0 - 4 * 86400.0, 1_000_000.0 + 2 * 86400.0)]
    assert starts == [1_000_000.0 + k * 2 * 86400.0 for k in (-2, -1, 0)]
