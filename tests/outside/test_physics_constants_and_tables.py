"""The probe's physics against constants, tables and implementations that are not ours."""

import math

import numpy as np
import psychrolib
import pytest
import rtd_sensor
import thermocouple_its90
from scipy import constants

from detectors.probe.humidity import damp_air_o2_frac, saturation_pressure_kpa, water_frac
from detectors.probe.nernst import FARADAY, GAS_CONSTANT, cell_emf_mv, nernst_factor_mv, o2_frac_from_emf
from detectors.probe.pt_sensor import dr_dt_ohm_per_k, resistance_ohm, temp_c_from_resistance, tolerance_k
from detectors.probe.thermocouple import TYPES, emf_mv, range_c, seebeck_mv_per_k, temp_c_from_emf, terminal_mv

# --- Nernst -----------------------------------------------------------------------------------------------------------


def test_the_gas_and_faraday_constants_are_codata() -> None:
    assert pytest.approx(constants.physical_constants["molar gas constant"][0], rel=1e-12) == GAS_CONSTANT
    assert pytest.approx(constants.physical_constants["Faraday constant"][0], rel=1e-12) == FARADAY


# R T / 4F and mV a decade, by arithmetic from CODATA 2022 (exact since the SI of 2019).
FACTORS = [
    (600, 18.810561, 43.312918),
    (650, 19.887728, 45.793186),
    (700, 20.964895, 48.273454),
    (800, 23.119228, 53.23399),
]


@pytest.mark.parametrize(("temp_c", "per_e", "per_decade"), FACTORS)
def test_the_nernst_factor(temp_c: float, per_e: float, per_decade: float) -> None:
    assert nernst_factor_mv(temp_c) == pytest.approx(per_e, abs=1e-6)
    assert nernst_factor_mv(temp_c) * math.log(10) == pytest.approx(per_decade, abs=1e-6)


# mV against 20.95 % O2 at equal pressure, by arithmetic from CODATA 2022.
EMFS = {
    600: {0.1: 100.537254, 1: 57.224336, 3: 36.558822, 8: 18.108873, 20.95: 0.0},
    650: {0.1: 106.294412, 1: 60.501226, 3: 38.652324, 8: 19.145858, 20.95: 0.0},
    700: {0.1: 112.051570, 1: 63.778116, 3: 40.745825, 8: 20.182843, 20.95: 0.0},
    750: {0.1: 117.808728, 1: 67.055007, 3: 42.839327, 8: 21.219829, 20.95: 0.0},
    800: {0.1: 123.565887, 1: 70.331897, 3: 44.932829, 8: 22.256814, 20.95: 0.0},
}


@pytest.mark.parametrize("temp_c", EMFS)
def test_the_emf_and_back(temp_c: float) -> None:
    o2 = np.array(list(EMFS[temp_c])) / 100
    expected = np.array(list(EMFS[temp_c].values()))
    np.testing.assert_allclose(cell_emf_mv(o2, temp_c), expected, atol=1e-6)
    np.testing.assert_allclose(o2_frac_from_emf(expected, temp_c), o2, rtol=1e-7)


# Air on both sides, the gas side 1, 2, 5, 10 kPa above 101.325 kPa; 700 degC, by arithmetic.
@pytest.mark.parametrize(("over_kpa", "mv"), [(1, -0.205893), (2, -0.409784), (5, -1.009822), (10, -1.973230)])
def test_back_pressure_looks_like_an_offset(over_kpa: float, mv: float) -> None:
    assert cell_emf_mv(0.2095, 700.0, pressure_ratio=101.325 / (101.325 + over_kpa)) == pytest.approx(mv, abs=1e-6)


# What a true 3 % reads with a fault, 700 degC, by arithmetic.
@pytest.mark.parametrize(("offset_mv", "reads_pct"), [(1, 2.8603), (2, 2.7270), (5, 2.3634)])
def test_an_offset_that_nobody_took_out(offset_mv: float, reads_pct: float) -> None:
    assert 100 * o2_frac_from_emf(cell_emf_mv(0.03, 700.0) + offset_mv, 700.0) == pytest.approx(reads_pct, abs=5e-5)


@pytest.mark.parametrize(("true_c", "reads_pct"), [(680, 3.1223), (690, 3.0605), (710, 2.9407), (720, 2.8825)])
def test_a_cell_that_is_not_at_700_degc(true_c: float, reads_pct: float) -> None:
    assert 100 * o2_frac_from_emf(cell_emf_mv(0.03, true_c), 700.0) == pytest.approx(reads_pct, abs=5e-5)


def test_the_rule_of_thumb_of_65_mv_at_1_pct() -> None:
    # Common practice: about 65 mV at 1 % O2 and 700 degC; and a healthy cell on air within 2 mV of zero.
    assert cell_emf_mv(0.01, 700.0) == pytest.approx(65.0, abs=2.0)
    assert abs(float(cell_emf_mv(damp_air_o2_frac(25.0, 60.0), 700.0))) < 2.0


# --- damp air ---------------------------------------------------------------------------------------------------------


# Pa over water by IAPWS-IF97 (package iapws 1.5.5), another formulation than ours.
@pytest.mark.parametrize(("temp_c", "pascal"), [(20.0, 2339.215), (30.0, 4246.688), (40.0, 7384.427)])
def test_vapour_pressure_agrees_with_iapws(temp_c: float, pascal: float) -> None:
    assert 1e3 * saturation_pressure_kpa(temp_c) == pytest.approx(pascal, rel=3e-4)


