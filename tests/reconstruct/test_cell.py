"""The cell's millivolts and its gas, worked out from whatever a transmitter tells."""

import numpy as np
import pytest

from agent.config.model import RegisterMap
from agent.reconstruct.cell import Cell
from agent.reconstruct.flags import raised
from detectors.probe.nernst import cell_emf_mv, nernst_factor_mv, o2_frac_from_emf
from detectors.stretch import Stretch

# Nernst against dry air (20.95 %) at 700 degC: 3.00 % O2 is 20.965 ln(20.95 / 3) = 40.75 mV.
EMF_OF_3_PCT_MV = 40.75


def cell(*names, scale=1.0, type_="float32", **conventions):
    signals = {name: {"address": 2 * i, "type": type_, "scale": scale} for i, name in enumerate(names)}
    return Cell(RegisterMap.model_validate({"signals": signals, "conventions": conventions}))


def stretch(n=3, time_s=None, **signals):
    time_s = np.arange(float(n)) if time_s is None else np.asarray(time_s, float)
    columns = {"cell_temp": np.full(time_s.size, 700.0), "o2": np.full(time_s.size, 3.0)}
    columns |= {name: np.broadcast_to(np.asarray(value, float), time_s.shape) for name, value in signals.items()}
    return Stretch(time_s, columns)


def run(one, data):
    return one.run(data, raised(data))


def test_a_display_tells_its_millivolts():
    track = run(cell("o2", "cell_temp"), stretch())
    assert track.emf_mv == pytest.approx(EMF_OF_3_PCT_MV, abs=0.005)
    assert track.o2_frac == pytest.approx(0.03)
    assert np.isnan(track.residual_mv).all()  # nothing was measured to hold against it


def test_the_step_of_the_display_is_in_the_uncertainty():
    # A step of 0.01 % O2 at 3 % is k 0.01 / 3 = 0.0699 mV, a standard uncertainty of that over sqrt 12 = 0.0202; a
    # kelvin of the temperature is 40.75 / 973.15 = 0.0419 mV.
    track = run(cell("o2", "cell_temp", type_="uint16", scale=0.01), stretch())
    assert track.emf_u_mv == pytest.approx(np.hypot(0.0202, 0.0419), abs=2e-4)
    finer = run(cell("o2", "cell_temp", type_="uint16", scale=0.01, o2_resolution=0.1), stretch())
    assert finer.emf_u_mv == pytest.approx(np.hypot(0.202, 0.0419), abs=1e-3)


@pytest.mark.parametrize(("sign", "told"), [("cell", 2.5), ("correction", -2.5)])
def test_the_stored_offset_is_taken_with_the_sign_of_the_map(sign, told):
    # The transmitter takes 2.5 mV off the cell's own 43.25 and shows 3.00 %: the cell gave 43.25.
    one = cell("o2", "cell_temp", "stored_offset", stored_offset_sign=sign)
    track = run(one, stretch(stored_offset=told))
    assert track.stored_mv == pytest.approx(2.5)
    assert track.emf_mv == pytest.approx(EMF_OF_3_PCT_MV + 2.5, abs=0.005)
    measured = cell("o2", "cell_temp", "stored_offset", "cell_emf", stored_offset_sign=sign)
    track = run(measured, stretch(stored_offset=told, cell_emf=EMF_OF_3_PCT_MV + 2.5))
    assert track.o2_frac == pytest.approx(0.03, rel=1e-3)
    assert track.residual_mv == pytest.approx(0.0, abs=0.005)


def test_the_residual_is_what_was_measured_less_what_is_shown():
    one = cell("o2", "cell_temp", "cell_emf")
    track = run(one, stretch(cell_emf=EMF_OF_3_PCT_MV + 1.2))
    assert track.residual_mv == pytest.approx(1.2, abs=0.005)


def test_a_stored_slope_is_undone_and_nonsense_for_one_is_not():
    one = cell("o2", "cell_temp", "stored_slope")
    track = run(one, stretch(stored_slope=[95.0, 0.0, np.nan]))
    assert track.emf_mv == pytest.approx([0.95 * EMF_OF_3_PCT_MV, EMF_OF_3_PCT_MV, EMF_OF_3_PCT_MV], abs=0.005)


def test_a_held_display_tells_nothing():
    one = cell("o2", "cell_temp", "output_held")
    track = run(one, stretch(output_held=[0, 1, 0]))
    assert np.isnan(track.emf_mv).tolist() == np.isnan(track.o2_frac).tolist() == [False, True, False]
    assert track.held.tolist() == [False, True, False]


def test_a_display_that_is_held_in_checks_tells_nothing_in_one():
    one = cell("o2", "cell_temp", "air_check_active", o2_during_checks="held")
    track = run(one, stretch(air_check_active=[0, 1, 0]))
    assert np.isnan(track.emf_mv).tolist() == [False, True, False]
    live = cell("o2", "cell_temp", "air_check_active", o2_during_checks="live")
    assert not np.isnan(run(live, stretch(air_check_active=[0, 1, 0])).emf_mv).any()


