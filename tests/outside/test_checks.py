"""What the check sheets expect, against values from outside: standards' tables, and sums done by hand from them.

Marks: [S] a standard's or published value, [C] computed by hand from one with the formula shown, [P] common practice.
"""

import math

import pytest

from agent.alerts.checks.build import build_check
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow, Value

NOW_S = 1_790_000_000.0


def site(**probe) -> Settings:
    return Settings.model_validate(
        {
            "site": "works",
            "agent": "edge-1",
            "data_dir": "/var/lib/flueward",
            "lines": {"l": {"kind": "tcp", "host": "h"}},
            "maps": {"m": {"signals": {"o2": {"address": 0}}}},
            "probes": {"p": {"line": "l", "map": "m", **probe}},
        }
    )


def rows(check_id, symptom="slow_recovery", settings=None, **signals):
    values = {name: Value(value, "") for name, value in signals.items()}
    now = ProbeNow(probe="p", at_s=NOW_S, signals=values)
    payload = build_check(settings or site(), "p", symptom, now, check_id=check_id)
    return {row["quantity"]: row for row in payload["expect"]}


# IEC 60584-1, type K: E(700) = 29.129 mV; E(10) 0.397, E(25) 1.000, E(40) 1.612, E(60) 2.436 mV [S]; difference [C].
@pytest.mark.parametrize(("head_c", "mv"), [(10, 28.73), (25, 28.13), (40, 27.52), (60, 26.69)])
def test_live_thermocouple_millivolts_are_the_standards(head_c, mv):
    row = rows("thermocouple_millivolts", cell_temp=700.0, head_temp=float(head_c))["thermocouple, live"]
    assert row["value"] == pytest.approx(mv, abs=0.005)
    assert row["high"] - row["value"] == pytest.approx(0.20, abs=0.006)  # [C] about 5 K


def test_the_range_of_live_millivolts_at_700_and_25_degc():
    row = rows("thermocouple_millivolts", cell_temp=700.0, head_temp=25.0)["thermocouple, live"]
    assert (row["low"], row["value"], row["high"]) == (27.93, 28.13, 28.33)  # [S] value, [C] tolerance


# IEC 60751: R = R0 (1 + 3.9083e-3 t - 5.775e-7 t^2) [S].
@pytest.mark.parametrize(("head_c", "ohm"), [(10, 1039.0), (25, 1097.3), (40, 1155.4), (60, 1232.4)])
def test_cold_junction_resistances_are_the_standards(head_c, ohm):
    found = rows("cold_junction", head_temp=float(head_c))
    assert found["Pt1000 at the terminals"]["value"] == ohm
    assert found["Pt100 at the terminals"]["value"] == pytest.approx(ohm / 10, abs=0.006)
    assert found["Pt1000 at the terminals"]["high"] - ohm == pytest.approx(8.0)  # [C] 2 K


def test_25_degc_is_109_73_ohm_on_a_pt100():
    assert rows("cold_junction", head_temp=25.0)["Pt100 at the terminals"]["value"] == 109.73  # [S]


# k = 0.0215433 (T + 273.15) mV, R/4F of CODATA 2018 [S]; E = k ln(20.95/x), dry reference, equal pressure [C].
TABLE = [
    (650, {0.4: 78.72, 0.5: 74.29, 1.0: 60.50, 2.0: 46.72, 2.1: 45.75, 5.0: 28.49, 8.0: 19.15, 10.0: 14.71}),
    (700, {0.4: 82.99, 0.5: 78.31, 1.0: 63.78, 2.0: 49.25, 2.1: 48.22, 5.0: 30.04, 8.0: 20.18, 10.0: 15.50}),
    (750, {0.4: 87.25, 0.5: 82.33, 1.0: 67.06, 2.0: 51.78, 2.1: 50.70, 5.0: 31.58, 8.0: 21.22, 10.0: 16.30}),
]


