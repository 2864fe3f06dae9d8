"""Near air on load."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor
from detectors.reads_air_while_firing import ReadsAirWhileFiring, ReadsAirWhileFiringSettings
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
    return ReadsAirWhileFiring(state=state)


def trimmed(state):
    return ReadsAirWhileFiring(ReadsAirWhileFiringSettings(used_by_trim=True), state)


def columns(t, o2, *, firing=1.0, load=np.nan, checking=False, held=False):
    n = len(t)
    return {
        "time_s": T0 + t,
        "o2_pct": np.broadcast_to(o2, n).astype(float),
        "firing": np.broadcast_to(firing, n).astype(float),
        "load_pct": np.broadcast_to(load, n).astype(float),
        "checking": np.broadcast_to(checking, n).astype(bool),
        "held_display": np.broadcast_to(held, n).astype(bool),
    }


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    c = columns(times(rng, 400) - T0, np.repeat(rng.choice([3.0, 17.0, 20.9, 20.9], 20), 20) + rng.normal(0, 0.5, 400))
    c["firing"] = np.repeat(rng.choice([1.0, 1.0, 1.0, 0.0, np.nan], 10), 40)
    c["load_pct"] = np.repeat(rng.choice([80.0, 80.0, 10.0, np.nan], 10), 40)
    c["checking"] = np.repeat(rng.random(20) < 0.1, 20)
    c = spoil(rng, c)
    for maker, hold_s in ((make, 600.0), (trimmed, 60.0)):
        same_however_cut(maker, c, where)
        rows, idle_s = [], c["time_s"][0]
        for t, o2, firing, load, check, still in zip(*c.values(), strict=True):
            idle = firing == 0.0 or load < 20.0
            idle_s = t if idle else idle_s
            if (idle or firing == 1.0 or load >= 20.0) and 0.0 <= o2 <= 100.0 and not check and not still:
                rows.append((t, o2 > 18.0 and not idle and t - idle_s >= 300.0, idle or o2 < 16.0))
        t, on, off = map(np.array, zip(*rows, strict=True)) if rows else (np.zeros(0),) * 3
        expected = naive_held(HeldFor(hold_s=hold_s, release_s=60.0), t, on, off)
        assert [(f.at_s, f.active, f.since_s) for f in found(maker, c)] == expected


def test_both_sides_of_the_limits_and_the_gates():
    t = np.arange(0.0, 3600.0, 5.0)
    air = np.where(t > 1000.0, 20.9, 3.0)
    assert found(make, columns(t, air))[0].at_s - T0 == pytest.approx(1610.0)
    assert found(trimmed, columns(t, air))[0].at_s - T0 == pytest.approx(1070.0)
    assert found(make, columns(t, np.minimum(air, 18.1))) != []
    assert found(make, columns(t, np.minimum(air, 17.9))) == []
    assert found(make, columns(t, air, firing=0.0)) == []
    assert found(make, columns(t, air, load=19.0)) == []
    assert found(make, columns(t, air, firing=np.nan)) == []
    assert found(make, columns(t, air, firing=np.nan, load=60.0)) != []
    assert found(make, columns(t, air, checking=t > 900.0)) == []
    assert found(make, columns(t, air, held=True)) == []
    assert found(make, columns(t, np.where((t > 1000.0) & (t < 1590.0), 20.9, 3.0))) == []  # an unflagged check
    light_off = columns(t, np.where(t < 1250.0, 20.9, 4.0), firing=(t >= 1000.0).astype(float))
    assert found(trimmed, light_off) == []


def test_it_ends_and_says_what_it_lacks():
    t = np.arange(0.0, 3600.0, 5.0)
    events = found(make, columns(t, np.where(t < 2000.0, 20.9, 3.0)))
    assert [f.active for f in events] == [True, False]
    detector = make(None)
    detector.update(**columns(t, 3.0, firing=np.nan))
    assert "firing or load" in detector.report().needs


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 3600.0, 5.0)
    bad_input_is_harmless(trimmed, columns(t, 3.0, load=70.0))
    one_bad_value_does_not_silence(make, columns(t, 20.9, load=70.0))


@pytest.mark.parametrize("name", [n for n in ReadsAirWhileFiringSettings.__slots__ if n != "used_by_trim"])
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ReadsAirWhileFiringSettings(**{name: float("nan")})
