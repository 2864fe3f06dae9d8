"""What an air check is worth: gas that came to air, at a cell that was hot and at rest."""

import numpy as np
import pytest

from agent.config.model import Air, Probe, RegisterMap
from agent.reconstruct.cell import Cell
from agent.reconstruct.episodes import Check, Trace
from agent.reconstruct.judge import Unseen, expected_air_mv, judge_air_check
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from detectors.cell_offset_drift import AirCheck

DRY = Air(kind="instrument")
PROBE = Probe(line="a", map="m", reference_air=DRY, check_air=DRY)
MEASURED = Cell(
    RegisterMap.model_validate(
        {"signals": {name: {"address": i, "type": "float32"} for i, name in enumerate(("o2", "cell_emf", "cell_temp"))}}
    )
)


def check(rests_at_mv, *, before_frac=0.03, stable=True, noise_mv=0.02, seconds=180):
    time_s = np.arange(float(seconds))
    n = time_s.size
    emf = rests_at_mv + np.random.default_rng(3).normal(0.0, noise_mv, n)
    nan = np.full(n, np.nan)
    trace = Trace(
        time_s, emf, np.zeros(n), np.full(n, 0.2), np.full(n, 700.0), nan, nan, nan, np.full(n, 1.0 if stable else 0.0)
    )
    return Check(Mode.AIR_CHECK, False, 0.0, seconds - 1.0, before_frac, trace)


@pytest.mark.parametrize("offset_mv", [-6.0, 0.3, 6.0, 20.0])
def test_a_settled_check_gives_its_offset_however_great(offset_mv):
    found = judge_air_check(check(offset_mv), MEASURED, PROBE, EpisodeOptions())
    assert not isinstance(found, Unseen)
    assert found.raw_offset_mv == pytest.approx(offset_mv, abs=0.02)


# 40.75 mV is 3.0 % O2 at 700 degC (Nernst): a value that is held, or flue gas because no air came.
@pytest.mark.parametrize("before_frac", [0.03, np.nan])
def test_a_value_that_stays_where_flue_gas_had_it_is_no_offset(before_frac):
    found = judge_air_check(check(40.75, before_frac=before_frac), MEASURED, PROBE, EpisodeOptions())
    assert isinstance(found, Unseen)
    assert "did not come to air" in found.why


def test_a_cell_that_was_not_hot_and_at_rest_for_two_hours_is_not_judged():
    found = judge_air_check(check(6.0, stable=False), MEASURED, PROBE, EpisodeOptions())
    assert isinstance(found, Unseen)
    assert "at rest for 2 h" in found.why


def test_dry_check_air_against_a_damp_room_reads_as_published():
    # Nernst with water vapour by Hyland-Wexler: room air of 25 degC, 50 % RH is 20.62 % O2, -0.33 mV at 700 degC.
    room = Air(kind="ambient", temp_c=25.0, humidity=50.0)
    value, u = expected_air_mv(700.0, room, DRY, 101.325)
    assert value == pytest.approx(-0.33, abs=0.01)
    assert 0.0 < u < 0.2
    assert expected_air_mv(700.0, room, room, 101.325)[0] == 0.0


def coming_to_air(seconds, tau_s, *, offset_mv=1.0, seed=5):
    """A check from its flag on: 3 s of dead time, then 3 % O2 goes over to air in first order at 700 degC, each second.

    Nernst: 20.965 mV ln(20.95 / O2).
    """
    time_s = np.arange(seconds + 1.0)
    o2 = 0.2095 - 0.1795 * np.exp(-np.maximum(time_s - 3.0, 0.0) / tau_s)
    emf = 20.965 * np.log(0.2095 / o2) + offset_mv + np.random.default_rng(seed).normal(0.0, 0.04, time_s.size)
    n, nan = time_s.size, np.full(time_s.size, np.nan)
    trace = Trace(time_s, emf, np.zeros(n), o2, np.full(n, 700.0), nan, nan, nan, np.ones(n))
    return Check(Mode.AIR_CHECK, False, 0.0, float(seconds), 0.03, trace)