@pytest.mark.parametrize(("cell_c", "expected"), TABLE)
def test_cell_millivolts_on_bottles_are_nernsts(cell_c, expected):
    settings = site(test_gases=[{"o2": o2} for o2 in expected], reference_air={"kind": "instrument"})
    found = rows("cell_on_test_gas", settings=settings, cell_temp=float(cell_c))
    for o2, mv in expected.items():
        row = found[f"cell mV on {o2:g} % O2"]
        assert row["value"] == pytest.approx(mv, abs=0.0051)
        assert (row["value"] - row["low"], row["high"] - row["value"]) == pytest.approx((2.0, 2.0), abs=0.011)  # [P]


def test_room_air_as_reference_takes_a_third_of_a_millivolt_from_a_one_percent_bottle():
    settings = site(reference_air={"kind": "ambient", "temp_c": 25, "humidity": 50}, test_gases=[{"o2": 1.0}])
    row = rows("cell_on_test_gas", settings=settings, cell_temp=700.0)["cell mV on 1 % O2"]
    assert row["value"] == 63.45  # [C] x_ref 20.62 %: saturation pressure 3.169 kPa at 25 degC [S]


# [C] -k ln(1 - pw/P), water vapour by saturation tables [S]: 25 degC 50 % RH -0.33, 40 degC 70 % RH -1.10 mV.
@pytest.mark.parametrize(("temp_c", "rh", "mv"), [(25, 50, -0.33), (40, 70, -1.10)])
def test_dry_air_against_a_damp_reference_reads_negative(temp_c, rh, mv):
    settings = site(
        reference_air={"kind": "ambient", "temp_c": temp_c, "humidity": rh}, check_air={"kind": "instrument"}
    )
    row = rows("cell_on_air", settings=settings, cell_temp=700.0)["cell mV on air"]
    assert row["value"] == mv
    assert "0.206 mV a kPa" in row["at"] or "0.207 mV a kPa" in row["at"]  # [C] -k ln(1 + 1/101.325), -0.207 a kPa


def test_the_same_dry_air_on_both_sides_is_no_millivolt_and_two_of_them_shift_the_display_as_computed():
    dry = {"kind": "instrument"}
    found = rows("cell_on_air", settings=site(reference_air=dry, check_air=dry), cell_temp=700.0)
    assert found["cell mV on air"]["value"] == 0.0
    shown = found["reading on air, nothing stored"]
    assert (shown["low"], shown["value"], shown["high"]) == (19.04, 20.95, 23.05)  # [C] 20.95 exp(-/+2/k)


def test_air_of_unknown_humidity_widens_what_is_allowed():
    found = rows("cell_on_air", cell_temp=700.0)["cell mV on air"]
    assert found["low"] < -3.0 < -2.0  # 2 mV [P] and up to 1.1 mV [C] of damp reference
    assert "not configured" in found["at"]


# [C] Vrated^2/(Prated CT); CT 0.99..1.07 at 700 degC (published alloy table [S]); 10 % [P].
@pytest.mark.parametrize(("volts", "hot", "low", "high"), [(230, 176, 165, 178), (115, 44, 41, 45)])
def test_heater_resistance_follows_from_its_rating(volts, hot, low, high):
    settings = site(heater={"rated_voltage": volts, "rated_power": 300})
    row = rows("heater_cold", "heater_open", settings)["winding"]
    assert f"{hot} ohm hot, {low} to {high} cold" in row["at"]
    assert row["low"] == pytest.approx(0.9 * volts**2 / 300 / 1.07, abs=0.06)
    assert row["high"] == pytest.approx(1.1 * volts**2 / 300 / 0.99, abs=0.06)


# [C] I = V/R hot.
@pytest.mark.parametrize(("volts", "amps"), [(230, 1.30), (115, 2.61)])
def test_heater_current_is_volts_over_its_hot_resistance(volts, amps):
    settings = site(heater={"rated_voltage": volts, "rated_power": 300}, nominal_voltage=volts)
    row = rows("heater_live", "heater_open", settings)["heater current, on"]
    assert row["value"] == amps
    assert (row["low"], row["high"]) == pytest.approx((0.9 * amps, 1.1 * amps), abs=0.01)


