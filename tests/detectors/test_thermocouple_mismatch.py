"""Millivolts and head against the register, and the temperature that the slope tells."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor
from detectors.probe.thermocouple import temp_c_from_terminal, terminal_mv
from detectors.thermocouple_mismatch import (
    SlopeCheck,
    ThermocoupleMismatch,
    ThermocoupleMismatchSettings,
    ThermocoupleMismatchState,
)
from tests.detector_kit import (
    T0,
    bad_input_is_harmless,
    cuts,
    found,
    naive_two_sided,
    one_bad_value_does_not_silence,
    same_however_cut,
    spoil,
    times,
)


def make(state):
    return ThermocoupleMismatch(state=state)


def columns(t, away_k=0.0, *, head=45.0, temp=700.0, settled=True, step_mv=0.01):
    n = len(t)
    temp = np.broadcast_to(temp, n).astype(float)
    mv = np.round(terminal_mv(temp + away_k, np.full(n, head)) / step_mv) * step_mv
    return {
        "time_s": T0 + t,
        "thermocouple_mv": mv,
        "head_temp_c": np.full(n, float(head)),
        "cell_temp_c": temp,
        "settled": np.broadcast_to(settled, n).astype(bool),
    }


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    away = np.repeat(rng.choice([0.0, 6.0, 6.0, -7.0], 10), 40) + rng.normal(0.0, 1.0, 400)
    c = spoil(rng, columns(times(rng, 400) - T0, away, settled=np.repeat(rng.random(40) < 0.9, 10)))
    same_however_cut(make, c, where)
    minute, rows = None, []
    for t, mv, head, temp, settled in zip(*c.values(), strict=True):
        if not settled or not np.isfinite([mv, head, temp]).all() or (minute is not None and t // 60.0 <= minute):
            continue
        minute = t // 60.0
        apart = float(temp_c_from_terminal(mv, head, invalid="nan")) - temp
        if abs(apart) <= 2000.0:
            rows.append((t, apart))
    if not rows:
        return
    t, r = map(np.array, zip(*rows, strict=True))
    expected = naive_two_sided(HeldFor(hold_s=1800.0, release_s=1800.0), t, r, 5.0, 3.5)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == expected


@pytest.mark.parametrize("head", [-10.0, 45.0, 90.0])
def test_both_sides_of_the_limit(head):
    t = np.arange(0.0, 7200.0, 10.0)
    for away in (5.3, -5.3):
        one = found(make, columns(t, away, head=head))
        assert [f.active for f in one] == [True]
        assert one[0].value == pytest.approx(away, abs=0.2)
        assert one[0].facts["since_first"] is True
    assert found(make, columns(t, 4.7, head=head)) == []
    assert found(make, columns(t, 20.0, head=head, settled=False)) == []
    assert found(make, columns(t[:170], 20.0, head=head)) == []  # 28 min


def test_a_head_sensor_that_goes_20_k_wrong_is_found_and_ends_when_mended():
    t = np.arange(0.0, 4 * 3600.0, 5.0)
    c = columns(t)
    c["head_temp_c"][(t > 3600.0) & (t < 7200.0)] += 20.0
    events = found(make, c)
    assert [f.active for f in events] == [True, False]
    assert events[0].value == pytest.approx(19.4, abs=1.0)  # 20 K at 45 degC are 0.82 mV, 19.4 K at 700 degC
    assert events[0].facts["since_first"] is False


def check(n, slope, u=0.4):
    return SlopeCheck(at_s=T0 + n * 86400.0, slope_pct=slope, slope_u_pct=u, cell_temp_c=700.0)


def test_two_slopes_that_imply_another_temperature_are_found():
    detector = make(None)
    assert detector.update_checks([check(n, 98.0) for n in range(3)]) == []
    assert detector.update_checks([check(3, 101.0)]) == []  # one: 30 K
    saved = json.loads(json.dumps(detector.state.to_dict()))
    detector = make(ThermocoupleMismatchState.from_dict(saved))
    (one,) = detector.update_checks([check(4, 101.0)])
    assert one.active
    assert one.value == pytest.approx(973.15 * 3.0 / 98.0)
    assert one.facts["rule"] == "slope"
    assert [f.active for f in detector.update_checks([check(5, 98.2)])] == [False]
    assert detector.update_checks([check(6, 98.0)]) == []


def test_slopes_within_the_limit_unsure_or_of_both_sides_are_not():
    start = [check(n, 100.0) for n in range(3)]
    for rest in ([102.5, 102.5], [103.0, 97.0, 103.0], [103.0, 100.0, 103.0]):
        assert make(None).update_checks([*start, *(check(3 + i, s) for i, s in enumerate(rest))]) == []
    assert make(None).update_checks([*start, check(3, 103.0, 1.6), check(4, 103.0, 1.6)]) == []
    assert make(None).update_checks([check(n, 97.0) for n in range(2)])[0].active  # against 100 % while learning
    odd = [check(n, s) for n, s in enumerate([np.nan, np.inf, 0.0, 1e300, -5.0])]
    assert make(None).update_checks(odd) == []


def test_one_rule_goes_and_the_other_stays():
    t = np.arange(0.0, 3 * 3600.0, 10.0)
    detector = make(None)
    assert detector.update_checks([check(-2, 97.0), check(-1, 97.0)])[0].active
    events = detector.update(**columns(t, np.where(t < 5000.0, 8.0, 0.0)))
    assert [f.active for f in events] == [True, True]


def test_it_says_what_it_lacks():
    assert "head_temp" in make(None).report().needs
    detector = make(None)
    detector.update(**columns(np.arange(0.0, 100.0, 10.0)))
    assert "slope" in detector.report().needs
    with pytest.raises(ValueError, match="type_"):
        ThermocoupleMismatchSettings(type_="X")


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 7200.0, 10.0)
    bad_input_is_harmless(make, columns(t, 0.5))
    one_bad_value_does_not_silence(make, columns(t, 9.0))


@pytest.mark.parametrize("name", [n for n in ThermocoupleMismatchSettings.__slots__ if n != "type_"])
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ThermocoupleMismatchSettings(**{name: float("nan")})
