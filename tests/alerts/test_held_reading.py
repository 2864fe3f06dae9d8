import pytest

from agent.alerts.words import misleads_trim, operator_action, trust_words
from agent.reconstruct.now import ProbeNow, Trust
from detectors.finding import Finding

DRIFT = Finding(symptom="cell_offset_drift", at_s=1.79e9, active=True)


def now(trust, direction="high"):
    return ProbeNow(probe="p", at_s=1.79e9, trust=trust, error_estimate=1.02, error_direction=direction)


def test_a_held_reading_that_will_be_too_high_warns_the_operator_of_trim():
    words = operator_action(DRIFT, now(Trust.HELD), used_by_trim=True)
    assert words.startswith("Once it is live again the reading is too high by about 1.0 % O2 and trim")
    assert "watch CO" in words


def test_a_held_reading_says_which_way_it_errs_when_live():
    assert trust_words(now(Trust.HELD)) == "Reading held; live it is about 1.0 % O2 high."
    assert trust_words(now(Trust.HELD, None)) == "Reading held."


@pytest.mark.parametrize("trust", [Trust.GOOD, Trust.UNKNOWN])
def test_a_reading_that_is_good_or_unknown_misleads_nobody(trust):
    assert not misleads_trim(now(trust))


def test_a_reading_that_errs_low_takes_no_air_away():
    assert not misleads_trim(now(Trust.BAD, "low"))
