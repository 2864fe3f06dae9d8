"""What an air check is worth: gas that came to air, at a cell that was hot and at rest."""

import numpy as np
import pytest

from agent.config.model import Air, Probe, RegisterMap
from agent.reconstruct.cell import Cell
from agent.reconstruct.episodes import Check, Trace
from agent.reconstruct.judge import Unseen, expected_air_mv, judge_air_check
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions

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
