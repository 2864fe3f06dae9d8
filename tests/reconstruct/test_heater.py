import json

import numpy as np
import pytest

from agent.config.model import Conventions, Probe
from agent.reconstruct.heater import DutySource, Heater, duty_source
from agent.reconstruct.heater_minutes import HeaterMinutesMaker
from detectors.stretch import Stretch

PROBE = Probe(line="a", map="m", nominal_voltage=230)


def heater(*mapped, wraps=None, **conventions):
    return Heater(PROBE, Conventions(**conventions), frozenset(mapped), wraps or {})


def stretch(time_s, **signals):
    return Stretch(np.asarray(time_s, float), {name: np.asarray(value, float) for name, value in signals.items()})


def test_output_of_unknown_meaning_is_no_duty():
    assert duty_source(frozenset({"heater_output"}), Conventions()) is DutySource.NONE
    assert duty_source(frozenset({"heater_output", "heater_on"}), Conventions()) is DutySource.RELAY


def test_output_that_is_duty_is_a_share():
    track = heater("heater_output", heater_output="duty").run(stretch([0, 1, 2], heater_output=[40, 101, np.nan]))
    assert track.duty[0] == pytest.approx(0.40)
    assert np.isnan(track.duty[1:]).all()  # 101 % is no duty, and missing is not zero


def test_demand_is_duty_at_nominal_voltage():
    # Power of a resistance goes with the square of the voltage: 207 V of 230 V needs 1.2346 times the duty.
    track = heater("heater_output", "supply_voltage", heater_output="duty").run(
        stretch([0], heater_output=[49.3827], supply_voltage=[207.0])
    )
    assert track.demand[0] == pytest.approx(0.40, abs=1e-5)


def test_a_counter_gives_the_duty_since_the_last_sample():
    track = heater("heater_on_time").run(stretch([0, 60, 120], heater_on_time=[1000, 1024, 1054]))
    assert np.isnan(track.duty[0])
    assert track.duty[1:] == pytest.approx([0.4, 0.5])


def test_a_wrap_is_counted_through_and_a_reset_is_missing():
    one = heater("heater_on_time", wraps={"heater_on_time": 65536.0})
    track = one.run(stretch([0, 60, 120, 180], heater_on_time=[65520, 8, 38, 3]))
    assert track.duty[1] == pytest.approx(24 / 60)
    assert track.duty[2] == pytest.approx(30 / 60)
    assert np.isnan(track.duty[3])
    assert one.resets == 1


def test_a_counter_that_runs_faster_than_time_is_missing():
    track = heater("heater_on_time").run(stretch([0, 60], heater_on_time=[0, 90]))
    assert np.isnan(track.duty[1])


def test_metered_energy_gives_watts_and_never_duty():
    track = heater("heater_energy").run(stretch([0, 3600], heater_energy=[0, 120]))
    assert track.watts[1] == pytest.approx(120.0)
    assert np.isnan(track.duty).all()


def test_metered_energy_with_volts_and_amperes_tells_the_demand():
    """100 W at 176 ohm and 230 V nominal: 100 x 176 / 230^2 = 0.3327, whatever the supply."""
    mapped = ("heater_energy", "supply_voltage", "heater_current")
    assert duty_source(frozenset(mapped), Conventions()) is DutySource.ENERGY
    time_s = 60.0 * np.arange(2 * 60 + 1)
    amps = np.where(np.arange(time_s.size) % 3 == 0, 220.0 / 176.0, 0.0)  # on in every third sample
    data = stretch(
        time_s,
        heater_energy=np.floor(100.0 * time_s / 3600.0),
        supply_voltage=np.full(time_s.size, 220.0),
        heater_current=amps,
    )
    one = heater(*mapped)
    maker = HeaterMinutesMaker(one.source, has_voltage=True)
    minutes = maker.add(data, one.run(data), np.ones(time_s.size, bool))
    assert minutes.usable.all()
    assert minutes.demand[-1] == pytest.approx(100.0 * 176.0 / 230.0**2, rel=0.01)
    assert np.isnan(one.run(stretch([9000.0], heater_energy=[300.0])).duty).all()


