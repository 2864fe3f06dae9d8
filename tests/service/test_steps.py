import pytest

from agent.config.load import load_settings
from agent.intake import ROWS_MAX, Intake
from agent.signals import Sample
from agent.steps import step_s
from tests.service.rig import Bench


@pytest.mark.parametrize(
    ("more", "expected_s"),
    [
        ("", 24.0),  # heater_open is decided in two minutes
        ("[detectors.no_communication]\nsilence_s = 20.0\n", 4.0),
        ("[detectors.heater_open]\nwindow_s = 600.0\n", 24.0),
        ("[probes.east.detectors.no_communication]\nsilence_s = 0.5\n", 0.2),
    ],
)
def test_a_step_is_a_fifth_of_the_shortest_time_in_which_something_is_decided(tmp_path, more, expected_s):
    config = Bench({"one": ["east"]}, tmp_path, more=more).write({"one": 502}, 1883)
    assert step_s(load_settings(config, environ={}), "east") == expected_s


def test_samples_that_nobody_takes_fill_no_memory(tmp_path):
    settings = load_settings(Bench({"one": ["east"]}, tmp_path).write({"one": 502}, 1883), environ={})
    intake = Intake(settings)
    for i in range(3 * ROWS_MAX):
        intake.sample(Sample("east", float(i), {"o2": 3.0}))
    assert intake.waiting("east") <= ROWS_MAX
    assert intake.dropped + intake.waiting("east") == 3 * ROWS_MAX
    assert intake.drain("east").time_s[-1] == 3 * ROWS_MAX - 1  # what is given up is the oldest
