"""Facts of the trade (common practice, from memory) that the defaults must agree with, shown by behaviour."""

import numpy as np
import pytest

from agent.reconstruct.options import EpisodeOptions
from agent.reconstruct.stability import Stability
from detectors.cell_offset_drift import AirCheck, CellOffsetDrift
from detectors.probe.nernst import cell_emf_mv

DAY_S = 86_400.0
SMALL_U_MV = 0.05  # so that the limit itself is tested, not the care taken of a poor measurement


def judged(*offsets_mv: float, every_days: float = 1.0) -> bool:
    """Whether the detector speaks after checks with these offsets."""
    detector = CellOffsetDrift()
    found = [
        detector.update([AirCheck(at_s=DAY_S * every_days * i, raw_offset_mv=mv, raw_u_mv=SMALL_U_MV, presumed=False)])
        for i, mv in enumerate(offsets_mv)
    ]
    return any(one.active for one in found[-1])


def test_one_percent_of_oxygen_at_700_degrees_is_about_65_millivolts():
    assert float(cell_emf_mv(0.01, 700.0)) == pytest.approx(65.0, abs=2.0)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_cell_within_two_millivolts_on_air_is_good(side):
    assert not judged(side * 1.8, side * 1.9, side * 1.9, side * 1.8)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_five_millivolts_on_air_call_for_action_at_once(side):
    """At the check that shows them where checks are rare; where they come daily, the next day's confirms."""
    assert not judged(0.2, 0.1, 0.2, side * 4.7, every_days=30.0)
    assert judged(0.2, 0.1, 0.2, side * 5.3, every_days=30.0)
    assert not judged(0.2, side * 4.7, 0.2)
    assert judged(0.2, side * 5.3, side * 5.2)


def test_two_checks_beyond_two_millivolts_on_one_side_speak_and_one_does_not():
    assert not judged(0.1, 2.4)
    assert judged(0.1, 2.4, 2.5)
    assert not judged(0.1, 2.4, -2.5)


def test_nothing_is_judged_before_two_hours_hot():
    time_s = np.arange(0.0, 4 * 3600.0, 60.0)
    temp_c = np.minimum(20.0 + time_s / 3.0, 700.0)  # at the set point after 34 min
    stable = Stability(EpisodeOptions()).run(time_s, temp_c, np.full(time_s.size, 700.0))
    at_rest_s = float(time_s[np.abs(temp_c - 700.0) <= 5.0][0])
    assert float(time_s[stable][0]) - at_rest_s == pytest.approx(2 * 3600.0, abs=60.0)