def test_resistance_is_volts_over_amps_while_current_flows():
    track = heater("supply_voltage", "heater_current").run(
        stretch([0, 1], supply_voltage=[230, 230], heater_current=[1.3068, 0.0])
    )
    assert track.resistance_ohm[0] == pytest.approx(176.0, abs=0.01)
    assert np.isnan(track.resistance_ohm[1])


def relay_minutes(cycle_s, poll_s, *, dither_s=0.0, hours=3):
    rng = np.random.default_rng(1)
    time_s = np.arange(0, hours * 3600.0, poll_s)
    time_s = time_s + rng.uniform(0, dither_s, time_s.size)
    on = (time_s % cycle_s < 0.4 * cycle_s).astype(float)
    one = heater("heater_on")
    maker = HeaterMinutesMaker(one.source, has_voltage=False)
    data = stretch(time_s, heater_on=on)
    return maker.add(data, one.run(data), np.ones(time_s.size, bool)), maker


def test_a_relay_sampled_in_step_with_its_cycle_tells_nothing():
    minutes, maker = relay_minutes(60.0, 60.0)
    assert not minutes.usable.any()
    assert maker.aliased


def test_a_relay_sampled_with_dither_tells_its_duty():
    minutes, maker = relay_minutes(60.0, 5.0, dither_s=4.0)
    assert minutes.usable.all()
    assert minutes.duty == pytest.approx(0.4, abs=0.06)
    assert not maker.aliased


def test_a_slow_beat_between_poll_and_cycle_is_worth_little_and_is_missing():
    minutes, _ = relay_minutes(60.0, 60.02)  # one sample of every cycle, creeping through it in 50 hours
    assert not minutes.usable.any()


def output_minutes(output, *, poll_s=60.0, cuts=()):
    time_s = poll_s * np.arange(output.size)
    one = heater("heater_output", heater_output="duty")
    maker = HeaterMinutesMaker(one.source, has_voltage=False)
    out = []
    for part in np.split(np.arange(output.size), cuts):
        data = stretch(time_s[part], heater_output=output[part])
        out.append(maker.add(data, one.run(data), np.ones(part.size, bool)))
        maker = HeaterMinutesMaker(one.source, has_voltage=False, state=json.loads(json.dumps(maker.to_dict())))
    return (
        np.concatenate([m.time_s for m in out]),
        np.concatenate([m.duty for m in out]),
        [m.usable for m in out],
        maker,
    )


def test_an_output_of_0_or_100_is_a_relay_and_its_polls_no_duty():
    rng = np.random.default_rng(3)
    _, duty, usable, _ = output_minutes(100.0 * (rng.random(24 * 60) < 0.4))
    assert duty == pytest.approx(0.4, abs=0.15)  # 120 samples a window: 0.045, three and a bit of them
    assert np.concatenate(usable).all()
    assert output_minutes(np.full(600, 100.0))[3].aliased  # in step with its cycle, or at its end: no duty to learn


def test_a_true_output_is_averaged_by_the_minute_from_its_third_hour_on():
    output = 40.0 + np.arange(600) / 100.0
    time_s, duty, _, maker = output_minutes(output)
    assert time_s.tolist() == (60.0 * np.arange(120, 599)).tolist()
    assert duty == pytest.approx(output[120:599] / 100.0, abs=1e-6)
    assert not maker.aliased


@pytest.mark.parametrize("cuts", [[1, 2, 150], [120], [121], [300, 360], [359, 360, 361]])
def test_when_an_output_shows_itself_does_not_depend_on_the_cut(cuts):
    output = np.r_[np.tile([0.0, 100.0, 100.0], 80), np.full(360, 55.0)]
    whole, parts = output_minutes(output), output_minutes(output, cuts=cuts)
    assert (whole[0] == parts[0]).all()
    assert (whole[1] == parts[1]).all()
    assert (np.concatenate(whole[2]) == np.concatenate(parts[2])).all()