def test_millivolts_that_stay_live_are_believed_while_the_display_is_held():
    one = cell(
        "o2", "cell_emf", "cell_temp", "air_check_active", o2_during_checks="held", cell_emf_during_checks="live"
    )
    track = run(one, stretch(cell_emf=[40.75, 0.4, 0.4], air_check_active=[0, 1, 1]))
    assert track.emf_mv.tolist() == [40.75, 0.4, 0.4]
    assert track.o2_frac[1:] == pytest.approx(0.2095 * np.exp(-0.4 / 20.965), rel=1e-4)
    assert np.isnan(track.residual_mv[1:]).all()


def test_millivolts_that_are_held_in_checks_are_not():
    one = cell("cell_emf", "cell_temp", "air_check_active", cell_emf_during_checks="held")
    track = run(one, stretch(cell_emf=40.75, air_check_active=[0, 1, 0]))
    assert np.isnan(track.emf_mv).tolist() == [False, True, False]


def test_a_display_at_the_end_of_its_range_tells_nothing():
    one = cell("o2", "cell_temp", o2_clamp=[0.0, 21.0])
    track = run(one, stretch(o2=[20.9, 21.0, 0.0]))
    assert np.isnan(track.emf_mv).tolist() == np.isnan(track.o2_frac).tolist() == [False, True, True]


def test_a_display_of_dry_gas_tells_no_millivolts():
    assert np.isnan(run(cell("o2", "cell_temp", o2_basis="dry"), stretch()).emf_mv).all()


def test_a_damped_display_tells_its_millivolts_only_at_rest():
    # Rising by 0.1 % a second behind a lag of 5 s it is 0.5 % behind the gas.
    one = cell("o2", "cell_temp", o2_damping_s=5.0)
    track = run(one, stretch(n=6, o2=[3.0, 3.0, 3.1, 3.2, 3.2, 3.2]))
    assert np.isnan(track.emf_mv).tolist() == [False, False, True, True, False, False]


def test_a_missed_sample_hides_no_movement_of_a_damped_display_in_any_cut():
    data = stretch(n=5, o2=[3.0, 3.0, np.nan, 3.4, 3.4])
    track = run(cell("o2", "cell_temp", o2_damping_s=5.0), data)
    assert np.isnan(track.emf_mv).tolist() == [False, False, True, True, False]
    one = cell("o2", "cell_temp", o2_damping_s=5.0)
    parts = []
    for i in range(5):
        part = Stretch(data.time_s[i : i + 1], {name: column[i : i + 1] for name, column in data.signals.items()})
        parts.append(run(one, part).emf_mv[0])
    assert np.array_equal(parts, track.emf_mv, equal_nan=True)


def test_the_short_formulas_here_are_those_of_the_physics_to_the_last_bit():
    rng = np.random.default_rng(4)
    o2, temp = rng.uniform(0.01, 21.0, 500), rng.uniform(600.0, 800.0, 500)
    offset, slope = rng.normal(0, 3, 500), rng.uniform(90.0, 110.0, 500)
    emf = rng.uniform(-20.0, 150.0, 500)
    data = stretch(n=500, o2=o2, cell_temp=temp, stored_offset=offset, stored_slope=slope, cell_emf=emf)
    names = ("o2", "cell_temp", "stored_offset", "stored_slope")
    shown = run(cell(*names), data)
    want = cell_emf_mv(o2 / 100.0, temp, slope_frac=slope / 100.0, offset_mv=offset)
    assert shown.emf_mv == pytest.approx(want, rel=1e-14)
    measured = run(cell(*names, "cell_emf"), data)
    want = o2_frac_from_emf(emf, temp, slope_frac=slope / 100.0, offset_mv=offset)
    assert measured.o2_frac == pytest.approx(want, rel=1e-14)
    assert float(nernst_factor_mv(700.0)) == pytest.approx(20.965, abs=5e-4)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e300, -1e300, 0.0])
@pytest.mark.parametrize("name", ["o2", "cell_temp", "stored_offset", "stored_slope", "cell_emf"])
def test_nonsense_is_missing_and_never_a_number_or_a_warning(name, bad):
    for one in (
        cell("o2", "cell_temp", "stored_offset", "stored_slope", o2_damping_s=2.0),
        cell("o2", "cell_temp", "stored_offset", "stored_slope", "cell_emf"),
    ):
        values = {"stored_offset": 0.1, "stored_slope": 100.0, "cell_emf": 40.0} | {name: bad}
        track = run(one, stretch(**values))
        for column in (track.emf_mv, track.o2_frac, track.residual_mv, track.stored_mv):
            assert not np.isinf(column).any()
