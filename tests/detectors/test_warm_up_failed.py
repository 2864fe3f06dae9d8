"""Warm-ups: learnt from cold starts, found when one takes twice as long, and nothing else taken for one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.warm_up_failed import WarmUpFailed, WarmUpFailedSettings
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    feed,
    found,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
    times,
)


def make(state):
    return WarmUpFailed(state=state)


def columns(t, duty, temp, *, said=False):
    n = len(t)
    return {
        "time_s": T0 + t,
        "duty": np.broadcast_to(duty, n).astype(float),
        "cell_temp_c": np.broadcast_to(temp, n).astype(float),
        "setpoint_c": np.full(n, 700.0),
        "warming_up": np.broadcast_to(said, n).astype(bool),
    }


def start(minutes, *, period_s=10.0, from_c=25.0, rest_s=3600.0, top_c=700.0):
    """Half an hour off, a straight rise in so many minutes, then service."""
    t = np.arange(0.0, 1800.0 + 60.0 * minutes + rest_s, period_s)
    heating = np.clip((t - 1800.0) / (60.0 * minutes), 0.0, 1.0)
    temp = np.minimum(from_c + (700.0 - from_c) * heating, top_c)
    return t, np.where(t < 1800.0, 0.0, np.where(temp < 699.0, 1.0, 0.45)), temp


def several(*each):
    parts, offset = [], 0.0
    for t, duty, temp in each:
        parts.append((t + offset, duty, temp))
        offset += t[-1] + 10.0
    return columns(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def naive(c, o):
    """The rule of time alone, for records whose starts are whole: (time, active)."""
    learnt, events, start_s, active, was_hot, last, wanted_s, arrived, whole = (
        [],
        [],
        None,
        False,
        False,
        None,
        None,
        0,
        False,
    )
    for t, d, temp, sp, said in zip(*c.values(), strict=True):
        if not np.isfinite([temp, sp]).all() or temp > 1100.0 or not (said or np.isfinite(d)):
            continue
        below, wanted = sp - temp, bool(said or d > 0.02)
        broken = (last is not None and t - last > o.off_s) or (
            wanted_s is not None and t - wanted_s > o.off_s and not wanted
        )
        first, last, wanted_s = last is None, t, t if wanted else wanted_s
        if broken and below > o.within_k:
            if active:
                events.append((t, False))
            start_s, active, was_hot = None, False, False
        if start_s is None and below <= o.start_below_k:
            was_hot = True
        elif start_s is None and wanted and not was_hot:
            start_s, whole, arrived = t, not first and below > o.cold_below_k, 0
        if start_s is None:
            continue
        arrived = arrived + 1 if below <= o.within_k else 0
        normal = float(np.median(learnt)) if len(learnt) >= o.learn_starts else None
        limit = o.unlearnt_s if normal is None else max(o.least_s, o.times_learnt * normal)
        if arrived >= 2:
            if whole and not active and len(learnt) < o.learn_starts:
                learnt.append(t - start_s)
            if active:
                events.append((t, False))
            start_s, active, was_hot = None, False, True
        elif not active and t - start_s > limit:
            active = True
            events.append((t, True))
    return events


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.choice([60.0, 120.0, 700.0], 400, p=[0.7, 0.28, 0.02]))
    temp = np.repeat(rng.choice([25.0, 300.0, 450.0, 650.0, 698.0, 700.0], 40), 10)
    c = spoil(rng, columns(t, np.repeat(rng.choice([0.0, 1.0, 1.0, 0.5], 40), 10), temp, said=rng.random(400) < 0.05))
    same_however_cut(make, c, where)
    assert [(f.at_s, f.active) for f in found(make, c)] == naive(c, WarmUpFailedSettings())


def test_90_minutes_while_unlearnt():
    assert found(make, several(start(88.0))) == []
    events = found(make, several(start(95.0)))
    assert [f.active for f in events] == [True, False]
    assert events[0].at_s - T0 == pytest.approx(1800.0 + 5410.0, abs=15.0)
    assert found(make, columns(np.arange(0.0, 9000.0, 30.0), 1.0, 400.0))[0].facts["began_cold"] is False


@pytest.mark.parametrize("period_s", [1.0, 60.0])
def test_twice_the_learnt_time(period_s):
    normal = [start(m, period_s=period_s) for m in (30.0, 32.0, 34.0)]
    events, detector = feed(make, several(*normal, start(62.0, period_s=period_s)))
    assert events == []
    assert detector.normal_s == pytest.approx(1920.0, rel=0.04)
    assert "a cold start takes" in detector.report().learnt
    events = found(make, several(*normal, start(70.0, period_s=period_s)))
    assert [f.active for f in events] == [True, False]
    assert events[0].baseline == pytest.approx(1920.0, rel=0.04)


def test_only_whole_cold_starts_are_learnt_from():
    warm = [start(10.0, from_c=550.0) for _ in range(5)]
    _, detector = feed(make, several(*warm))
    assert detector.state.learnt_s == []
    assert detector.report().watch == "learning"


def test_a_fall_at_full_output_a_given_up_start_and_a_probe_that_is_off_are_no_failed_warm_up():
    t = np.arange(0.0, 4 * 3600.0, 10.0)
    fall = 300.0 + 400.0 * np.exp(-np.maximum(0.0, t - 600.0) / 1800.0)
    assert found(make, columns(t, np.where(t < 620.0, 0.45, 1.0), fall)) == []
    assert found(make, columns(t, np.where(t < 4000.0, 1.0, 0.0), 400.0)) == []
    assert found(make, columns(t, 0.0, 25.0)) == []


def test_a_start_that_fails_ends_when_it_is_switched_off():
    t = np.arange(0.0, 4 * 3600.0, 10.0)
    events = found(make, columns(t, np.where(t < 7200.0, 1.0, 0.0), 400.0))
    assert [f.active for f in events] == [True, False]


def test_the_flag_alone_serves_where_duty_is_not_known_and_without_both_nothing_is_seen():
    t = np.arange(0.0, 9000.0, 10.0)
    assert found(make, columns(t, np.nan, 400.0, said=True)) != []
    _, detector = feed(make, columns(t, np.nan, 400.0))
    assert "duty" in detector.report().needs


def test_bad_input_is_harmless_and_silences_nothing():
    t = times(np.random.default_rng(0), 400) - T0
    bad_input_is_harmless(make, columns(t, 0.45, 700.0))
    one_bad_value_does_not_silence(make, columns(np.arange(0.0, 9000.0, 10.0), 1.0, 400.0))


@pytest.mark.parametrize("name", list(WarmUpFailedSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        WarmUpFailedSettings(**{name: float("nan")})
