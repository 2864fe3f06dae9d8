import numpy as np
import pytest

from agent.config.load import load_settings
from agent.config.model import Mqtt
from agent.simulate import settings as simulate_settings
from agent.simulate.faults import (
    ColdStart,
    FilterClosing,
    HeaterAgeing,
    HeaterOpen,
    OffsetDrift,
    OffsetRunaway,
    Shutdown,
    Silent,
    truth_of,
)
from agent.simulate.plant import make_plant
from agent.simulate.settings import demo_settings, plant_settings

DAY_S = 86_400.0
LIVE_S = 1_760_000_000.0


def test_the_plants_file_is_a_configuration_that_loads_without_complaint():
    path = simulate_settings.files("agent.simulate").joinpath("plant.toml")
    assert load_settings(path).probes.keys() == plant_settings().probes.keys()


def test_the_plant_has_the_variety_that_a_real_one_has():
    settings = plant_settings()
    assert len(settings.probes) >= 8
    assert len({probe.map for probe in settings.probes.values()}) >= 2
    lines = {line.kind for line in settings.lines.values()}
    assert lines == {"tcp", "rtu_over_tcp"}
    on_serial = [probe for probe in settings.probes.values() if settings.lines[probe.line].kind == "rtu_over_tcp"]
    assert len({probe.unit for probe in on_serial}) == 2
    orders = {register.order for found in settings.maps.values() for register in found.signals.values()}
    assert orders == {"abcd", "cdab"}


def test_the_demo_configuration_has_the_ports_and_the_broker_of_its_run(tmp_path):
    ports = {line: 20_000 + k for k, line in enumerate(plant_settings().lines)}
    settings = demo_settings(ports=ports, data_dir=tmp_path, mqtt=Mqtt(host="127.0.0.1", port=1884, tls=False))
    assert {line: at.port for line, at in settings.lines.items()} == ports
    assert (settings.data_dir, settings.mqtt.port) == (tmp_path, 1884)


@pytest.mark.parametrize("seed", range(6))
def test_the_demo_has_one_fault_of_each_of_three_kinds_and_shows_each_when_it_should(seed):
    plant = make_plant(seed, live_start_utc_s=LIVE_S)
    truth = {row.symptom: row for row in plant.truth()}
    assert {row.probe for row in truth.values()} == {"econ_east", "duct_north", "duct_mid"}
    # the 14-day median needs a week beyond the limit before it is beyond it as well
    assert truth["heater_duty_creep"].visible_from_s < LIVE_S - 7 * DAY_S
    # slow two days and one day ago, not three days ago
    slow_from = truth["slow_recovery"].visible_from_s
    assert LIVE_S - 3 * DAY_S + 60 < slow_from < LIVE_S - 2 * DAY_S - 60
    # in the check that begins 8 s into live, and not in yesterday's
    assert LIVE_S - DAY_S + 60 < truth["cell_offset_drift"].visible_from_s < LIVE_S + 8.0


@pytest.mark.parametrize("seed", range(6))
def test_yesterdays_offset_is_below_two_millivolts_and_todays_beyond_five(seed):
    plant = make_plant(seed, live_start_utc_s=LIVE_S)
    model = plant.models["econ_east"]
    checks = LIVE_S + 8.0 + 30.0 - DAY_S * np.arange(3.0)
    emf = [float(model.at(np.array([at]), ["cell_emf"])["cell_emf"][0]) for at in checks]
    assert abs(emf[0]) > 5.3
    assert abs(emf[1]) < 1.7
    assert abs(emf[2]) < 0.9


def test_a_season_has_a_fault_of_every_kind_each_on_a_probe_of_its_own():
    plant = make_plant(3, live_start_utc_s=LIVE_S, story="season")
    faults = [fault for model in plant.models.values() for fault in model.faults]
    assert {type(fault) for fault in faults} == {
        FilterClosing,
        HeaterAgeing,
        OffsetDrift,
        HeaterOpen,
        Silent,
        ColdStart,
    }
    assert len({fault.probe for fault in faults}) == 6
    assert all(plant.from_s < row.visible_from_s < plant.live_start_s for row in plant.truth())


@pytest.mark.parametrize("days", [1.0, 5.0, 20.0])
def test_a_short_history_makes_a_plant_too(days):
    plant = make_plant(2, live_start_utc_s=LIVE_S, days=days)
    assert all(getattr(decoy, "from_s", plant.from_s) >= plant.from_s for decoy in plant.decoys())


def test_no_history_at_all_is_refused():
    with pytest.raises(ValueError, match="days must be at least 1"):
        make_plant(2, live_start_utc_s=LIVE_S, days=float("nan"))


