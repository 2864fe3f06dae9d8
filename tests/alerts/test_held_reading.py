import pytest

from agent.alerts.reading import misleads_trim, told_error_pct, told_trust, trust_words
from agent.alerts.symptoms import Audience
from agent.alerts.words import operator_action
from agent.reconstruct.now import Mode, ProbeNow, Trust, Value
from detectors.finding import Finding

SLOW, FAST = "cell_offset_drift", "probe_disagreement"
DRIFT = Finding(symptom=SLOW, at_s=1.79e9, active=True)


def now(trust, direction="high", **rest):
    said = {"error_estimate": 1.02, "error_direction": direction, **rest}
    return ProbeNow(probe="p", at_s=1.79e9, trust=trust, **said)


def test_a_held_reading_that_will_be_too_high_warns_the_operator_of_trim():
    words = operator_action(DRIFT, now(Trust.HELD), used_by_trim=True)
    assert words.startswith("Once it is live again the reading is too high by about 1.0 % O2 and trim")
    assert "watch CO" in words


def test_a_held_reading_says_which_way_it_errs_when_live():
    assert trust_words(FAST, now(Trust.HELD)) == "Reading held; live it is about 1.0 % O2 high."
    assert trust_words(FAST, now(Trust.HELD, None)) == "Reading held."


@pytest.mark.parametrize("trust", [Trust.GOOD, Trust.UNKNOWN])
def test_a_reading_that_is_good_or_unknown_misleads_nobody(trust):
    assert not misleads_trim(SLOW, now(trust))


def test_a_reading_that_errs_low_takes_no_air_away():
    assert not misleads_trim(SLOW, now(Trust.BAD, "low"))


@pytest.mark.parametrize("moment", [Trust.DOUBTFUL, Trust.BAD, Trust.HELD])
def test_a_slow_symptom_speaks_of_steady_service_and_a_fast_one_of_now(moment):
    known = now(moment, None, mode=Mode.RECOVERY, steady_trust=Trust.GOOD)
    assert (told_trust(SLOW, known), told_trust(FAST, known)) == (Trust.GOOD, moment)
    assert trust_words(SLOW, known) == "Steady O2 good."
    assert not trust_words(FAST, known).startswith("Steady")


@pytest.mark.parametrize("steady", [Trust.DOUBTFUL, Trust.BAD])
def test_steady_words_say_which_way_it_errs(steady):
    words = trust_words(SLOW, now(Trust.HELD, steady_trust=steady))
    assert words == f"Steady O2 {steady}, about 1.0 % O2 high."


def test_without_data_nothing_is_said_of_steady_service():
    assert told_trust(SLOW, now(Trust.UNKNOWN, steady_trust=Trust.GOOD)) is Trust.UNKNOWN
    assert trust_words(SLOW, now(Trust.UNKNOWN, steady_trust=Trust.GOOD)) == "Reading not judged."


def test_a_held_reading_that_is_good_in_steady_service_misleads_nobody():
    assert not misleads_trim(FAST, now(Trust.HELD, steady_trust=Trust.GOOD))
    assert misleads_trim(FAST, now(Trust.HELD, steady_trust=Trust.DOUBTFUL))


@pytest.mark.parametrize("wild", [-18.0, 5.01, float("nan"), float("inf"), -1e308])
def test_a_wild_error_is_not_told_but_its_direction_is(wild):
    known = now(Trust.BAD, error_estimate=wild)
    assert told_error_pct(known) is None
    assert trust_words(FAST, known) == "Do not use the reading, high."
    assert "%" not in operator_action(DRIFT, known, used_by_trim=True)


def test_an_error_beyond_the_display_is_not_told():
    """3 % shown and 4 % of it too much would be -1 % O2."""
    three = {"o2": Value(3.0, "% vol")}
    assert told_error_pct(now(Trust.BAD, error_estimate=4.0, signals=three)) is None
    assert told_error_pct(now(Trust.BAD, error_estimate=-4.0, signals=three)) == -4.0
    assert told_error_pct(now(Trust.HELD, error_estimate=4.0, signals=three)) == 4.0  # held: it is not of that value


@pytest.mark.parametrize("trust", [Trust.DOUBTFUL, Trust.BAD])
@pytest.mark.parametrize("direction", ["high", "low", None])
def test_an_operator_is_told_what_to_do_with_a_reading_that_errs(trust, direction):
    words = operator_action(DRIFT, now(trust, direction), used_by_trim=False, audience=Audience.OPERATOR)
    assert words.startswith("Read it with" if trust is Trust.DOUBTFUL else "Do not steer by this reading")
    assert (f"it shows about 1.0 % O2 too {direction}" if direction else "how far it errs is not known") in words
    assert "take trim off this probe where it is used" in words
    assert "technician" in words


def test_an_alert_for_the_technician_alone_keeps_the_operators_night_quiet():
    assert operator_action(DRIFT, now(Trust.DOUBTFUL), used_by_trim=False) == "none tonight"
    assert operator_action(DRIFT, now(Trust.HELD, steady_trust=Trust.GOOD), used_by_trim=True) == "none tonight"
