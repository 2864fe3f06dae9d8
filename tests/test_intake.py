"""Samples as they come, turned into stretches."""

import numpy as np
import pytest

from agent.config.model import Settings
from agent.intake import ROWS_MAX, Intake, columns_of, signals_of
from agent.signals import Reason, Sample

SITE = Settings.model_validate(
    {
        "site": "fen",
        "agent": "a",
        "data_dir": "unused",
        "lines": {"one": {"kind": "tcp", "host": "127.0.0.1", "port": 502}},
        "maps": {
            "probe": {
                "signals": {"o2": {"address": 0}, "flue_temp": {"address": 1}},
                "status_words": {
                    "state": {"address": 9, "values": {0: [], 1: ["fault"], 2: ["blowback_active", "fault"]}}
                },
            },
            "unit": {
                "signals": {"load": {"address": 0}, "flue_temp": {"address": 1}},
                "status_words": {"state": {"address": 5, "values": {0: [], 1: ["firing"]}}},
            },
        },
        "feeds": {"boiler": {"line": "one", "unit": 9, "map": "unit", "period_s": 5.0, "max_age_s": 60.0}},
        "probes": {
            "east": {"line": "one", "unit": 1, "map": "probe", "feeds": ["boiler"]},
            "west": {"line": "one", "unit": 2, "map": "probe"},
        },
    }
)


def sample(probe, time_s, **values):
    return Sample(probe, time_s, values)


def test_a_map_has_the_signals_of_its_registers_and_the_flags_of_its_status_words():
    assert signals_of(SITE.maps["probe"]) == ("o2", "flue_temp", "fault", "blowback_active")


def test_a_feed_adds_what_the_probe_does_not_tell_itself():
    own, fed = columns_of(SITE, "east")
    assert own == ("o2", "flue_temp", "fault", "blowback_active")
    assert fed == {"load": "boiler", "firing": "boiler"}
    assert columns_of(SITE, "west")[1] == {}


def test_samples_become_columns_in_their_order_and_what_is_missing_is_nan_and_not_zero():
    intake = Intake(SITE)
    intake.sample(sample("west", 1.0, o2=3.0, fault=0.0))
    intake.sample(sample("west", 2.0, flue_temp=350.0))
    assert intake.waiting("west") == 2
    got = intake.drain("west")
    assert got.time_s.tolist() == [1.0, 2.0]
    assert np.array_equal(got.signals["o2"], [3.0, np.nan], equal_nan=True)
    assert np.array_equal(got.signals["flue_temp"], [np.nan, 350.0], equal_nan=True)
    assert np.isnan(got.signals["blowback_active"]).all()
    assert intake.waiting("west") == len(intake.drain("west")) == 0


def test_a_feed_holds_until_it_is_too_old():
    intake = Intake(SITE)
    intake.sample(sample("east", 99.0, o2=3.0))  # before any of the feed
    intake.feed(sample("boiler", 100.0, load=80.0, firing=1.0, flue_temp=999.0))
    for at_s in (100.0, 160.0, 160.1):
        intake.sample(sample("east", at_s, o2=3.0, flue_temp=350.0))
    got = intake.drain("east")
    for name, value in (("load", 80.0), ("firing", 1.0)):
        assert np.array_equal(got.signals[name], [np.nan, value, value, np.nan], equal_nan=True)
    assert got.signals["flue_temp"][1:].tolist() == [350.0] * 3  # the probe's own


def test_a_poll_of_the_feed_that_failed_leaves_its_last_word_standing_and_one_without_a_signal_does_not():
    intake = Intake(SITE)
    intake.feed(sample("boiler", 100.0, load=80.0, firing=1.0))
    intake.feed(sample("boiler", 105.0))
    intake.sample(sample("east", 106.0, o2=3.0))
    intake.feed(sample("boiler", 110.0, firing=1.0))
    intake.sample(sample("east", 111.0, o2=3.0))
    got = intake.drain("east")
    assert np.array_equal(got.signals["load"], [80.0, np.nan], equal_nan=True)
    assert got.signals["firing"].tolist() == [1.0, 1.0]


def test_a_feed_reaches_only_the_probes_that_name_it():
    intake = Intake(SITE)
    intake.feed(sample("boiler", 100.0, load=80.0))
    intake.sample(sample("west", 100.0, o2=3.0))
    assert "load" not in intake.drain("west").signals


def test_why_a_value_is_missing_is_known_of_the_latest_sample():
    intake = Intake(SITE)
    intake.sample(Sample("west", 1.0, {}, {"o2": Reason.SENTINEL}))
    assert intake.reasons["west"] == {"o2": Reason.SENTINEL}
    intake.sample(sample("west", 2.0, o2=3.0))
    assert intake.reasons["west"] == {}


def test_what_nobody_takes_is_bounded_and_the_oldest_goes_first():
    intake = Intake(SITE)
    for second in range(2 * ROWS_MAX):
        intake.sample(sample("west", float(second), o2=3.0))
    got = intake.drain("west")
    assert len(got) <= ROWS_MAX
    assert got.time_s[-1] == 2 * ROWS_MAX - 1
    assert len(got) + intake.dropped == 2 * ROWS_MAX
    assert np.diff(got.time_s) == pytest.approx(1.0)