# [C] x = xp + 0.9 (20.95 - xp) and xp + (20.95 - xp)/3; the time between them is ln(0.9 x 3) = 0.993 tau.
@pytest.mark.parametrize(("xp", "start", "end"), [(3.0, 19.2, 9.0), (5.0, 19.4, 10.3)])
def test_return_is_timed_between_two_readings_one_time_constant_apart(xp, start, end):
    found = rows("return_time", o2=xp)
    assert found["start timing at"]["value"] == start
    assert found["stop timing at"]["value"] == end
    assert math.log(0.9 * 3) == pytest.approx(0.993, abs=0.0005)


# [C] -k ln(1 - s) at 700 degC, and 3.0 exp(that/k) as shown.
def test_a_starved_reference_costs_what_is_computed():
    found = rows("reference_air", cell_temp=700.0, o2=3.0)
    five = found["rise of cell mV if the reference had been short of 5 % of its oxygen"]
    ten = found["rise of cell mV if the reference had been short of 10 % of its oxygen"]
    assert five["value"] == 1.08
    assert "shown as 3.16 %" in five["at"]
    assert ten["value"] == 2.21
    assert "shown as 3.33 %" in ten["at"]


# [C] 20.95 (1 + p/P), P = 101.325 kPa.
def test_pressure_behind_the_filter_shows_in_air_as_computed():
    row = rows("two_flow_air", cell_temp=700.0)["reading in air, nothing stored"]
    assert "1 kPa reads 21.16 %" in row["at"]
    assert "5 kPa 21.98 %" in row["at"]


# [C] -k ln(1 + p/P) at 1 and 5 kPa; clear below 1 kPa, clogging above 5 [P]: one verdict, whichever row is read.
def test_every_row_of_two_flows_draws_the_same_line():
    k, kpa = 0.0215433 * 973.15, 101.325
    found = rows("two_flow_air", cell_temp=700.0)
    shift = found["E2 - E1, F2 twice F1"]
    pressure = found["pressure behind the filter at F1"]
    shown = found["reading in air, nothing stored"]
    assert kpa * (math.exp(-shift["low"] / k) - 1.0) == pytest.approx(pressure["high"], abs=0.03)
    assert kpa * (shown["high"] / 20.95 - 1.0) == pytest.approx(pressure["high"], abs=0.03)
    assert pressure["high"] == 1.0
    zones = (
        (shift, "clear to -0.21, watch it from there to -1.01 mV, clogging beyond"),
        (pressure, "clear to 1, watch it from there to 5 kPa, clogging beyond"),
        (shown, "clear to 21.16, watch it from there to 21.98 %, clogging beyond"),
    )
    assert all(words in row["at"] for row, words in zones)


# [C] k ln(1 + 1/P) at 700 degC and 101.325 kPa; k/P = 0.207 mV a kPa for a small pressure.
def test_pressure_on_the_reference_adds_millivolts_and_reads_low():
    row = rows("reference_air", cell_temp=700.0, o2=3.0)["rise of cell mV for 1 kPa too much pressure on the reference"]
    assert row["value"] == pytest.approx(0.0215433 * 973.15 / 101.325, abs=0.0015)
    assert "reads low: 3.00 % shows as 2.97 %" in row["at"]


# [C] (673.15/523.15)^1.75 = 1.55 (diffusion, Fuller, Schettler and Giddings 1966 [S]). Two equal first-order stages of
# 5 s: (1 + t/5) exp(-t/5) falls from 0.9 at 2.66 s to 1/3 at 11.45 s, which is 8.8 s; their sum is 10 s.
def test_a_colder_flue_and_damping_make_a_return_slower_as_computed():
    at = rows("return_time")["return time (one time constant)"]["at"]
    assert "at 250 instead of 400 degC the same filter takes 1.55 times as long" in at
    assert "5 s probe behind 5 s of damping reads 9 to 10 s" in at

    def left(t_s):
        return (1 + t_s / 5) * math.exp(-t_s / 5)

    assert (left(2.66), left(11.45)) == pytest.approx((0.9, 1 / 3), abs=0.002)


