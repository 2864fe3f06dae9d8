"""The evaluation's plant simulator is held to published physics and to what real plants look like."""

from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.evaluation.case import CaseRecipe, recipes
from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.gas import seen_behind
from tests.benchmarks.evaluation.history import make_history
from tests.benchmarks.evaluation.physics import (
    decayed,
    emf_mv,
    firing_share,
    o2_from_emf,
    phase_output,
    water_vapour_pa,
)
from tests.benchmarks.evaluation.probe_plan import draw_probe
from tests.benchmarks.evaluation.schedule import AIR_CHECK, make_schedule
from tests.benchmarks.evaluation.unit import make_unit
from tests.benchmarks.evaluation.unit_plan import draw_unit

DAY_S = 86400.0
FROM_S = 1_700_006_400.0  # a UTC midnight


# E = RT/4F ln(20.95/x) by hand with R, F exact in the SI of 2019; mV.
@pytest.mark.parametrize(
    ("o2_pct", "temp_c", "expected_mv"),
    [
        (0.1, 600.0, 100.537254),
        (3.0, 600.0, 36.558822),
        (3.0, 700.0, 40.745825),
        (8.0, 700.0, 20.182843),
        (20.95, 700.0, 0.0),
    ],
)
def test_the_emf_is_that_of_nernst(o2_pct, temp_c, expected_mv):
    assert emf_mv(o2_pct / 100.0, temp_c) == pytest.approx(expected_mv, abs=1e-5)
    assert o2_from_emf(expected_mv, temp_c, offset_mv=0.0, slope=1.0) * 100 == pytest.approx(o2_pct, rel=1e-6)


def test_a_reference_at_40_degc_and_full_of_water_reads_1_6_mv_low():
    # psychrolib 2.5.0: 7383.46 Pa of water at 40 degC and 100 %; with dry air at the gas side -1.586 mV at 700 degC.
    water = water_vapour_pa(40.0, 100.0)
    assert water == pytest.approx(7383.46, rel=5e-3)  # Magnus is an approximation
    assert emf_mv(0.2095, 700.0, x_ref=0.2095 * (1.0 - water / 101325.0)) == pytest.approx(-1.586, abs=0.01)


def test_phase_angle_and_power_agree_at_known_angles():
    # Half the half wave is half the power; a quarter of it 1/4 - 1/(2 pi) (integral of sin squared, by hand).
    assert firing_share([0.0, 0.25, 0.5, 1.0]) == pytest.approx([0.0, 0.25 - 0.5 / np.pi, 0.5, 1.0])
    assert firing_share(phase_output([0.1, 0.4, 0.9])) == pytest.approx([0.1, 0.4, 0.9], abs=1e-5)


def test_two_lags_in_series_answer_as_the_textbook_says():
    # Two equal volumes: 63.212 % of a step at 2.146193 tau, 90 % at 3.889720 tau.
    tau = np.full(2, 10.0)
    left = decayed(np.array([21.46193, 38.89720]), tau, 10.0)
    assert 1.0 - left == pytest.approx([0.63212, 0.9], abs=2e-3)  # equal lags are moved apart by 1 %


def plain(decoys=frozenset(), seed=5, days=30.0):
    """A unit and a probe of it, without what would hide the physics."""
    unit = make_unit(draw_unit(Draw(seed, 1), set(decoys)), Draw(seed, 2), FROM_S, days)
    plan = draw_probe(Draw(seed, 3), unit.plan, set(decoys))
    return unit, plan


def history_of(unit, plan, days=30.0):
    schedule = make_schedule(plan, Draw(1, 1), FROM_S, FROM_S + days * DAY_S, set())
    return schedule, make_history(plan, unit, schedule, None, Draw(1, 2), set())


def test_ten_percent_less_supply_is_23_percent_more_duty():
    unit, plan = plain()
    _, usual = history_of(unit, plan)
    low = replace(unit, volts=unit.volts * 0.9)
    _, at_low = history_of(low, plan)
    assert at_low.demand / usual.demand == pytest.approx(1.0 / 0.81)  # 1.2346: P = V^2 / R
    assert at_low.demand_nominal == pytest.approx(usual.demand_nominal)


