"""Options of detectors: the last word wins, and every probe's merged settings are built before anything runs."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from agent.config.detector_settings import SYMPTOMS, detector_settings, settings_class
from agent.config.errors import ConfigError
from agent.config.load import from_tables

BASE = """
site = "s"
agent = "a"
data_dir = "d"
lines.l = { kind = "tcp", host = "192.0.2.1" }
maps.m.signals.o2.address = 1
maps.other.signals.o2.address = 2
probes.p.line = "l"
probes.p.map = "m"
probes.q.line = "l"
probes.q.map = "other"
probes.q.unit = 2
probes.r.line = "l"
probes.r.map = "m"
probes.r.unit = 3
"""


def loaded(more=""):
    return from_tables(tomllib.loads(BASE + more), Path("site.toml"), environ={}).settings


def lines_of(more):
    with pytest.raises(ConfigError) as caught:
        loaded(more)
    return str(caught.value).splitlines()


def test_probe_goes_before_map_and_map_before_site():
    settings = loaded(
        """
        detectors.heater_open = { window_s = 10.0, below_setpoint_k = 11.0, max_gap_s = 12.0 }
        maps.m.detectors.heater_open = { window_s = 20.0, below_setpoint_k = 21.0 }
        probes.p.detectors.heater_open = { window_s = 30.0 }
        """
    )

    def of(probe):
        found = detector_settings(settings, probe, "heater_open")
        return found.window_s, found.below_setpoint_k, found.max_gap_s

    assert of("p") == (30.0, 21.0, 12.0)
    assert of("r") == (20.0, 21.0, 12.0)
    assert of("q") == (10.0, 11.0, 12.0)


@pytest.mark.parametrize("symptom", sorted(SYMPTOMS))
def test_without_options_a_detector_has_its_defaults(symptom):
    assert detector_settings(loaded(), "p", symptom) == settings_class(symptom)()


def test_what_a_map_says_of_a_new_probe_reaches_the_detectors_unless_overridden():
    settings = loaded(
        """
        maps.m.as_new = { tau_s = 9.0, heater_demand = 0.4 }
        probes.r.detectors.slow_recovery = { as_new_tau_s = 14.0 }
        """
    )
    assert detector_settings(settings, "p", "slow_recovery").as_new_tau_s == 9.0
    assert detector_settings(settings, "p", "heater_duty_creep").as_new_demand == 0.4
    assert detector_settings(settings, "r", "slow_recovery").as_new_tau_s == 14.0
    assert detector_settings(settings, "q", "slow_recovery").as_new_tau_s is None


def test_a_whole_number_serves_where_a_number_is_wanted_but_not_the_other_way_round():
    assert detector_settings(loaded("detectors.heater_open.window_s = 60"), "p", "heater_open").window_s == 60
    assert lines_of("detectors.slow_recovery.slow_count = 2.5") == [
        "site.toml: detectors.slow_recovery.slow_count: got 2.5, must be a whole number"
    ]


def test_a_value_is_told_of_at_the_level_that_has_the_last_word_on_it():
    assert lines_of(
        """
        detectors.heater_open.window_s = 60.0
        maps.m.detectors.heater_open.window_s = 0.0
        """
    ) == ["site.toml: maps.m.detectors.heater_open.window_s: got 0.0, must be above 0"]


def test_a_bad_value_that_every_probe_overrides_harms_nothing():
    loaded(
        """
        maps.other.detectors.heater_open.window_s = 0.0
        probes.q.detectors.heater_open.window_s = 5.0
        """
    )


def test_an_unknown_symptom_gets_the_known_ones_named():
    assert lines_of("detectors.slow_recovry.slow_ratio = 3.0") == [
        "site.toml: detectors.slow_recovry: unknown symptom, did you mean 'slow_recovery'?"
    ]
    (line,) = lines_of("detectors.xyz.slow_ratio = 3.0")
    assert line.startswith("site.toml: detectors.xyz: unknown symptom; known here: cell_offset_drift, ")


def test_the_import_is_quick_and_brings_no_arrays():
    code = (
        "import agent.config.load, sys; print([m for m in ('numpy', 'scipy', 'pymodbus', 'paho') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
