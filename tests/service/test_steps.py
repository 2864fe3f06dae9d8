import pytest

from agent.config.load import load_settings
from agent.steps import step_s
from tests.service.rig import Bench


@pytest.mark.parametrize(
    ("more", "expected_s"),
    [
        ("", 15.0),  # heater_open is decided in two minutes
        ("[detectors.no_communication]\nsilence_s = 20.0\n", 2.5),
        ("[detectors.heater_open]\nwindow_s = 600.0\n", 15.0),
        ("[probes.east.detectors.no_communication]\nsilence_s = 0.5\n", 0.2),
    ],
)
def test_a_step_is_an_eighth_of_the_shortest_time_in_which_something_is_decided(tmp_path, more, expected_s):
    config = Bench({"one": ["east"]}, tmp_path, more=more).write({"one": 502}, 1883)
    assert step_s(load_settings(config), "east") == expected_s