def test_the_truth_says_when_each_fault_crosses_its_limit():
    found = truth_of(
        [
            HeaterAgeing(probe="a", onset_s=0.0, per_day=0.004),  # 10 % after 25 days
            OffsetDrift(probe="b", onset_s=DAY_S, mv_per_day=-0.25),  # 5 mV after 20 days more
            FilterClosing(probe="c", onset_s=0.0, factor=4.0, over_days=10.0),  # twice after half of the way
            OffsetRunaway(probe="d", reached_s=30 * DAY_S, mv=5.0, e_fold_days=1.0),
            HeaterOpen(probe="e", onset_s=0.0),
            Silent(probe="f", onset_s=0.0),
            ColdStart(probe="g", onset_s=0.0, until_s=200.0),  # nobody notices
            FilterClosing(probe="h", onset_s=0.0, factor=1.5, over_days=10.0),  # never twice
        ]
    )
    assert {row.probe: row.visible_from_s for row in found} == pytest.approx(
        {"a": 25 * DAY_S, "b": 21 * DAY_S, "c": 5 * DAY_S, "d": 30 * DAY_S, "e": 120.0, "f": 300.0}
    )


def test_a_fault_is_as_bad_as_its_truth_says_at_that_moment():
    ageing = HeaterAgeing(probe="a", onset_s=0.0, per_day=0.004)
    closing = FilterClosing(probe="c", onset_s=0.0, factor=4.0, over_days=10.0, then_per_day=0.1)
    runaway = OffsetRunaway(probe="d", reached_s=30 * DAY_S, mv=-6.0, e_fold_days=1.0)
    times = {row.probe: np.array([row.visible_from_s]) for row in truth_of([ageing, closing, runaway])}
    assert ageing.demand_factor(times["a"]) == pytest.approx(1.1)
    assert closing.tau_factor(times["c"]) == pytest.approx(2.0)
    assert closing.tau_factor(np.array([11 * DAY_S])) == pytest.approx(4.4)
    assert runaway.offset_mv(times["d"]) == pytest.approx(-5.0)


def test_without_fire_there_is_air_in_the_ducts_and_the_flue_is_cold():
    plant = make_plant(1, live_start_utc_s=LIVE_S)
    stop = next(decoy for decoy in plant.decoys() if isinstance(decoy, Shutdown))
    times = np.array([stop.from_s - 3600.0, (stop.from_s + stop.to_s) / 2])
    state = plant.boiler.at(times)
    assert state.firing.tolist() == [1.0, 0.0]
    assert state.load_pct[1] == 0.0
    assert state.flue_temp_c[1] < 90.0 < state.flue_temp_c[0]
    o2 = plant.models["stack_low"].at(times, ["o2"])["o2"]
    assert o2[0] < 8.0
    assert o2[1] == pytest.approx(20.9, abs=0.7)


def test_oxygen_in_the_duct_wanders_as_flue_gas_does():
    plant = make_plant(1, live_start_utc_s=LIVE_S)
    times = plant.from_s + 600.0 * np.arange(100 * 144)
    state = plant.boiler.at(times)
    par = plant.models["duct_south"].parameters
    o2 = plant.boiler.o2_pct(times, state, bias=0.0, own_sd=par.o2_own_sd_pct, offset=par.noise_offset)
    fired = state.load_pct > 40
    rest = o2[fired] - np.polyval(np.polyfit(state.load_pct[fired], o2[fired], 1), state.load_pct[fired])
    # flue gas of a coal boiler after its load is taken out: sd 0.43..0.47 %, correlation 0.88 after 10 min, 0.53 after
    # 1 h, 0.22 after 6 h; ours is a little quieter
    assert 0.28 < np.std(rest) < 0.5

    def correlation(lag):
        return np.corrcoef(rest[lag:], rest[:-lag])[0, 1]

    assert correlation(1) > 0.75
    assert 0.35 < correlation(6) < 0.75
    assert correlation(36) < 0.4


def test_the_seed_makes_the_plant_and_another_makes_another():
    one, same, other = (make_plant(seed, live_start_utc_s=LIVE_S, days=3.0) for seed in (4, 4, 5))
    times = one.from_s + np.arange(0.0, 2 * DAY_S, 37.0)
    for probe in one.models:
        mine = one.models[probe].at(times, ["o2", "heater_output"])
        again = same.models[probe].at(times, ["o2", "heater_output"])
        theirs = other.models[probe].at(times, ["o2", "heater_output"])
        assert np.array_equal(mine["o2"], again["o2"])
        assert np.array_equal(mine["heater_output"], again["heater_output"])
        assert not np.array_equal(mine["o2"], theirs["o2"])
    assert one.models["duct_north"].parameters != other.models["duct_north"].parameters
