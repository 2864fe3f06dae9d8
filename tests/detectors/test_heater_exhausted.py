"""All output and not enough: found within minutes; heating up, checks and regulating are not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.heater_exhausted import HeaterExhausted, HeaterExhaustedSettings
from detectors.held import HeldFor
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
    return HeaterExhausted(state=state)


def columns(t, duty, temp, *, warming=False, checking=False):
    n = len(t)
    return {
        "time_s": T0 + t,
        "duty": np.broadcast_to(duty, n).astype(float),
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.full(n, 700.0),
        "warming_up": np.broadcast_to(warming, n).astype(bool),
        "checking": np.broadcast_to(checking, n).astype(bool),
    }


def sick(period_s=10.0, below=8.0, seed=0):
    t = np.arange(0.0, 3600.0, period_s)
    return columns(t, 1.0, np.round(700.0 - below + np.random.default_rng(seed).normal(0.0, 0.7, t.size)))


def healthy(seed=0):
    t = np.arange(0.0, 7200.0, 10.0)
    rng = np.random.default_rng(seed)
    return columns(t, 0.45 + rng.normal(0.0, 0.03, t.size), 700.0 + rng.normal(0.0, 0.7, t.size))


def naive(c, o):
    """The definition, a sample at a time, with the ceiling at 95 %."""
    rows, risen, misses = [], None, 0
    for t, d, temp, s, w, k in zip(*c.values(), strict=True):
        if k or not np.isfinite([d, temp, s]).all():
            continue
        on = d >= 0.95 and s - temp > o.below_setpoint_k and not w
        off = d < 0.9 or s - temp < o.clear_below_k or w
        breaks = False
        if on:
            misses = 0
            breaks = risen is not None and temp >= risen + o.rising_k
            risen = temp if risen is None or breaks else risen
        else:
            misses += 1
            risen = None if misses >= 2 else risen
        rows.append((t, on, off, breaks))
    if not rows:
        return []
    t, on, off, breaks = map(np.array, zip(*rows, strict=True))
    return naive_held(HeldFor(hold_s=o.hold_s, release_s=o.release_s), t, on, off, breaks)


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = times(rng, 400)
    pace = np.repeat(rng.choice([-0.01, 0.0, 0.0, 0.01], 20), 20)
    temp = np.clip(693.0 + np.cumsum(pace * np.diff(t, prepend=t[0])), 600.0, 702.0) + np.round(rng.normal(0, 0.8, 400))
    duty = np.repeat(rng.choice([1.0, 0.92, 0.5], 10, p=[0.7, 0.2, 0.1]), 40)
    c = columns(t - T0, duty, temp, warming=np.repeat(rng.random(20) < 0.1, 20), checking=rng.random(400) < 0.02)
    c = spoil(rng, c)
    same_however_cut(make, c, where)
    # The largest output is full from the start, so that nothing is learnt below it.
    head = columns(np.array([-3.0, -2.0, -1.0]), 1.0, 700.0)
    c = {k: np.concatenate([head[k], v]) for k, v in c.items()}
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == naive(c, HeaterExhaustedSettings())


@pytest.mark.parametrize("period_s", [1.0, 10.0, 60.0, 300.0])
def test_an_exhausted_heater_is_found_in_ten_minutes(period_s):
    one = found(make, sick(period_s))
    assert [f.active for f in one] == [True]
    assert 600.0 <= one[0].at_s - T0 <= 700.0 + 2.0 * period_s
    assert one[0].facts["below_setpoint_k"] == pytest.approx(8.0, abs=3.0)


def test_both_sides_of_the_limits():
    t = np.arange(0.0, 3600.0, 10.0)
    assert found(make, columns(t, 0.96, 694.9)) != []
    assert found(make, columns(t, 0.96, 695.1)) == []
    assert found(make, columns(t, 0.94, 690.0)) == []
    assert found(make, columns(t[:61], 1.0, 690.0)) == []  # the tenth minute ends with the next sample
    assert found(make, columns(t[:63], 1.0, 690.0)) != []


@pytest.mark.parametrize("seed", range(5))
def test_heating_up_a_check_a_disturbance_and_a_higher_set_point_are_not_exhaustion(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 5400.0, 10.0)
    noise = rng.normal(0.0, 0.5, t.size)
    rise = 20.0 + 690.0 * (1.0 - np.exp(-t / 1200.0)) + noise  # aims at 710, gets there late
    assert found(make, columns(t, 1.0, np.minimum(rise, 700.0), warming=True)) == []
    assert found(make, columns(t, 1.0, np.minimum(rise, 700.0 + noise))) == []  # nor where no mask says so
    assert found(make, columns(t, 1.0, 680.0 + noise, checking=True)) == []
    dip = 700.0 - 20.0 * np.exp(-np.maximum(0.0, t - 600.0) / 500.0) * (t > 600.0)
    assert found(make, columns(t, np.where(dip < 698.0, 1.0, 0.5), dip + noise)) == []


def test_a_controller_that_stops_at_80_percent_is_learnt_in_its_warm_up():
    t = np.arange(0.0, 7200.0, 10.0)
    warm = t < 3600.0
    temp = np.where(warm, 20.0 + 660.0 * np.minimum(t / 3500.0, 1.0), 688.0)
    assert [f.active for f in found(make, columns(t, 0.8, temp, warming=warm))] == [True]
    assert found(make, columns(t, np.where(warm, 0.8, 0.6), temp, warming=warm)) == []
    assert found(make, columns(t, np.where(warm, 0.4, 0.4), temp, warming=warm)) == []  # no ceiling is that low


def test_it_ends_when_the_cell_is_back():
    c = sick()
    c["cell_temp_c"][180:], c["duty"][180:] = 699.0, 0.7
    assert [f.active for f in found(make, c)] == [True, False]


def test_it_says_what_it_lacks_and_what_it_has_learnt():
    detector = make(None)
    assert "duty" in detector.report().needs
    detector.update(**healthy())
    assert "95 %" in detector.report().learnt
    assert detector.advance(T0 + 1e9) == []


def test_bad_input_is_harmless_and_silences_nothing():
    bad_input_is_harmless(make, healthy())
    one_bad_value_does_not_silence(make, sick())


@pytest.mark.parametrize("name", list(HeaterExhaustedSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        HeaterExhaustedSettings(**{name: float("nan")})
