"""The display against its own millivolts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.constants_inconsistent import ConstantsInconsistent, ConstantsInconsistentSettings
from detectors.held import HeldFor
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
    return ConstantsInconsistent(state=state)


def columns(t, residual, u=0.05, *, steady=True):
    n = len(t)
    return {
        "time_s": T0 + t,
        "residual_mv": np.broadcast_to(residual, n).astype(float),
        "residual_u_mv": np.broadcast_to(u, n).astype(float),
        "steady": np.broadcast_to(steady, n).astype(bool),
    }


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    residual = np.repeat(rng.choice([0.0, 1.5, 1.5, -2.0], 10), 40) + rng.normal(0.0, 0.2, 400)
    c = columns(times(rng, 400) - T0, residual, rng.choice([0.05, 0.3, np.nan], 400, p=[0.9, 0.05, 0.05]))
    c["steady"] = np.repeat(rng.random(40) < 0.9, 10)
    c = spoil(rng, c)
    same_however_cut(make, c, where)
    minute, rows = None, []
    for t, r, u, steady in zip(*c.values(), strict=True):
        if not steady or not abs(r) <= 2000.0 or (minute is not None and t // 60.0 <= minute):
            continue
        minute, limit = t // 60.0, max(1.0, 4.0 * u if np.isfinite(u) else 0.0)
        rows.append((t, r, limit))
    if not rows:
        return
    t, r, limit = map(np.array, zip(*rows, strict=True))
    expected = naive_two_sided(HeldFor(hold_s=1800.0, release_s=1800.0), t, r, limit, 0.7 * limit)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == expected


@pytest.mark.parametrize("period_s", [1.0, 10.0, 300.0])
def test_half_an_hour_of_a_residual_is_found(period_s):
    t = np.arange(0.0, 7200.0, period_s)
    one = found(make, columns(t, np.where(t > 1000.0, 1.2, 0.1)))
    assert [f.active for f in one] == [True]
    assert 1800.0 <= one[0].at_s - T0 - 1000.0 <= 1980.0 + 2 * period_s
    assert one[0].facts["since_first"] is False
    assert found(make, columns(t, 1.2))[0].facts["since_first"] is True


def test_both_sides_of_the_limit_and_what_does_not_count():
    t = np.arange(0.0, 7200.0, 10.0)
    assert found(make, columns(t, -1.01)) != []
    assert found(make, columns(t, 0.99)) == []
    assert found(make, columns(t, 1.9, 0.5)) == []
    assert found(make, columns(t, 2.1, 0.5)) != []
    assert found(make, columns(t, 5.0, steady=False)) == []
    assert found(make, columns(t, 3.0 * np.sign(np.sin(t / 300.0)))) == []  # now one side, now the other
    assert [f.active for f in found(make, columns(t, np.where(t < 3000.0, 2.0, 0.1)))] == [True, False]


def test_it_says_what_it_lacks():
    assert "cell_emf" in make(None).report().needs


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 7200.0, 10.0)
    bad_input_is_harmless(make, columns(t, 0.2))
    one_bad_value_does_not_silence(make, columns(t, 3.0))


@pytest.mark.parametrize("name", list(ConstantsInconsistentSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        ConstantsInconsistentSettings(**{name: float("nan")})
