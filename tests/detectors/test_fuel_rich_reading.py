"""Gas without free oxygen while the unit fires."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.fuel_rich_reading import FuelRichReading, FuelRichReadingSettings
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
    return FuelRichReading(state=state)


def columns(t, emf, *, service=True, firing=1.0):
    n = len(t)
    return {
        "time_s": T0 + t,
        "emf_mv": np.broadcast_to(emf, n).astype(float),
        "in_service": np.broadcast_to(service, n).astype(bool),
        "firing": np.broadcast_to(firing, n).astype(float),
    }


@given(seed=st.integers(0, 10_000), where=cuts())
@settings(max_examples=40, deadline=None)
def test_any_cut_and_any_restart_give_the_naive_definition(seed, where):
    rng = np.random.default_rng(seed)
    emf = np.repeat(rng.choice([40.0, 130.0, 160.0, 800.0], 40), 10) + rng.normal(0.0, 5.0, 400)
    c = columns(times(rng, 400) - T0, emf, service=np.repeat(rng.random(40) < 0.9, 10))
    c["firing"] = np.repeat(rng.choice([1.0, 1.0, 0.0, np.nan], 20), 20)
    c = spoil(rng, c)
    same_however_cut(make, c, where)
    rows = []
    for t, mv, service, firing in zip(*c.values(), strict=True):
        if service and np.isfinite(mv) and abs(mv) <= 2000.0:
            rows.append((t, mv > 150.0 and firing != 0.0, mv < 120.0 or firing == 0.0))
    t, on, off = map(np.array, zip(*rows, strict=True))
    expected = naive_held(HeldFor(hold_s=30.0, release_s=60.0), t, on, off)
    assert [(f.at_s, f.active, f.since_s) for f in found(make, c)] == expected


def test_both_sides_of_the_limit_and_the_gates():
    t = np.arange(0.0, 600.0, 5.0)
    assert found(make, columns(t, 150.1))[0].at_s - T0 == pytest.approx(35.0)
    assert found(make, columns(t, 149.9)) == []
    assert found(make, columns(t, 700.0, firing=0.0)) == []
    assert found(make, columns(t, 700.0, service=False)) == []
    assert found(make, columns(t, 700.0, firing=np.nan))[0].facts["firing_known"] is False
    assert found(make, columns(t, np.where((t > 100.0) & (t <= 125.0), 700.0, 50.0))) == []
    assert found(make, columns(t, 30_000.0)) == []  # of a mis-scaled register


def test_it_ends_and_says_what_it_lacks():
    t = np.arange(0.0, 600.0, 5.0)
    assert [f.active for f in found(make, columns(t, np.where(t < 300.0, 700.0, 50.0)))] == [True, False]
    assert "cell_emf" in make(None).report().needs


def test_bad_input_is_harmless_and_silences_nothing():
    t = np.arange(0.0, 1200.0, 5.0)
    bad_input_is_harmless(make, columns(t, 45.0))
    one_bad_value_does_not_silence(make, columns(t, 700.0))


@pytest.mark.parametrize("name", list(FuelRichReadingSettings.__slots__))
def test_a_setting_out_of_range_is_named(name):
    with pytest.raises(ValueError, match=name):
        FuelRichReadingSettings(**{name: float("nan")})
