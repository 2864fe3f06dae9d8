import pytest

from agent.reconstruct.now import Mode, Trust
from agent.reconstruct.trust import Remaining, judge_trust


def judge(**changes):
    usual = {
        "mode": Mode.IN_SERVICE, "held": False, "fresh": True, "fault": False, "o2_pct": 3.0, "cell_temp_c": 700.0,
        "remaining": None, "ruined_by": None, "service_o2_pct": None,
    }  # fmt: skip
    return judge_trust(**{**usual, **changes})


def test_a_probe_of_which_nothing_is_known_wrong_is_good_and_has_no_error_estimate():
    assert judge().trust is Trust.GOOD
    assert judge().error_pct is None


# Nernst at 700 degC, k = 20.965 mV (CODATA): true 3.0 % with -5 mV left over shows 3.81 %, with +5 mV 2.36 %.
@pytest.mark.parametrize(("shown", "offset_mv", "direction"), [(3.808, -5.0, "high"), (2.3634, 5.0, "low")])
def test_a_remaining_offset_says_how_much_and_which_way(shown, offset_mv, direction):
    found = judge(o2_pct=shown, remaining=Remaining(offset_mv, 0.3, 0.0))
    assert found.error_pct == pytest.approx(shown - 3.0, abs=0.002)
    assert found.direction == direction
    assert found.trust is Trust.DOUBTFUL


def test_an_offset_within_its_uncertainty_is_no_error():
    found = judge(remaining=Remaining(-0.5, 0.3, 0.0))
    assert found.direction is None
    assert found.trust is Trust.GOOD


def test_hold_staleness_and_a_dead_heater_come_before_any_figure():
    assert judge(held=True).trust is Trust.HELD
    assert judge(fresh=False).trust is Trust.UNKNOWN
    assert judge(ruined_by="heater_open").trust is Trust.BAD
    assert judge(mode=Mode.AIR_CHECK).trust is Trust.BAD


def test_in_steady_service_a_passing_hold_or_recovery_does_not_count_and_an_error_does():
    assert judge(mode=Mode.RECOVERY).trust is Trust.DOUBTFUL
    assert judge(mode=Mode.RECOVERY).steady is Trust.GOOD
    assert judge(held=True).steady is Trust.GOOD
    assert judge(held=True, remaining=Remaining(-3.0, 0.2, 0.0)).steady is Trust.DOUBTFUL
    assert judge(ruined_by="heater_open").steady is Trust.BAD


def test_a_cell_within_two_millivolts_is_good_though_its_small_error_is_told():
    found = judge(o2_pct=4.0, remaining=Remaining(-1.2, 0.2, 0.0))
    assert found.trust is Trust.GOOD
    assert found.direction == "high"
    assert judge(o2_pct=4.0, remaining=Remaining(-2.2, 0.2, 0.0)).trust is Trust.DOUBTFUL


def test_steady_service_is_judged_by_its_own_gas_while_air_is_at_the_cell():
    # -3 mV in 20 % is over 2 % O2, in flue gas of 3 % it is 0.4 %
    found = judge(mode=Mode.RECOVERY, o2_pct=20.0, service_o2_pct=3.0, remaining=Remaining(-3.0, 0.2, 0.0))
    assert found.steady is Trust.DOUBTFUL
