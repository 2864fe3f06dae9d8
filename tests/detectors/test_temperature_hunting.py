"""Swings about the set point, against the probe's own."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.temperature_hunting import TemperatureHunting, TemperatureHuntingSettings
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    feed,
    found,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
)


def make(state):
    return TemperatureHunting(TemperatureHuntingSettings(learn_hours=6), state)


def columns(t, temp, *, setpoint=700.0, service=True):
    n = len(t)
    return {
        "time_s": T0 + t,
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.broadcast_to(setpoint, n).astype(float),
        "in_service": np.broadcast_to(service, n).astype(bool),
    }


def swinging(hours=20.0, from_h=8.0, rms=4.0, period=600.0, noise=0.5, poll=30.0, offset=0.0, seed=0):
    t = np.arange(0.0, 3600.0 * hours, poll)
    swing = np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * t / period) * (t >= 3600.0 * from_h)
    return t, 700.0 + offset + swing + np.random.default_rng(seed).normal(0.0, noise, t.size)


def naive_hours(c, o):
    """(end, r.m.s., swings) of each complete hour, worked out sample by sample; the limit still to be applied."""
    cell, last_sp, changed, hours = None, None, -np.inf, {}
    order = []
    for t, temp, sp, service in zip(*c.values(), strict=True):
        if cell is not None and t // 10.0 <= cell:
            continue
        cell = t // 10.0
        if not np.isfinite([temp, sp]).all():
            continue
        if last_sp is not None and abs(sp - last_sp) > 1.5:
            changed = t
        last_sp = sp
        if not service or t - changed < 1800.0:
            continue
        hour = t // 3600.0
        order += [hour] if hour not in hours else []
        hours.setdefault(hour, []).append(min(max(temp - sp, -25.0), 25.0))
    out = []
    for hour in order[:-1]:
        away = hours[hour]
        if len(away) < o.least_samples:
            continue
        mean = sum(away) / len(away)
        rms = (sum((a - mean) ** 2 for a in away) / len(away)) ** 0.5
        turns = [np.sign(a) for a in away if abs(a) > 1.5]
        crossings = sum(a != b for a, b in zip(turns[1:], turns[:-1], strict=True))
        out.append(((hour + 1.0) * 3600.0, rms, crossings >= o.crossings and len(turns) >= 0.2 * len(away)))
    return out


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=30, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([3.0, 60.0, 130.0, 4000.0], 400, p=[0.2, 0.5, 0.29, 0.01]))
    size = np.repeat(rng.choice([0.5, 0.5, 6.0, 15.0], 8), 50)
    setpoint = np.repeat(rng.choice([700.0, 720.0], 4, p=[0.8, 0.2]), 100)
    c = spoil(
        rng, columns(t, setpoint + size * rng.normal(0, 1, 400), setpoint=setpoint, service=rng.random(400) < 0.97)
    )

    def small(state):
        return TemperatureHunting(TemperatureHuntingSettings(learn_hours=3, least_samples=8), state)

    same_however_cut(small, c, where)
    o = TemperatureHuntingSettings(learn_hours=3, least_samples=8)
    learn, recent, active, expected = [], [], False, []
    for end, rms, to_and_fro in naive_hours(c, o):
        limit = o.unlearnt_k if len(learn) < 3 else max(3.0, 3.0 * float(np.median(learn[:3])))
        learn.append(rms)
        recent = [*recent, (to_and_fro and rms > limit, rms, limit)][-4:]
        was = active
        if sum(r[0] for r in recent) >= 3:
            active = True
        elif was and all(not r[0] and r[1] < 0.7 * r[2] for r in recent):
            active = False
        if was or active:
            expected.append((end, active, pytest.approx(rms)))
    assert [(f.at_s, f.active, f.value) for f in found(small, c)] == expected


def test_a_swing_is_found_within_four_hours_and_ends():
    t, temp = swinging(30.0)
    temp[t >= 20 * 3600.0] = 700.0
    events = found(make, columns(t, temp))
    assert events[0].active
    assert events[0].at_s - T0 == 11 * 3600.0
    assert not events[-1].active
    assert events[-1].at_s - T0 == 24 * 3600.0
    assert events[0].facts["crossings_per_hour"] == pytest.approx(12, abs=1)


def test_both_sides_of_the_limits():
    assert found(make, columns(*swinging(rms=3.05, noise=0.0))) != []
    assert found(make, columns(*swinging(rms=2.95, noise=0.0))) == []
    assert found(make, columns(*swinging(rms=3.0, noise=1.5))) == []  # three times what it always does is 4.5
    assert found(make, columns(*swinging(rms=5.5, noise=1.5))) != []
    assert found(make, columns(*swinging(from_h=0.0, hours=5.5, rms=9.5))) == []  # while it learns: 10 K
    assert found(make, columns(*swinging(from_h=0.0, hours=5.5, rms=10.5))) != []


def test_an_offset_a_drift_wild_samples_a_set_point_that_moves_and_checks_are_no_swing():
    t, temp = swinging(40.0, rms=0.0)
    late = t > 8 * 3600.0
    rng = np.random.default_rng(3)
    assert found(make, columns(t, temp - 30.0 * late)) == []
    assert found(make, columns(t, temp - 20.0 * late * np.sin(t / 7200.0))) == []  # twelve hours to and fro
    assert found(make, columns(t, np.where(rng.random(t.size) < 0.02, rng.choice([0.0, 1300.0], t.size), temp))) == []
    assert found(make, columns(t, temp + 10.0 * np.sign(np.sin(t / 300.0)) * late, service=~late)) == []
    step = 700.0 + 20.0 * (np.floor(t / 7200.0) % 2)
    lagging = np.interp(t, t[::40] + 600.0, step[::40])
    assert found(make, columns(t, lagging + rng.normal(0.0, 0.5, t.size), setpoint=step)) == []


@pytest.mark.parametrize("seed", range(3))
def test_a_month_of_good_control_is_quiet(seed):
    t = np.arange(0.0, 30 * 86400.0, 60.0)
    rng = np.random.default_rng(seed)
    slow = np.convolve(rng.normal(0.0, 1.0, t.size), np.ones(20) / np.sqrt(20.0), "same")
    assert found(make, columns(t, np.round(700.0 + 0.8 * slow + 0.5 * rng.standard_t(3, t.size)))) == []


def test_it_says_what_it_has_learnt_and_a_recorded_repair_renews_it():
    assert "set point" in make(None).report().needs
    _, detector = feed(make, columns(*swinging(rms=0.0)))
    assert "usually 0.5" in detector.report().learnt
    detector.renew()
    assert detector.report().watch == "not_observable"


def test_bad_input_is_harmless_and_silences_nothing():
    t, temp = swinging(12.0, rms=0.0)
    bad_input_is_harmless(make, columns(t, temp))
    one_bad_value_does_not_silence(make, columns(*swinging()), at=960)


@pytest.mark.parametrize("name", list(TemperatureHuntingSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        TemperatureHuntingSettings(**{name: float("nan")})
