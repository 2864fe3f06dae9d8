import numpy as np
import pytest

from agent.simulate import physics


def test_the_nernst_factor_at_700_degrees_is_that_of_the_constants():
    # 8.314462618 x 973.15 / (4 x 96485.33212) V, by hand
    assert physics.nernst_factor_mv(700.0) == pytest.approx(20.964895, abs=1e-6)


@pytest.mark.parametrize(
    ("o2_pct", "emf_mv"),
    # 20.964895 mV x ln(20.95 / o2), by hand
    [(0.1, 112.051570), (1.0, 63.778116), (3.0, 40.745825), (8.0, 20.182843), (20.95, 0.0)],
)
def test_emf_agrees_with_hand_values(o2_pct, emf_mv):
    assert physics.zirconia_emf_mv(o2_pct / 100, 700.0) == pytest.approx(emf_mv, abs=2e-6)


def test_five_millivolts_of_offset_make_three_percent_read_2_3634():
    # 3 x exp(-5 / 20.964895), by hand
    emf = physics.zirconia_emf_mv(0.03, 700.0, offset_mv=5.0)
    assert 100 * physics.o2_from_emf(emf, 700.0) == pytest.approx(2.3634, abs=5e-5)


def test_stored_constants_take_the_cells_own_out_of_the_display():
    emf = physics.zirconia_emf_mv(0.03, 712.0, slope=0.97, offset_mv=-1.3)
    assert physics.o2_from_emf(emf, 712.0, stored_slope=0.97, stored_offset_mv=-1.3) == pytest.approx(0.03, rel=1e-12)


def test_a_kilopascal_on_the_gas_side_is_a_fifth_of_a_millivolt():
    # -20.964895 x ln(1 + 1/101.325), by hand
    emf = physics.zirconia_emf_mv(0.2095, 700.0, overpressure=1.0 / 101.325)
    assert emf == pytest.approx(-0.20589, abs=2e-5)


@pytest.mark.parametrize(("temp_c", "kpa"), [(20.0, 2.339215), (30.0, 4.246688), (40.0, 7.384427)])
def test_vapour_pressure_agrees_with_iapws_97(temp_c, kpa):
    assert physics.saturation_vapour_kpa(temp_c) == pytest.approx(kpa, rel=0.004)  # what the Magnus form promises


def test_damp_reference_air_lowers_the_emf_by_what_its_water_displaces():
    # 40 degC, 100 %: p_w 7.3844 kPa of 101.325; 20.964895 x ln(1 - 0.072879) = -1.5865 mV
    reference = physics.damp_air_o2(40.0, 100.0)
    emf = physics.zirconia_emf_mv(0.2095, 700.0, o2_reference=reference)
    assert emf == pytest.approx(-1.586, abs=0.007)


def test_ten_percent_less_supply_takes_23_percent_more_duty():
    # (1 / 0.9)^2
    at_nominal, low = physics.full_power_w(230.0, 529.0), physics.full_power_w(207.0, 529.0)
    assert at_nominal == pytest.approx(100.0)
    assert at_nominal / low == pytest.approx(1.234568, abs=1e-6)


def test_losses_vanish_when_the_flue_is_as_hot_as_the_cell_and_grow_with_gas():
    assert physics.gas_losses_w(700.0, 700.0, 80.0, still_w_per_k=0.02, moving_w_per_k=0.05) == 0.0
    # (0.02 + 0.05 x sqrt(0.25)) x 350 and (0.02 + 0.05) x 350, by hand
    losses = physics.gas_losses_w(700.0, 350.0, [25.0, 100.0], still_w_per_k=0.02, moving_w_per_k=0.05)
    assert losses == pytest.approx([15.75, 24.5])


def test_a_cooling_body_has_63_percent_of_its_way_behind_it_after_one_time_constant():
    assert physics.cooling_c(900.0, from_c=700.0, to_c=300.0, tau_s=900.0) == pytest.approx(
        700 - 400 * 0.632121, abs=1e-3
    )


def test_colder_gas_diffuses_slower():
    # (673.15 / 523.15)^1.75 = 1.5546: 250 instead of 400 degC
    assert physics.diffusion_tau_s(10.0, 250.0, at_temp_c=400.0) == pytest.approx(15.546, abs=0.01)


@pytest.mark.parametrize("tau_s", [0.35, 3.0, 3.001, 17.0])
def test_the_display_filter_is_the_solution_of_its_differential_equation(tau_s):
    damping_s, step = 3.0, 1e-3
    display, found = 0.0, []
    times = np.arange(0.0, 20.0, step)
    for time in times:  # explicit midpoint: a second method
        middle = display + 0.5 * step * (np.exp(-time / tau_s) - display) / damping_s
        display += step * (np.exp(-(time + 0.5 * step) / tau_s) - middle) / damping_s
        found.append(display)
    assert physics.first_order_twice(times + step, tau_s, damping_s) == pytest.approx(np.array(found), abs=1e-5)