# A winding within 5 % of its own value when new is good [P]; 1.04 for an alloy that is not known is practice, no table.
def test_a_winding_is_held_against_its_own_value_and_an_unknown_alloy_is_common_practice():
    found = rows("heater_cold", "heater_open", site(heater={"rated_voltage": 230, "rated_power": 300}))
    own = found["winding, against its own value when new"]
    assert (own["low"], own["high"], own["unit"], own["source"]) == (95, 105, "% of it", "[P]")
    assert "by alloy [S], 1.04 if unknown [P]" in found["winding"]["source"]


def test_a_leak_of_a_duct_under_pressure_is_said_to_let_no_air_in():
    sheet = build_check(site(), "p", "probe_disagreement", ProbeNow(probe="p", at_s=NOW_S), check_id="air_ingress")
    assert "above atmospheric pressure a leak blows gas out" in sheet["steps"][0]


# [C] 3.0 + 0.01 (20.95 - 3.0).
def test_one_percent_of_room_air_in_three_percent_gas_reads_3_18():
    assert "reads 3.18 %" in rows("air_ingress", o2=3.0)["change of the reading when capped or sealed"]["at"]


# [C] CH4 + 2 O2: at 3.0 % dry 16.7 % water, so 2.50 % wet.
def test_a_portable_reads_dry_what_the_probe_reads_wet():
    row = rows("second_opinion", o2=2.50)["portable, dry"]
    assert row["value"] == 3.0
    assert "16.7 % water" in row["at"]


# 40.75 mV at 700 degC, zero offset, 100 % slope is 3.00 % [C].
def test_the_reading_follows_from_its_own_millivolts():
    row = rows("look_first", cell_temp=700.0, cell_emf=40.75, stored_offset=0.0, stored_slope=100.0)
    shown = row["reading, from its own mV"]
    assert (shown["low"], shown["value"], shown["high"]) == (2.9, 3.0, 3.1)  # agreement 0.1 % O2 [P]


def test_a_stored_correction_is_the_negative_of_the_cells_offset():
    settings = site()
    own = settings.maps["m"].conventions.model_copy(update={"stored_offset_sign": "correction"})
    turned = settings.model_copy(update={"maps": {"m": settings.maps["m"].model_copy(update={"conventions": own})}})
    signals = {"cell_temp": 700.0, "cell_emf": 38.75, "stored_slope": 100.0}
    assert (
        rows("look_first", settings=settings, stored_offset=-2.0, **signals)["reading, from its own mV"]["value"] == 3.0
    )
    assert rows("look_first", settings=turned, stored_offset=2.0, **signals)["reading, from its own mV"]["value"] == 3.0


# Pt1000 1097.3 ohm is 25.0 degC, type K 28.13 mV is 700 degC [S]; 63.78 mV is 1.00 % [C].
def test_substitutes_for_the_probe_are_the_standards_values():
    found = rows("transmitter_inputs")
    assert "1097.3 ohm" in found["head temperature shown"]["at"]
    assert "28.13 mV" in found["cell temperature shown"]["at"]
    assert "63.78 mV" in found["O2 shown"]["at"]


# Two 120 ohm terminators in parallel [C]; receiver threshold 0.2 V, TIA-485-A [S].
def test_a_terminated_pair_is_sixty_ohm():
    found = rows("line_and_cable", "no_communication")
    pair = found["resistance of the pair"]
    assert (pair["low"], pair["value"], pair["high"]) == (54, 60, 66)
    assert found["idle voltage of the pair"]["low"] == 0.2


# [C] 0.1 mV is 2.5 K at 0.0405 mV/K near 25 degC [S]; loop (0.706 + 0.294) micro-ohm m over the wire's section.
def test_a_cold_thermocouple_gives_no_millivolt_and_its_loop_goes_with_the_wire():
    found = rows("thermocouple_cold", "temperature_hunting")
    assert (found["thermocouple, cold"]["low"], found["thermocouple, cold"]["high"]) == (-0.1, 0.1)
    for mm in (0.5, 0.8, 1.0):
        ohm = 1.0e-6 / (math.pi * (mm / 2e3) ** 2)
        assert found[f"loop resistance a metre, {mm:g} mm wire"]["value"] == pytest.approx(ohm, abs=0.05)