def test_the_gas_wanders_like_that_of_a_coal_boiler():
    # Load-corrected O2 of duct A, 85 days: 0.88 at 10 min, 0.53 at 1 h, 0.22 at 6 h, 0 at 24 h; |step| over 10 min
    # p99 over median 4.8, where Gaussian noise has 3.8. Plants differ: the middle of many must come near.
    found, tails = [], []
    for seed in range(30):
        draw = draw_unit(Draw(seed, 1), set())
        steady = replace(draw, pattern="base", load_wander=0.0, load_steps=False, stops_a_year=0.0, o2_per_load=0.0)
        o2 = make_unit(steady, Draw(seed, 2), FROM_S, 60.0).o2
        x = o2 - o2.mean()
        found.append([np.mean(x[lag:] * x[:-lag]) / np.mean(x * x) for lag in (2, 12, 72, 288)])
        step = np.abs(x[2:] - x[:-2])
        tails.append(np.percentile(step, 99) / np.median(step))
    assert np.median(found, axis=0) == pytest.approx([0.88, 0.53, 0.22, 0.0], abs=0.1)
    assert 3.9 < np.median(tails) < 5.5


@pytest.mark.parametrize("tau_s", [6.0, 25.0])
def test_the_return_from_air_is_first_order_in_oxygen(tau_s):
    unit, plan = plain({"always_slow"})
    plan = replace(plan, second_tau_s=0.0, o2_damping_s=0.0, dead_s=2.0, air_every_d=1.0, air_auto=True, air_s=300.0)
    schedule, _ = history_of(unit, plan, days=3.0)
    end = schedule.end_s[schedule.of_kind(AIR_CHECK)[0]]
    g = np.arange(end - 5000.0, end + 3000.0, 20.0)
    t = end + 2.0 + np.array([0.0, 0.105361, 0.693147, 1.0, 2.302585]) * tau_s  # 0, 10, 50, 63.2, 90 % of one volume
    seen = seen_behind(plan, schedule, np.full(schedule.end_s.size, tau_s), tau_s, t, g, np.full(g.size, 0.03), 0.03)
    done = (0.2095 - seen.x) / (0.2095 - 0.03)
    assert done == pytest.approx([0.0, 0.1, 0.5, 0.63212, 0.9], abs=1e-3)


def rows_of(recipe):
    parts = [(t, signals) for name, t, signals in recipe.make().chunks() if name == "east"]
    names = parts[0][1]
    return np.concatenate([t for t, _ in parts]), {n: np.concatenate([s[n] for _, s in parts]) for n in names}


def found(fault, want, *, days=40.0, seed=3):
    """The first recipe of a fault whose case is as wanted."""
    for number in range(100_000, 100_200):
        case = CaseRecipe(seed, number, fault, days).make()
        if want(case):
            return CaseRecipe(seed, number, fault, days), case
    raise AssertionError("no such case")


def test_the_same_recipe_gives_the_same_rows_and_another_seed_others():
    recipe = CaseRecipe(2, 100_003, "slow_recovery", 6.0)
    (t1, s1), (t2, s2) = rows_of(recipe), rows_of(recipe)
    np.testing.assert_array_equal(t1, t2)
    for name in s1:
        np.testing.assert_array_equal(s1[name], s2[name])
    t3, _ = rows_of(replace(recipe, seed=4))
    assert t3.size != t1.size or not np.array_equal(t1, t3)


def test_more_healthy_cases_do_not_change_the_faulty_ones():
    few = [r for r in recipes(7, healthy=1, faulty=10, days=100.0) if r.fault]
    many = [r for r in recipes(7, healthy=9, faulty=10, days=100.0) if r.fault]
    assert few == many
    assert {r.fault for r in few} >= {"heater_duty_creep", "cell_offset_drift", "slow_recovery"}


def test_every_case_has_settings_that_the_agent_takes_and_exactly_their_signals():
    for recipe in [*recipes(8, healthy=6, faulty=9, days=5.0)]:
        case = recipe.make()  # make_settings goes through the agent's own checks
        last = {}
        for name, t, signals in case.chunks():
            probe = case.settings.probes[name]
            kind = case.settings.maps[probe.map]
            wanted = {*kind.signals, *(f for w in kind.status_words.values() for fs in w.values.values() for f in fs)}
            for feed in probe.feeds:
                wanted |= set(case.settings.maps[case.settings.feeds[feed].map].signals)
            assert set(signals) == wanted
            assert np.all(np.diff(t, prepend=last.get(name, -np.inf)) > 0)
            last[name] = t[-1]
            low, high = kind.conventions.o2_clamp
            o2 = signals["o2"][np.isfinite(signals["o2"])]
            assert o2.size == 0 or (o2.min() >= low - 0.11 and o2.max() <= high + 0.11)
        assert set(last) == set(case.settings.probes)


