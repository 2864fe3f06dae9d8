"""The scoreboard's own arithmetic, on toy cases whose answers are known beforehand."""

from math import inf

import numpy as np
import pytest

from agent.config.model import Settings
from tests.benchmarks.evaluation.case import Case, Excuse, Fault
from tests.benchmarks.scoring.judge import judge
from tests.benchmarks.scoring.oracle import Series, detect
from tests.benchmarks.scoring.play import days_of, play
from tests.benchmarks.scoring.rates import rate_interval, share_interval
from tests.benchmarks.scoring.raw_days import RawDays
from tests.benchmarks.scoring.records import DAY_S, YEAR_S, Played, Raised, append, read_played
from tests.benchmarks.scoring.table import markdown, plain

FROM_S = 20_000 * DAY_S
MAP = {
    "signals": {
        name: {"address": 2 * i, "type": "float32"} for i, name in enumerate(("o2", "cell_temp", "heater_output"))
    },
    "conventions": {"heater_output": "duty"},
}


def settings(*probes):
    return Settings.model_validate(
        {
            "site": "fen",
            "agent": "a",
            "data_dir": "unused",
            "lines": {"one": {"kind": "tcp", "host": "127.0.0.1", "port": 502}},
            "maps": {"m": MAP},
            "probes": {p: {"line": "one", "unit": i + 1, "map": "m"} for i, p in enumerate(probes)},
        }
    )


def fault(**changes):
    usual = {
        "kind": "cell_offset_drift", "shape": "creep", "part": "cell", "parts": ("cell", "reference_air"),
        "symptoms": ("cell_offset_drift",), "onset_s": FROM_S + 100 * DAY_S, "matters_s": FROM_S + 200 * DAY_S,
        "matters": {}, "severity": 1.0,
    }  # fmt: skip
    return Fault(**{**usual, **changes})


def played(number=0, *, faults=(), raised=(), excuses=(), probes=("east",), days=365.25):
    return Played(
        seed=1, number=number, days=days, code="c", probe="east", probes=probes, from_s=FROM_S,
        to_s=FROM_S + days * DAY_S, faults=faults, excuses=excuses, raised=raised, decoys=("winter",),
        traits={"period": "5 s"},
    )  # fmt: skip


def alert(day, symptom="cell_offset_drift", probe="east", part="cell"):
    return Raised(probe, symptom, FROM_S + day * DAY_S, part)


def score_of(*cases):
    return judge((one, one.raised) for one in cases)


def test_an_alert_about_a_healthy_probe_is_false_and_both_twins_count_their_years():
    score = score_of(played(raised=(alert(5.0), alert(9.0, probe="west")), probes=("east", "west")))
    assert len(score.false_healthy) == 2
    assert score.healthy_years == pytest.approx(2.0)


def test_alerts_before_onset_of_another_symptom_and_about_the_twin_are_false_on_a_faulty_case_too():
    raised = (alert(50.0), alert(120.0, "slow_recovery"), alert(130.0, probe="west"), alert(140.0))
    score = score_of(played(faults=(fault(),), raised=raised, probes=("east", "west")))
    assert [len(part) for part in (score.false_healthy, score.false_before, score.false_after)] == [0, 2, 1]
    assert score.before_years == pytest.approx((100 + 365.25) / 365.25)
    assert score.after_years == pytest.approx(265.25 / 365.25)
    (one,) = score.faults
    assert one.delay_s == pytest.approx(40 * DAY_S)
    assert one.lead_s == pytest.approx(60 * DAY_S)
    assert one.in_time
    assert one.right_part


def test_a_fault_that_is_told_after_it_matters_is_found_but_late_and_another_part_first_is_wrong():
    late = played(faults=(fault(),), raised=(alert(250.0, part="filter"),))
    never = played(1, faults=(fault(),))
    score = score_of(late, never)
    assert [one.in_time for one in score.faults] == [False, False]
    assert [one.right_part for one in score.faults] == [False, False]
    assert list(score.delays_days()) == [150.0, inf]