def test_vapour_pressure_and_humidity_agree_with_psychrolib() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    temps = np.array([-60.0, -20.0, -0.5, 0.5, 5.0, 20.0, 40.0, 80.0, 150.0])
    expected = [psychrolib.GetSatVapPres(float(t)) for t in temps]
    np.testing.assert_allclose(1e3 * saturation_pressure_kpa(temps), expected, rtol=1e-6)
    for t, rh in ((25.0, 0.5), (40.0, 0.7), (-5.0, 0.9)):
        assert water_frac(t, 100 * rh) == pytest.approx(psychrolib.GetVapPresFromRelHum(t, rh) / 101325, rel=1e-6)


# Reference at 20 degC 50 % against 20.95 and 3 %, with the vapour pressure of psychrolib 2.5.0; 700 degC.
@pytest.mark.parametrize(("gas", "mv"), [(0.2095, -0.243365), (0.03, 40.502460)])
def test_a_damp_reference_lowers_every_emf(gas: float, mv: float) -> None:
    assert cell_emf_mv(gas, 700.0, ref_o2_frac=damp_air_o2_frac(20.0, 50.0)) == pytest.approx(mv, abs=2e-6)


# --- thermocouples ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("type_", TYPES)
def test_every_reference_function_agrees_with_an_independent_one(type_: str) -> None:
    other = thermocouple_its90.get(type_)
    low, high = range_c(type_)
    assert other.range == pytest.approx((low, high))
    temps = np.linspace(low, high, 601)
    np.testing.assert_allclose(emf_mv(temps, type_), [other.emf(float(t)) for t in temps], atol=1e-9)


@pytest.mark.parametrize("type_", ["K", "N"])
def test_the_inverse_agrees_where_a_cell_works(type_: str) -> None:
    other = thermocouple_its90.get(type_)
    for temp in (15.0, 400.0, 700.0, 850.0):
        assert temp_c_from_emf(other.emf(temp), type_) == pytest.approx(temp, abs=1e-6)


# IEC 60584-1 / NIST Monograph 175 as printed, mV to three decimals.
PRINTED = {
    "K": {
        100: 4.096,
        200: 8.138,
        300: 12.209,
        400: 16.397,
        500: 20.644,
        600: 24.905,
        700: 29.129,
        800: 33.275,
        900: 37.326,
        1000: 41.276,
        -20: -0.778,
        25: 1.000,
        60: 2.436,
    },
    "N": {700: 24.527},
    "S": {700: 6.275},
    "R": {700: 6.743},
    "B": {700: 2.431},
    "J": {700: 39.132},
    "E": {700: 53.112},
    "T": {400: 20.872},
}


@pytest.mark.parametrize("type_", PRINTED)
def test_the_printed_table_is_reproduced(type_: str) -> None:
    for temp, printed in PRINTED[type_].items():
        assert emf_mv(temp, type_) == pytest.approx(printed, abs=0.5e-3)  # half the last printed digit


# uV/K at 700 degC, thermocouple-its90 1.0.2.
@pytest.mark.parametrize(("type_", "uv_per_k"), [("K", 41.898), ("N", 39.256)])
def test_the_seebeck_coefficient_at_work(type_: str, uv_per_k: float) -> None:
    assert 1e3 * seebeck_mv_per_k(700.0, type_) == pytest.approx(uv_per_k, abs=5e-4)


# Cell at 700 degC, head at 10 .. 80: what a meter shows, and what comes out if nobody minds the head.
@pytest.mark.parametrize(
    ("head_c", "shown_mv", "uncompensated_c"),
    [
        (10, 28.732112, 690.536),
        (25, 28.128731, 676.179),
        (40, 27.517182, 661.662),
        (60, 26.692502, 642.138),
        (80, 25.862332, 622.537),
    ],
)
def test_the_cold_junction(head_c: float, shown_mv: float, uncompensated_c: float) -> None:
    assert terminal_mv(700.0, head_c) == pytest.approx(shown_mv, abs=2e-6)
    assert temp_c_from_emf(shown_mv) == pytest.approx(uncompensated_c, abs=5e-4)


# --- platinum sensors -------------------------------------------------------------------------------------------------


def test_pt1000_agrees_with_an_independent_one_both_ways() -> None:
    temps = np.linspace(-199.0, 849.0, 300)
    ohms = [rtd_sensor.pt1000.celsius_to_resistance(float(t)) for t in temps]
    np.testing.assert_allclose(resistance_ohm(temps), ohms, rtol=1e-12)
    np.testing.assert_allclose(
        temp_c_from_resistance(ohms), [rtd_sensor.pt1000.resistance_to_celsius(r) for r in ohms], atol=1e-6
    )


# IEC 60751 as printed for Pt100, ohm to two decimals.
@pytest.mark.parametrize(
    ("temp_c", "ohm"),
    [(-50, 80.31), (0, 100.00), (25, 109.73), (40, 115.54), (100, 138.51), (200, 175.86), (-200, 18.52)],
)
def test_the_printed_pt100_table_is_reproduced(temp_c: float, ohm: float) -> None:
    assert resistance_ohm(temp_c, 100.0) == pytest.approx(ohm, abs=5.1e-3)


# IEC 60751:2022 table 2 through rtd-sensor 0.8.0: K and ohm of a Pt1000.
@pytest.mark.parametrize(
    ("class_", "temp_c", "kelvin", "ohm"),
    [
        ("AA", 25, 0.1425, 0.5528),
        ("A", 25, 0.2, 0.7759),
        ("B", 25, 0.425, 1.6488),
        ("B", 80, 0.7, 2.6711),
        ("C", 80, 1.4, 5.3423),
    ],
)
def test_class_tolerances(class_: str, temp_c: float, kelvin: float, ohm: float) -> None:
    assert tolerance_k(temp_c, class_) == pytest.approx(kelvin, abs=1e-9)
    assert tolerance_k(temp_c, class_) * dr_dt_ohm_per_k(temp_c) == pytest.approx(ohm, abs=2e-4)
