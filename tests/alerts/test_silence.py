"""One dead line is one alert, however its probes fall silent."""

import pytest

from agent.alerts.book import AlertBook
from agent.alerts.ledger import Handed
from agent.config.model import Settings
from agent.reconstruct.now import ProbeNow
from detectors.finding import Finding

T0 = 1_790_000_000.0
HOUR = 3600.0
PROBES = ("p1", "p2", "p3")


@pytest.fixture
def line_of_three(settings):
    probe = {"line": "boiler", "map": "plain"}
    return Settings.model_validate(
        {**settings.model_dump(), "probes": {**dict.fromkeys(PROBES, probe), "kiln": {"line": "kiln", "map": "plain"}}}
    )


class Silences:
    def __init__(self, settings):
        self.book, self.out = AlertBook(settings), []

    def silent(self, probe, at_s, active=True):
        finding = Finding(
            symptom="no_communication", at_s=at_s, active=active, value=300.0, unit="s", limit=300.0, since_s=at_s - 300
        )
        assert self.book.take(probe, [finding], ProbeNow(probe=probe, at_s=at_s)) == []

    def heard(self, probe, at_s):
        self.silent(probe, at_s, active=False)

    def tick(self, at_s):
        out = self.book.tick(at_s, {})
        self.out += out
        return [(t.payload["probe"], t.payload["state"], t.at_s - T0) for t in out if t.kind is Handed.TRANSITION]

    def active(self):
        return {p["probe"]: sorted(c["probe"] for c in p["consequences"]) for p in self.book.active()}


def test_a_dead_line_is_one_alert_on_the_probe_that_fell_silent_first(line_of_three):
    line = Silences(line_of_three)
    for i, probe in enumerate(("p2", "p1", "p3")):
        line.silent(probe, T0 + 10 * i)
    assert line.tick(T0 + 500) == [("p2", "unacknowledged", 60.0)]
    assert line.active() == {"p2": ["p1", "p3"]}
    (payload,) = line.book.active()
    assert payload["headline"] == "p2: line boiler silent, nothing from its 3 probes for 5 min."
    assert payload["audience"] == "plant_it"
    assert payload["suspects"][0]["part"] == "line"
    assert payload["suspects"][0]["confidence"] == "likely"


def test_one_silent_probe_on_a_line_that_is_heard_is_its_own_alert_and_points_at_the_transmitter(line_of_three):
    line = Silences(line_of_three)
    line.silent("p2", T0)
    assert line.tick(T0 + 60) == [("p2", "unacknowledged", 60.0)]
    (payload,) = line.book.active()
    assert payload["suspects"][0]["part"] == "transmitter"
    assert payload["headline"] == "p2: nothing heard for 5 min."


def test_a_probe_alone_on_its_line_speaks_at_once_and_says_that_nobody_can_tell_line_from_transmitter(line_of_three):
    line = Silences(line_of_three)
    line.silent("kiln", T0)
    assert line.tick(T0) == [("kiln", "unacknowledged", 0.0)]
    (payload,) = line.book.active()
    assert any("cannot be told apart" in reason for reason in payload["suspects"][0]["because"])


def test_a_line_that_dies_after_one_of_its_probes_goes_on_in_that_probes_alert(line_of_three):
    line = Silences(line_of_three)
    line.silent("p1", T0)
    line.tick(T0 + 100)
    line.silent("p2", T0 + 1000)
    line.silent("p3", T0 + 1005)
    assert line.tick(T0 + 2000) == []
    assert line.active() == {"p1": ["p2", "p3"]}


def test_alerts_of_several_probes_become_one_when_the_whole_line_is_silent(line_of_three):
    line = Silences(line_of_three)
    line.silent("p1", T0)
    line.silent("p2", T0 + 5)
    line.tick(T0 + 100)
    assert len(line.active()) == 2
    line.silent("p3", T0 + 1000)
    assert line.tick(T0 + 2000) == [("p2", "normal", 1060.0)]
    assert line.active() == {"p1": ["p2", "p3"]}


def test_a_line_that_comes_back_whole_ends_in_one_transition(line_of_three):
    line = Silences(line_of_three)
    for probe in PROBES:
        line.silent(probe, T0)
    line.tick(T0 + 100)
    for i, probe in enumerate(PROBES):
        line.heard(probe, T0 + 1000 + i)
    assert line.tick(T0 + 2 * HOUR) == [("p1", "normal", 1000.0 + HOUR)]


def test_a_probe_that_stays_silent_when_its_line_is_back_speaks_for_itself(line_of_three):
    line = Silences(line_of_three)
    for probe in PROBES:
        line.silent(probe, T0)
    line.tick(T0 + 100)
    line.heard("p1", T0 + 1000)
    line.heard("p2", T0 + 1001)
    assert line.tick(T0 + 2000) == [("p3", "unacknowledged", 1060.0)]


def test_a_probe_that_comes_back_leaves_the_list(line_of_three):
    line = Silences(line_of_three)
    for probe in PROBES:
        line.silent(probe, T0)
    line.tick(T0 + 100)
    line.heard("p3", T0 + 1000)
    assert line.tick(T0 + 1000) == []
    assert line.active() == {"p1": ["p2"]}


def test_what_waits_for_a_tick_survives_a_restart(line_of_three):
    line = Silences(line_of_three)
    for probe in PROBES:
        line.silent(probe, T0)
    line.book = AlertBook.from_rows(line_of_three, line.book.to_rows())
    assert line.tick(T0 + 60) == [("p1", "unacknowledged", 60.0)]