def test_an_alert_raised_by_luck_before_the_onset_does_not_find_the_fault():
    (one,) = score_of(played(faults=(fault(),), raised=(alert(90.0),))).faults
    assert one.first is None
    assert one.standing


def test_an_excused_alert_is_neither_false_nor_right():
    excuse = Excuse("east", "cell_offset_drift", FROM_S, FROM_S + 10 * DAY_S)
    score = score_of(played(raised=(alert(5.0), alert(11.0)), excuses=(excuse,)))
    assert score.excused == 1
    assert len(score.false) == 1


def test_intervals_are_those_of_the_books():
    # Garwood's table: 0 events up to 3.689, 10 events 4.795 to 18.39 (95 %).
    assert rate_interval(0, 1.0) == pytest.approx((0.0, 3.689), abs=1e-3)
    assert rate_interval(10, 2.0) == pytest.approx((4.795 / 2, 18.39 / 2), abs=3e-3)
    # Brown, Cai, DasGupta, Statist. Sci. 16 (2001): Wilson for 0 of 10 is 0 to z^2 / (n + z^2).
    assert share_interval(0, 10) == pytest.approx((0.0, 3.8415 / 13.8415), abs=1e-4)


def test_the_tables_tell_the_counts():
    cases = [played(faults=(fault(),), raised=(alert(140.0),)), played(1, raised=(alert(5.0),))]
    score = score_of(*cases)
    text = markdown("head", (score, {"peer": score}, {}, cases))
    assert "| cell_offset_drift, creep | 1 (1) | 100.0 % (21..100; 1/1)" in text
    assert plain((score, {}, {}, cases))["flueward"]["false_well"] == 1


def test_a_record_comes_back_as_it_was_and_a_torn_line_is_passed_over(tmp_path):
    path = tmp_path / "cases.jsonl"
    one = played(3, faults=(fault(),), raised=(alert(140.0),))
    append(path, one)
    with path.open("a") as file:
        file.write('{"seed": 1, "num')
    assert list(read_played(path, "c")) == [one]
    assert list(read_played(path, "other sources")) == []


def white(course_s, course, days=300, **more):
    at_s = FROM_S + DAY_S * np.arange(days, dtype=float)
    return Series(at_s, np.zeros(days), np.eye(days), course_s, course, **more)


def test_the_oracle_finds_a_step_after_as_many_samples_as_theory_says():
    # Without noise its ratio grows by size^2 / 2 = 2 a day; noise alone reaches some 7 once in twenty years: the
    # square of 3.7 standard deviations by half, for about 200 independent tries a year.
    series = white(np.array([0.0, 1.0, 1e9]), np.array([0.0, 2.0, 2.0]))
    onset_s = FROM_S + 100 * DAY_S
    series.y[101:] = 2.0
    change_s, limit_s = detect(series, 3.0, 0.05, onset_s, np.random.default_rng(1))
    assert 1.0 <= (change_s - onset_s) / DAY_S <= 8.0
    assert limit_s == inf  # it never gets to 3


def test_the_oracle_waits_for_the_limit_although_it_knows_of_the_change_before():
    series = white(np.array([0.0, 200 * DAY_S]), np.array([0.0, 20.0]))  # 0.1 a day, noise 1
    onset_s = FROM_S + 100 * DAY_S
    series.y[100:] = 0.1 * np.arange(200)
    change_s, limit_s = detect(series, 10.0, 0.05, onset_s, np.random.default_rng(1))
    assert 10.0 < (change_s - onset_s) / DAY_S < 40.0
    assert (limit_s - onset_s) / DAY_S == pytest.approx(100.0, abs=4.0)


def test_the_oracle_is_as_often_wrong_on_noise_as_it_is_asked_to_be():
    series = white(np.array([0.0, 200 * DAY_S]), np.array([0.0, 20.0]), days=100)
    rng = np.random.default_rng(2)
    wrong = 0
    for _ in range(24):
        series.y[:] = rng.standard_normal(100)
        wrong += detect(series, 10.0, 3.0, FROM_S, rng)[0] < inf
    # 100 days at three a year: 1 - exp(-0.82) = 0.56 of 24 records, 13 +- 2.4
    assert 7 <= wrong <= 20