def test_air_checks_show_the_offset_that_the_truth_says():
    def want(case):
        probe = case.settings.probes["east"]
        kind = case.settings.maps[probe.map]
        return "cell_emf" in kind.signals and case.traits["burst"] != "none" and case.events["air_check_s"].size > 4

    recipe, case = found("cell_offset_drift", want)
    t, signals = rows_of(recipe)
    seen = []
    for at in case.events["air_check_s"]:
        late = (t > at + 45.0) & (t < at + 60.0)  # the shortest check takes a minute
        seen.append(np.nanmedian(signals["cell_emf"][late]) if late.any() else np.nan)
    error = np.array(seen) - case.events["air_check_mv"]
    assert np.isfinite(error).sum() >= 3
    assert np.nanmedian(np.abs(error)) < 0.15  # register steps of 0.1 mV, noise


def test_volts_over_amperes_and_duty_follow_a_heater_that_ages():
    def want(case):
        kind = case.settings.maps[case.settings.probes["east"].map].signals
        fault = case.faults[0]
        return {"heater_current", "supply_voltage"} <= set(kind) and fault.shape == "creep" and fault.severity > 1.25

    recipe, case = found("heater_duty_creep", want, days=60.0)
    t, signals = rows_of(recipe)
    with np.errstate(divide="ignore", invalid="ignore"):
        ohm = signals["supply_voltage"] / signals["heater_current"]
    day = ((t - case.from_s) // DAY_S).astype(int)
    good = np.isfinite(ohm)
    seen = np.array([np.median(ohm[good & (day == d)]) for d in (1, 58)])
    true = case.truth["r_factor"][[1, 58]]
    assert seen[1] / seen[0] == pytest.approx(true[1] / true[0], rel=0.02)


def test_a_heater_that_opens_cools_at_full_output_and_a_dead_line_says_nothing():
    recipe, case = found("heater_open", lambda c: c.traits["heater"] == "duty" and c.traits["control"] == "pid")
    t, signals = rows_of(recipe)
    onset = case.faults[0].onset_s
    after = (t > onset + 4 * 3600.0) & (t < onset + 5 * 3600.0) & np.isfinite(signals["cell_temp"])
    before = (t < onset) & (t > onset - 3600.0)
    assert np.nanmedian(signals["cell_temp"][before]) - np.median(signals["cell_temp"][after]) > 100.0
    assert np.nanmedian(signals["heater_output"][after]) == pytest.approx(100.0)

    recipe, case = found("no_communication", lambda c: c.traits["feeds"] != "none")
    t, signals = rows_of(recipe)
    silent = t > case.faults[0].onset_s
    assert silent.any()
    assert np.isnan(signals["o2"][silent]).all()
    assert np.isfinite(signals[case.traits["feeds"].split(",")[0]][silent]).all()  # the controls still speak


def test_faults_matter_by_the_truth_that_the_case_gives():
    for recipe in recipes(9, healthy=0, faulty=14, days=200.0):
        case = recipe.make()
        (fault,) = case.faults
        assert case.from_s < fault.onset_s <= fault.matters_s == min(fault.matters.values())
        day = case.truth["day_s"]
        if fault.kind == "slow_recovery" and np.isfinite(fault.matters_s):
            after = case.truth["tau_s"][day > fault.matters_s]
            assert after.size == 0 or after.max() > 1.5 * np.median(case.truth["tau_s"][day < fault.onset_s])
        if np.isfinite(at := fault.matters.get("offset_5mv", np.inf)):
            assert np.abs(np.interp(at + DAY_S, day + DAY_S / 2, case.truth["offset_mv"])) > 4.5
        if fault.kind == "heater_duty_creep" and np.isfinite(fault.matters_s):
            assert case.truth["r_factor"][day >= fault.matters_s - DAY_S].max() > 1.1


def test_a_healthy_probe_stays_within_what_matters():
    for recipe in recipes(11, healthy=12, faulty=0, days=365.0):
        case = recipe.make()
        assert case.faults == ()
        assert case.decoys
        assert np.abs(case.truth["offset_mv"]).max() < 5.0
        assert case.truth["r_factor"].max() < 1.03
        assert np.abs(case.truth["remaining_mv"]).max() < 2.0
