import numpy as np
import pytest

from agent.reconstruct.mode import MODES, ModeTracker
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from detectors.stretch import Stretch


def run(time_s, *, o2_frac=None, duty=None, tracker=None, **signals):
    time_s = np.asarray(time_s, float)
    n = time_s.size
    columns = {"cell_temp": np.full(n, 700.0), "o2": np.full(n, 3.0)}
    columns |= {name: np.asarray(value, float) for name, value in signals.items()}
    gas = np.full(n, 0.03) if o2_frac is None else np.asarray(o2_frac, float)
    duty = np.full(n, 0.4) if duty is None else np.asarray(duty, float)
    tracker = ModeTracker(EpisodeOptions()) if tracker is None else tracker
    track = tracker.run(Stretch(time_s, columns), gas, duty, np.full(n, 700.0))
    return [MODES[code] for code in track.code], track.presumed.tolist()


def test_a_hot_probe_with_flue_gas_is_in_service():
    assert run([0, 5, 10])[0] == [Mode.IN_SERVICE] * 3


def test_a_flagged_check_is_followed_by_ten_minutes_of_recovery():
    modes, presumed = run([0, 5, 10, 15, 609, 616], air_check_active=[0, 1, 1, 0, 0, 0])
    assert modes == [
        Mode.IN_SERVICE, Mode.AIR_CHECK, Mode.AIR_CHECK, Mode.RECOVERY, Mode.RECOVERY, Mode.IN_SERVICE,
    ]  # fmt: skip
    assert presumed == [False] * 6


def test_air_without_a_flag_is_presumed_to_be_a_check_and_says_so():
    modes, presumed = run([0, 5, 10, 15], o2_frac=[0.03, 0.2, 0.2, 0.05])
    assert modes == [Mode.IN_SERVICE, Mode.AIR_CHECK, Mode.AIR_CHECK, Mode.RECOVERY]
    assert presumed == [False, True, True, False]


def test_air_that_lingers_after_a_flagged_blowback_is_its_recovery_and_no_check_of_its_own():
    modes, presumed = run(
        [0, 1, 2, 3, 4, 5], blowback_active=[0, 1, 1, 0, 0, 0], o2_frac=[0.03, 0.1, 0.2, 0.2, 0.19, 0.1]
    )
    assert modes == [Mode.IN_SERVICE, Mode.BLOWBACK, Mode.BLOWBACK, Mode.RECOVERY, Mode.RECOVERY, Mode.RECOVERY]
    assert not any(presumed)


def test_unflagged_air_for_an_hour_is_no_check():
    time_s = np.arange(0.0, 3600.0, 60.0)
    modes, _ = run(time_s, o2_frac=np.full(60, 0.205))
    assert modes[0] is Mode.AIR_CHECK
    assert modes[-1] is Mode.UNKNOWN


def test_a_unit_that_does_not_fire_is_idle_whatever_the_gas():
    assert run([0, 5], o2_frac=[0.205, 0.205], firing=[0, 0])[0] == [Mode.IDLE_HOT] * 2


def test_a_gas_flag_says_more_than_calibrating():
    modes, _ = run([0, 5], calibrating=[1, 1], test_gas_active=[0, 1], o2_frac=[0.2, 0.01])
    assert modes == [Mode.AIR_CHECK, Mode.TEST_GAS]


def test_a_probe_that_heats_up_is_warming_and_one_that_falls_is_unknown():
    temp = [20, 100, 300, 600, 700, 650, 600, 640]
    modes, _ = run(np.arange(8) * 60.0, cell_temp=temp, duty=[1] * 8)
    assert modes[:4] == [Mode.WARMING_UP] * 4
    assert modes[4] is Mode.IN_SERVICE
    assert modes[5:7] == [Mode.UNKNOWN] * 2
    assert modes[7] is Mode.WARMING_UP  # 40 K above the coldest point


def test_cold_without_heat_is_off():
    assert run([0, 60], cell_temp=[20, 20], duty=[0, 0])[0] == [Mode.OFF] * 2


def test_a_sample_with_nothing_in_it_is_unknown_and_ends_nothing():
    nan = np.nan
    modes, _ = run([0, 5, 10], cell_temp=[700, nan, 700], o2=[3, nan, 3], o2_frac=[0.03, nan, 0.03])
    assert modes == [Mode.IN_SERVICE, Mode.UNKNOWN, Mode.IN_SERVICE]


@pytest.mark.parametrize("cut", range(1, 40))
def test_any_cut_and_a_restart_give_the_same_modes(cut):
    rng = np.random.default_rng(4)
    n = 40
    time_s = np.cumsum(rng.uniform(1, 400, n))
    columns = {
        "cell_temp": rng.choice([700.0, 640.0, 660.0, np.nan], n, p=[0.7, 0.1, 0.1, 0.1]),
        "o2": np.full(n, 3.0),
        "air_check_active": rng.choice([0.0, 1.0], n, p=[0.8, 0.2]),
        "firing": rng.choice([0.0, 1.0], n, p=[0.1, 0.9]),
    }
    gas = rng.choice([0.03, 0.2, np.nan], n, p=[0.6, 0.3, 0.1])
    duty = rng.choice([0.4, 1.0, 0.0, np.nan], n)
    whole, _ = run(time_s, o2_frac=gas, duty=duty, **columns)
    tracker = ModeTracker(EpisodeOptions())
    head, _ = run(
        time_s[:cut], o2_frac=gas[:cut], duty=duty[:cut], tracker=tracker, **{k: v[:cut] for k, v in columns.items()}
    )
    again = ModeTracker(EpisodeOptions(), tracker.to_dict())
    tail, _ = run(
        time_s[cut:], o2_frac=gas[cut:], duty=duty[cut:], tracker=again, **{k: v[cut:] for k, v in columns.items()}
    )
    assert head + tail == whole