def rows(probe, from_s, to_s, step_s=60.0, *, silent=False):
    time_s = np.arange(from_s, to_s, step_s)
    values = {"o2": 4.0, "cell_temp": 700.0, "heater_output": 45.0}
    return probe, time_s, {name: np.full(time_s.size, np.nan if silent else x) for name, x in values.items()}


def toy_case(*chunks, days=3.0, faults=(), probes=("east",)):
    return Case(
        seed=1, number=0, settings=settings(*probes), probe="east", chunks=lambda: iter(chunks), from_s=FROM_S,
        to_s=FROM_S + days * DAY_S, faults=faults,
    )  # fmt: skip


def test_a_silent_transmitter_is_told_minutes_after_its_onset():
    lost = FROM_S + 1.3 * DAY_S
    silence = fault(
        kind="no_communication", symptoms=("no_communication",), parts=("line", "transmitter"), onset_s=lost
    )
    case = toy_case(rows("east", FROM_S, lost), rows("east", lost, FROM_S + 3 * DAY_S, silent=True), faults=(silence,))
    result, arrays = play(case)
    (one,) = score_of(result).faults
    assert 200.0 <= one.delay_s <= 480.0  # five minutes after the last answer, which came a minute before the onset
    assert one.right_part
    assert [r.symptom for r in result.fixed] == ["no_communication"]
    assert arrays["raw.east.duty"][0] == pytest.approx(0.45)


def test_a_hole_of_the_recorder_is_no_outage_wherever_it_lies():
    for gone, back in ((0.3, 0.5), (0.8, 1.4), (0.9, 2.6), (2.5, 3.0)):
        parts = [rows("east", FROM_S, FROM_S + gone * DAY_S), rows("east", FROM_S + back * DAY_S, FROM_S + 3 * DAY_S)]
        result, _ = play(toy_case(*parts))
        assert result.raised == ()
        assert result.fixed == ()


def test_days_of_twins_come_together_however_their_chunks_are_cut():
    chunks = [
        rows("east", FROM_S, FROM_S + 2.5 * DAY_S, 3600.0),
        rows("west", FROM_S, FROM_S + 0.5 * DAY_S, 3600.0),
        rows("west", FROM_S + 0.5 * DAY_S, FROM_S + 3 * DAY_S, 3600.0),
        rows("east", FROM_S + 2.5 * DAY_S, FROM_S + 3 * DAY_S, 3600.0),
    ]
    steps = [
        (edge, {p: len(s) for p, s in part.items()})
        for edge, part in days_of(toy_case(*chunks, probes=("east", "west")))
    ]
    whole = [step for step in steps if step[1]]
    assert whole == [(FROM_S + d * DAY_S, {"east": 24, "west": 24}) for d in (1, 2, 3)]


def test_a_flagged_check_shows_its_millivolts_and_its_way_back_on_the_trend_page():
    time_s = FROM_S + np.arange(0.0, DAY_S, 5.0)
    since = time_s - FROM_S - 40_000.0
    flag = ((since >= 0.0) & (since < 300.0)).astype(float)
    left = np.where(since >= 300.0, np.exp(-np.maximum(since - 300.0, 0.0) / 30.0), flag)
    o2, emf = 4.0 + 16.95 * left, np.where(flag > 0, -3.0, 36.0)
    days = RawDays()
    for part in (slice(0, 8030), slice(8030, None)):  # cut within the check
        columns = {"o2": o2, "cell_emf": emf, "air_check_active": flag}
        days.feed(_stretch(time_s[part], {name: x[part] for name, x in columns.items()}))
    table = days.table()
    assert table["air_mv"][0] == -3.0
    assert table["return_s"][0] == pytest.approx(30.0 * np.log(10.0), abs=10.0)


def _stretch(time_s, signals):
    from detectors.stretch import Stretch

    return Stretch(time_s, signals)


def test_the_record_of_a_year_is_a_year():
    assert played().span_years == pytest.approx(365.25 * DAY_S / YEAR_S)
