"""An open thermocouple: burnout values and steps that no temperature makes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor
from detectors.probe.thermocouple import terminal_mv
from detectors.thermocouple_open import ThermocoupleOpen, ThermocoupleOpenSettings
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    found,
    naive_held,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
    times,
)


def make(state):
    return ThermocoupleOpen(state=state)


def columns(t, temp=np.nan, *, mv=np.nan, head=45.0, setpoint=700.0):
    n = len(t)
    return {
        "time_s": T0 + t,
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.broadcast_to(setpoint, n).astype(float),
        "head_temp_c": np.broadcast_to(head, n).astype(float),
        "thermocouple_mv": np.broadcast_to(mv, n).astype(float),
    }


def naive(c, o):
    """The definition, a sample at a time."""
    last, steady, level = {}, {"c": 0, "mv": 0}, {"c": None, "mv": None}
    rows = []
    ends = {"c": (o.burnout_low_c, o.burnout_high_c), "mv": (o.burnout_low_mv, o.burnout_high_mv)}
    limits = {"c": (o.step_k, o.step_k_per_s), "mv": (o.step_mv, o.step_mv_per_s)}
    for t, temp, sp, head, mv in zip(*c.values(), strict=True):
        values = {k: v for k, v in (("c", temp), ("mv", mv)) if abs(v) < 5000.0}
        if not values:
            continue
        on = False
        for k, v in values.items():
            if not ends[k][0] <= v <= ends[k][1]:
                on = True
                continue
            step, per_s = limits[k]
            jump = k in last and abs(v - last[k][1]) > step + per_s * (t - last[k][0])
            if level[k] is None and jump and steady[k] >= 3:
                level[k] = last[k][1]
            steady[k] = 1 if jump else steady[k] + 1
            last[k] = (t, v)
            if level[k] is not None and abs(v - level[k]) <= step:
                level[k] = None
            near = abs(mv) <= 1.0 if k == "mv" else (abs(temp - head) <= 25.0 if np.isfinite(head) else temp <= 80.0)
            if level[k] is not None and not near and not abs(temp - sp) <= o.near_setpoint_k:
                on = True
        rows.append((t, on, not on))
    if not rows:
        return []
    t, on, off = map(np.array, zip(*rows, strict=True))
    return naive_held(HeldFor(hold_s=o.hold_s, release_s=o.release_s), t, on, off)


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=50, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    temp = np.repeat(rng.choice([700.0, 700.0, 700.0, 300.0, 50.0, 1372.0, -200.0], 20), 20) + rng.normal(0, 2, 400)
    mv = np.where(rng.random(400) < 0.5, np.nan, 0.041 * temp)
    c = spoil(rng, columns(times(rng, 400) - T0, temp, mv=mv, head=rng.choice([45.0, np.nan], 400)))
    same_however_cut(make, c, where)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == naive(c, ThermocoupleOpenSettings())


@pytest.mark.parametrize("value", [1372.0, 1101.0, -51.0, -200.0])
@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0])
def test_a_burnout_value_is_found_in_half_a_minute_and_ends_when_mended(value, period_s):
    t = np.arange(0.0, 2400.0, period_s)
    temp = np.where((t >= 600.0) & (t < 1500.0), value, 700.0)
    events = found(make, columns(t, temp))
    assert [f.active for f in events] == [True, False]
    assert events[0].at_s - T0 <= 630.0 + 3.0 * period_s
    assert events[0].facts["rule"] == "burnout"


def test_a_step_that_stays_is_found_and_what_a_temperature_can_do_is_not():
    t = np.arange(0.0, 3600.0, 10.0)
    up = t >= 600.0
    assert found(make, columns(t, np.where(up, 880.0, 700.0)))[0].facts["rule"] == "step"
    assert found(make, columns(t, np.where(up, 540.0, 700.0)))[0].facts["before_c"] == 700.0
    assert found(make, columns(t, np.where(up, 551.0, 700.0))) == []  # 100 K and ten seconds of 5 K/s
    assert found(make, columns(t, np.where(up, 50.0, 700.0))) == []  # the head: a short
    assert found(make, columns(t, np.where(up, 50.0, 700.0), head=np.nan)) == []
    assert found(make, columns(t, np.where(t < 600.0, 0.0, 700.0))) == []  # an interface that starts with zeros
    assert found(make, columns(t, np.where(t % 600.0 == 0.0, 0.0, 700.0))) == []  # lone zeros
    assert found(make, columns(t, 25.0 + 2.0 * np.minimum(t, 337.0))) == []  # heating at 2 K/s


def test_a_cell_that_cooled_in_a_hole_made_no_step():
    t = np.concatenate([np.arange(0.0, 600.0, 10.0), 1800.0 + np.arange(0.0, 600.0, 10.0)])
    assert found(make, columns(t, np.where(t < 600.0, 700.0, 400.0))) == []


def test_millivolts_alone_are_enough():
    t = np.arange(0.0, 1800.0, 10.0)
    healthy = float(terminal_mv(700.0, 45.0))
    for value, expected in ((60.0, [True]), (-8.0, [True]), (20.0, [True]), (24.0, []), (0.1, [])):
        assert [f.active for f in found(make, columns(t, mv=np.where(t < 600.0, healthy, value)))] == expected


def test_it_says_what_it_lacks():
    assert "cell_temp" in make(None).report().needs
    assert make(None).advance(T0) == []


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 1800.0, 5.0)
    bad_input_is_harmless(make, columns(t, 700.0, mv=27.3))
    one_bad_value_does_not_silence(make, columns(t, np.where(t < 600.0, 700.0, 1372.0)))
    one_bad_value_does_not_silence(make, columns(t, np.where(t < 600.0, 700.0, 880.0)))


@pytest.mark.parametrize("name", list(ThermocoupleOpenSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ThermocoupleOpenSettings(**{name: float("nan")})
