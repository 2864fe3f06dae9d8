"""The transmitter's own fault bit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.held import HeldFor
from detectors.transmitter_fault import TransmitterFault, TransmitterFaultSettings
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
    return TransmitterFault(state=state)


def columns(t, fault, code=17.0):
    return {"time_s": T0 + t, "fault": np.array(fault, float), "fault_code": np.full(len(t), code)}


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    c = columns(times(rng, 400) - T0, np.repeat(rng.random(40) < 0.4, 10))
    c = spoil(rng, c)
    same_however_cut(make, c, where)
    use = np.isfinite(c["fault"])
    t, bit = c["time_s"][use], c["fault"][use]
    expected = naive_held(HeldFor(hold_s=60.0, release_s=60.0), t, bit == 1.0, bit == 0.0)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == expected


@pytest.mark.parametrize("period_s", [1.0, 5.0, 20.0])
def test_a_minute_of_the_bit_is_found_with_its_code_and_ends(period_s):
    t = np.arange(0.0, 1200.0, period_s)
    events = found(make, columns(t, (t >= 300.0) & (t < 600.0)))
    assert [f.active for f in events] == [True, False]
    assert 360.0 <= events[0].at_s - T0 <= 360.0 + 2 * period_s
    assert events[0].facts == {"fault_code": 17.0}
    assert found(make, columns(t, (t >= 300.0) & (t < 345.0))) == []


def test_no_bit_says_what_is_needed_and_a_missing_code_is_left_out():
    assert make(None).report().needs == "fault"
    t = np.arange(0.0, 200.0, 5.0)
    assert found(make, columns(t, t >= 0.0, np.nan))[0].facts == {}


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 1200.0, 5.0)
    bad_input_is_harmless(make, columns(t, t < 0.0))
    one_bad_value_does_not_silence(make, columns(t, t >= 0.0))


@pytest.mark.parametrize("name", list(TransmitterFaultSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        TransmitterFaultSettings(**{name: float("nan")})
