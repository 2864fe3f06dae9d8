import struct
from decimal import Decimal

import numpy as np
import pytest

from agent.simulate.faults import CalibrationJump, ColdStart, HeaterOpen, Silent
from agent.simulate.history import history_times, make_history, read_signals, signals_of
from agent.simulate.live import LivePlant
from agent.simulate.plant import make_plant

DAY_S = 86_400.0
LIVE_S = 1_760_000_000.0
CODES = {"int16": "h", "uint16": "H", "uint32": "I", "float32": "f"}


@pytest.fixture(scope="module")
def plant():
    return make_plant(1, live_start_utc_s=LIVE_S, days=4.0)


@pytest.fixture(scope="module")
def history(plant):
    return {probe: (time_s, signals) for probe, time_s, signals in make_history(plant)}


class Hand:
    """A clock that stands where it is put."""

    def __init__(self, now_s):
        self.now_s = now_s

    def __call__(self):
        return self.now_s


def decode(image, register_map, shift=0):
    """The signals of one probe out of its transmitter's registers, by the map; a plain reader's second opinion."""
    found = {}
    for name, register in register_map.signals.items():
        table, address = image[register.table], register.address + shift
        if register.table == "discrete" or register.bit is not None:
            found[name] = float((table[address] >> (register.bit or 0) & 1) ^ register.invert)
            continue
        words = [table[address + k] for k in range(struct.calcsize(CODES[register.type]) // 2)]
        words = words[::-1] if register.order == "cdab" else words
        raw = struct.unpack(">" + CODES[register.type], struct.pack(f">{len(words)}H", *words))[0]
        decimal = Decimal(str(np.float32(raw)) if register.type == "float32" else raw)
        value = float(decimal * Decimal(repr(register.scale)) + Decimal(repr(register.offset)))
        value = value if register.decimals is None else round(value, register.decimals)
        found[name] = np.nan if raw in register.sentinels else value
    for word in register_map.status_words.values():
        on = word.values[image[word.table][word.address + shift]]
        found |= {flag: float(flag in on) for flags in word.values.values() for flag in flags}
    return found


def test_every_probe_has_a_season_of_rows_that_rise_and_end_before_live(plant, history):
    assert history.keys() == plant.settings.probes.keys()
    for time_s, signals in history.values():
        assert np.all(np.diff(time_s) > 0)
        assert time_s[0] == LIVE_S - 4 * DAY_S
        assert LIVE_S - 60.0 <= time_s[-1] < LIVE_S
        assert all(values.shape == time_s.shape for values in signals.values())


def test_a_row_has_every_signal_of_the_map_and_the_boilers(plant, history):
    for probe, (_, signals) in history.items():
        own = set(signals_of(plant.settings.maps[plant.settings.probes[probe].map]))
        assert signals.keys() == own | {"load", "flue_temp", "firing"}
        assert all(np.isfinite(values).mean() > 0.9 for values in signals.values())


def test_rows_are_a_minute_apart_and_a_second_from_the_start_of_an_episode_to_ten_minutes_after(plant, history):
    time_s, _ = history["duct_mid"]
    episode = next(e for e in plant.models["duct_mid"].episodes if e.start_s > time_s[0])
    busy = (time_s[1:] > episode.start_s) & (time_s[1:] < episode.end_s + 600.0)
    assert np.diff(time_s)[busy] == pytest.approx(1.0)
    assert busy.sum() == pytest.approx(620, abs=2)
    assert np.median(np.diff(time_s)) in (1.0, 60.0)
    assert np.diff(time_s).max() <= 60.0


def test_episodes_that_follow_closely_make_one_run_of_fine_rows(plant):
    first = plant.models["duct_mid"].episodes[0]
    second = type(first)(start_s=first.start_s + 300.0, stages=first.stages)
    from_s, end_s = first.start_s - 600.0, first.start_s + 3000.0
    found = history_times((first, second), from_s, end_s, coarse_s=60.0, burst_s=1.0, after_s=600.0)
    assert np.all(np.diff(found) > 0)
    inside = (found >= first.start_s) & (found < second.end_s + 600.0)
    assert inside.sum() == pytest.approx(920, abs=2)


def test_history_may_end_before_live_begins_and_begin_late(plant):
    for _, time_s, signals in make_history(plant, end_utc_s=LIVE_S - 25.0, days=1.0):
        assert LIVE_S - 25.0 - 60.0 <= time_s[-1] < LIVE_S - 25.0
        assert time_s[0] == LIVE_S - 25.0 - DAY_S
        assert np.isfinite(signals["o2"]).any()


def test_how_history_is_cut_changes_no_value(plant, history):
    time_s, signals = history["grid_left"]
    some = slice(2_000, 2_700)
    again = read_signals(plant, "grid_left", time_s[some])
    for name, values in again.items():
        assert np.array_equal(values, signals[name][some], equal_nan=True), name


def test_registers_now_say_what_history_says_of_the_same_instant(plant, history):
    live = LivePlant(plant, Hand(LIVE_S))
    for probe_id, probe in plant.settings.probes.items():
        time_s, signals = history[probe_id]
        fine = np.flatnonzero(np.diff(time_s) < 2.0)
        for row in (0, 1000, *fine[:3], *fine[20:23], *fine[200:202], time_s.size - 1):
            image = live.advance(float(time_s[row]))[probe.line, probe.unit]
            found = decode(image, plant.settings.maps[probe.map], probe.address_shift)
            assert found == {name: signals[name][row] for name in found}


def test_live_goes_on_from_where_history_ended(plant, history):
    live = LivePlant(plant, Hand(LIVE_S))
    for probe, (time_s, signals) in history.items():
        after = live.values(probe, LIVE_S)
        gap_s = LIVE_S - time_s[-1]
        assert abs(after["o2"] - signals["o2"][-1]) < 0.6
        assert abs(after["cell_temp"] - signals["cell_temp"][-1]) < 2.5
        if "heater_on_time" in after:
            assert 0.0 <= after["heater_on_time"] % 1e6 - signals["heater_on_time"][-1] <= gap_s + 0.1


def test_values_have_the_resolution_of_their_registers(history):
    _, words = history["grid_left"]
    assert np.array_equal(words["o2"], np.rint(words["o2"] * 100) / 100)
    assert np.array_equal(words["cell_temp"], np.rint(words["cell_temp"] * 10) / 10)
    _, floats = history["econ_west"]
    assert all(f"{emf:.9g}" == f"{float(str(np.float32(emf))):.9g}" for emf in floats["cell_emf"][:500])
    _, small = history["bypass_one"]
    assert np.array_equal(small["cell_temp"], np.rint(small["cell_temp"]))
    assert set(np.unique(small["heater_on"])) == {0.0, 1.0}


def test_a_sampled_relay_is_on_as_often_as_the_duty_says(plant, history):
    time_s, signals = history["bypass_two"]
    duty = plant.models["bypass_two"].at(time_s, ["heater_output"])["heater_output"] / 100.0
    assert signals["heater_on"].mean() == pytest.approx(duty.mean(), abs=4 * 0.5 / np.sqrt(time_s.size))


def test_the_on_time_counter_is_the_integral_of_duty(plant, history):
    time_s, signals = history["stack_high"]
    duty = plant.models["stack_high"].at(time_s, ["heater_output"])["heater_output"] / 100.0
    integral = np.sum(0.5 * (duty[1:] + duty[:-1]) * np.diff(time_s))
    assert signals["heater_on_time"][-1] - signals["heater_on_time"][0] == pytest.approx(integral, rel=0.002)


def test_the_counter_wraps_in_a_season():
    plant = make_plant(1, live_start_utc_s=LIVE_S, days=60.0)
    times = plant.from_s + 3600.0 * np.arange(60 * 24)
    counted = read_signals(plant, "stack_low", times)["heater_on_time"]
    assert counted.max() < 1e6
    assert (np.diff(counted) < 0).sum() == pytest.approx(60 * 86400 * 0.4 / 1e6, abs=1)


def test_the_displayed_oxygen_is_held_where_its_map_says_so_and_lives_where_it_says_so(plant, history):
    for probe, held in (("econ_west", True), ("grid_left", False)):
        time_s, signals = history[probe]
        episode = next(e for e in plant.models[probe].episodes if e.start_s > time_s[0])
        during = signals["o2"][(time_s > episode.start_s + 15) & (time_s < episode.end_s)]
        assert during.size > 10
        if held:
            assert np.unique(during).size == 1
            assert during[0] < 10.0
        else:
            assert during == pytest.approx(20.95, abs=1.0)


def test_a_blowback_is_followed_by_an_exponential_return_of_its_time_constant(plant, history):
    time_s, signals = history["bypass_two"]
    model = plant.models["bypass_two"]
    episode = next(e for e in model.episodes if e.start_s > time_s[0] + 3600)
    tau_s = float(model.tau_s(np.array([episode.end_s]))[0])
    back = (time_s > episode.end_s + 2) & (time_s < episode.end_s + 2 + 2.5 * tau_s)
    end = np.median(signals["o2"][(time_s > episode.end_s + 12 * tau_s) & (time_s < episode.end_s + 16 * tau_s)])
    slope = np.polyfit(time_s[back], np.log(signals["o2"][back] - end), 1)[0]
    assert -1.0 / slope == pytest.approx(tau_s, rel=0.25)  # scatter of single episodes, and the process moves


def test_a_silent_transmitter_leaves_rows_with_nothing_of_its_own():
    plant = make_plant(3, live_start_utc_s=LIVE_S, days=40.0, story="season")
    fault = next(f for model in plant.models.values() for f in model.faults if isinstance(f, Silent))
    times = np.array([fault.onset_s - 60.0, fault.onset_s + 60.0, fault.until_s + 60.0])
    signals = read_signals(plant, fault.probe, times)
    assert np.isnan(signals["o2"]).tolist() == [False, True, False]
    assert np.isfinite(signals["load"]).all()
    live = LivePlant(plant, Hand(times[1]))
    probe = plant.settings.probes[fault.probe]
    if probe.line != "bypass":  # there the neighbour keeps the transmitter answering
        assert live.registers(probe.line, probe.unit) is None


def test_a_heater_that_opens_takes_all_it_can_get_while_the_cell_cools(plant):
    live = LivePlant(plant, Hand(LIVE_S))
    live.inject(HeaterOpen(probe="duct_south", onset_s=LIVE_S + 1800.0))
    before, early, late = (live.values("duct_south", LIVE_S + 1800.0 + after) for after in (-10.0, 60.0, 1800.0))
    assert before["heater_output"] < 60.0
    assert before["fault"] == 0.0
    assert early["heater_output"] == late["heater_output"] == 100.0
    flue = plant.boiler.at(np.array([LIVE_S + 3600.0])).flue_temp_c[0]
    # two time constants of a quarter of an hour: flue + (700 - flue) exp(-2)
    assert late["cell_temp"] == pytest.approx(flue + (700 - flue) * 0.1353, abs=5.0)
    assert late["fault"] == 1.0
    assert np.isnan(late["o2"])  # zirconia is no conductor at that temperature


def test_a_fault_let_happen_changes_nothing_before_it(plant):
    live = LivePlant(plant, Hand(LIVE_S))
    times = LIVE_S + np.array([0.0, 30.0, 500.0])
    before = [live.advance(float(at)) for at in times]
    live.inject(HeaterOpen(probe="grid_left", onset_s=LIVE_S + 1000.0))
    live.inject(Silent(probe="econ_west", onset_s=LIVE_S + 1000.0))
    assert [live.advance(float(at)) for at in times] == before


def test_a_fault_of_an_unknown_probe_is_refused(plant):
    with pytest.raises(KeyError):
        LivePlant(plant, Hand(LIVE_S)).inject(Silent(probe="nobody", onset_s=LIVE_S))


def test_after_a_cold_start_the_probe_warms_up_and_says_so(plant):
    live = LivePlant(plant, Hand(LIVE_S))
    live.inject(ColdStart(probe="stack_high", onset_s=LIVE_S + 100.0, until_s=LIVE_S + 7300.0))
    assert live.values("stack_high", LIVE_S + 200.0) is None
    warming = live.values("stack_high", LIVE_S + 7360.0)
    assert warming["warming_up"] == 1.0
    assert 300.0 < warming["cell_temp"] < 500.0
    assert live.values("stack_high", LIVE_S + 7300.0 + 3600.0)["warming_up"] == 0.0


def test_a_whole_line_goes_silent_and_its_feed_does_not(plant):
    live = LivePlant(plant, Hand(LIVE_S))
    live.silence_line("grid", onset_s=LIVE_S + 10.0)
    images = live.advance(LIVE_S + 20.0)
    assert images["grid", 1] is None
    assert images["grid", 9] is not None
    assert images["stack", 3] is not None


def test_registers_are_measured_anew_as_time_goes_on_and_when_the_clock_is_set_back(plant):
    clock = Hand(LIVE_S)
    live = LivePlant(plant, clock)
    first = live.registers("grid", 1)
    clock.now_s = LIVE_S + 0.05
    assert live.registers("grid", 1) is first
    clock.now_s = LIVE_S + 5.0
    assert live.registers("grid", 1) != first
    clock.now_s = LIVE_S
    assert live.registers("grid", 1) == first
    assert live.registers("grid", 200) is None


def test_the_first_seconds_of_live_are_the_demos_script(plant):
    live = LivePlant(plant, Hand(LIVE_S))

    def flag(probe, name, after_s):
        return live.values(probe, LIVE_S + after_s)[name]

    assert [flag("duct_north", "blowback_active", s) for s in (4.0, 6.0, 14.0, 16.0)] == [0, 1, 1, 0]
    assert [flag("econ_east", "air_check_active", s) for s in (7.0, 9.0, 57.0, 59.0)] == [0, 1, 1, 0]
    assert flag("duct_south", "blowback_active", 100.0) == 1
    ends_s = np.array([LIVE_S + 15.0])
    slow, healthy = plant.models["duct_north"].tau_s(ends_s), plant.models["duct_south"].tau_s(ends_s)
    parameters = {probe: plant.models[probe].parameters.tau_s for probe in ("duct_north", "duct_south")}
    assert slow[0] / parameters["duct_north"] > 2.4 * healthy[0] / parameters["duct_south"]
    assert slow[0] < 20.0  # so that a minute, three time constants, is long enough to judge it


def test_a_calibration_moves_what_is_stored_and_not_the_cell():
    plant = make_plant(1, live_start_utc_s=LIVE_S, days=60.0)
    jump = next(decoy for decoy in plant.decoys() if isinstance(decoy, CalibrationJump))
    times = np.array([jump.at_s - 30.0, jump.at_s + 30.0])
    found = plant.models[jump.probe].at(times, ["stored_offset", "cell_emf", "o2"])
    moved = jump.to_offset_mv - jump.from_offset_mv
    assert np.diff(found["stored_offset"])[0] == pytest.approx(moved)
    assert abs(np.diff(found["cell_emf"])[0]) < 1.5