@pytest.mark.parametrize(("seconds", "tau_s"), [(30, 1.5), (36, 3.0), (50, 6.0), (90, 12.0), (180, 30.0)])
@pytest.mark.parametrize("seed", range(5))
def test_a_check_that_is_long_enough_for_its_filter_settles_near_the_truth(seconds, tau_s, seed):
    found = judge_air_check(coming_to_air(seconds, tau_s, seed=seed), MEASURED, PROBE, EpisodeOptions())
    assert not isinstance(found, Unseen)
    assert found.raw_offset_mv == pytest.approx(1.0, abs=0.2)
    assert abs(found.raw_offset_mv - 1.0) < 2.5 * found.raw_u_mv


@pytest.mark.parametrize(("seconds", "tau_s"), [(20, 1.5), (30, 6.0), (36, 12.0), (50, 12.0), (50, 30.0), (90, 40.0)])
@pytest.mark.parametrize("seed", range(5))
def test_a_check_that_has_not_come_to_rest_is_refused_however_the_noise_falls(seconds, tau_s, seed):
    found = judge_air_check(coming_to_air(seconds, tau_s, seed=seed), MEASURED, PROBE, EpisodeOptions())
    assert isinstance(found, Unseen)
    assert found.why


def blind(**conventions):
    return Cell(
        RegisterMap.model_validate(
            {
                "signals": {"o2": {"address": 0}, "cell_temp": {"address": 1, "scale": 0.1}},
                "conventions": conventions,
            }
        )
    )


@pytest.mark.parametrize(
    ("conventions", "says"),
    [
        ({"o2_during_checks": "held"}, "the display is held during checks; a cell_emf that stays live would show them"),
        ({"o2_basis": "dry"}, "the display is corrected to dry gas; cell_emf would show the cell itself"),
        ({"o2_clamp": [0.0, 20.9]}, "the display ends at 20.9 %; cell_emf would show more"),
    ],
)
def test_a_check_that_cannot_be_seen_says_why_and_what_would_show_it(conventions, says):
    seen = check(0.5)
    trace = Trace(*(getattr(seen.trace, name) for name in ("time_s",)), np.full(180, np.nan), *(
        getattr(seen.trace, name) for name in Trace.__slots__[2:]
    ))  # fmt: skip
    found = judge_air_check(
        Check(seen.kind, False, 0.0, 179.0, 0.03, trace), blind(**conventions), PROBE, EpisodeOptions()
    )
    assert isinstance(found, Unseen)
    assert found.why == says


def test_a_display_without_its_stored_offset_tells_what_remains_only():
    found = judge_air_check(check(0.8), blind(), PROBE, EpisodeOptions())
    assert not isinstance(found, Unseen)
    assert np.isnan(found.raw_offset_mv)
    assert np.isnan(found.raw_u_mv)
    assert found.remaining_offset_mv == pytest.approx(0.8, abs=0.02)


def test_a_stored_offset_parts_what_remains_from_what_the_cell_does():
    seen = check(3.0)
    columns = {name: getattr(seen.trace, name) for name in Trace.__slots__} | {"stored_mv": np.full(180, 2.4)}
    found = judge_air_check(
        Check(seen.kind, False, 0.0, 179.0, 0.03, Trace(**columns)), MEASURED, PROBE, EpisodeOptions()
    )
    assert not isinstance(found, Unseen)
    assert found.raw_offset_mv == pytest.approx(3.0, abs=0.02)
    assert found.remaining_offset_mv == pytest.approx(0.6, abs=0.02)


def test_air_into_a_furnace_at_rest_must_move_the_cell_too():
    # 16.6 % O2 is 4.9 mV from air at 700 degC: staying there is no offset of 4.9 mV, air that comes is a check.
    still = judge_air_check(check(4.88, before_frac=0.166), MEASURED, PROBE, EpisodeOptions())
    assert isinstance(still, Unseen)
    moved = judge_air_check(check(0.3, before_frac=0.166), MEASURED, PROBE, EpisodeOptions())
    assert isinstance(moved, AirCheck)
