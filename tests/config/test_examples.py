# ruff: noqa: E501 - a table of rows stays one line each
"""The examples load, the minimal one is minimal, the complete one is complete, and every key says what it is."""

import re
import time
import tomllib
from pathlib import Path

import pytest

from agent.config.describe import describe
from agent.config.detector_settings import SYMPTOMS, settings_class
from agent.config.errors import ConfigError, dotted
from agent.config.load import from_tables, load, load_settings
from agent.config.maps import Register
from agent.config.model import Settings
from agent.config.reference import reference_markdown
from agent.config.shape import every_key

EXAMPLES = Path(__file__).parents[2] / "config_examples"


@pytest.mark.parametrize("name", ["minimal.toml", "complete.toml"])
def test_an_example_loads(name):
    assert isinstance(load_settings(EXAMPLES / name, environ={}), Settings)


def paths(table, at=()):
    for key, value in table.items():
        yield (*at, key)
        if isinstance(value, dict):
            yield from paths(value, (*at, key))


MINIMAL = tomllib.loads((EXAMPLES / "minimal.toml").read_text())
# A map with one signal is allowed, a value's scale is the transmitter's: these are there to show something useful.
SHOWN = {("maps", "heron", "signals", "cell_temp"), ("maps", "heron", "signals", "o2", "scale")}
SHOWN |= {("maps", "heron", "signals", "o2")} | {
    ("maps", "heron", "signals", "cell_temp", k) for k in ("address", "scale")
}


@pytest.mark.parametrize("path", [path for path in paths(MINIMAL) if path not in SHOWN], ids=dotted)
def test_nothing_can_be_left_out_of_the_minimal_example(path):
    tables = tomllib.loads((EXAMPLES / "minimal.toml").read_text())
    table = tables
    for part in path[:-1]:
        table = table[part]
    del table[path[-1]]
    with pytest.raises(ConfigError):
        from_tables(tables, EXAMPLES / "minimal.toml", environ={})


def test_the_complete_example_mentions_every_key():
    """A key counts under a table of its own kind, set or commented out."""
    text = (EXAMPLES / "complete.toml").read_text()
    mentioned = set(re.findall(r"(?:^(?:# )?|[{,] *)([a-z0-9_]+) = ", text, re.MULTILINE))
    mentioned |= {part for line in re.findall(r"^\[+([^\]]+)\]", text, re.MULTILINE) for part in line.split(".")}
    wanted = {key[-1] for key, _ in every_key() if key[-1] != "*"}
    assert wanted - mentioned == set()


def test_the_complete_example_shows_each_kind_of_everything():
    settings = load_settings(EXAMPLES / "complete.toml", environ={})
    assert {line.kind for line in settings.lines.values()} == {"tcp", "rtu", "rtu_over_tcp"}
    assert len({probe.map for probe in settings.probes.values()}) >= 2
    assert set(settings.maps["controls_boiler2"].signals) == {"load", "flue_temp", "firing"}
    assert settings.probes["b2_west"].twins == ("b2_east",)
    assert {probe.supply_group for probe in settings.probes.values()} == {"panel_7", None}
    assert settings.probes["b2_east"].test_gases


def test_a_commented_default_in_the_complete_example_is_the_default():
    """`# bridge = x` lines hold the default, or an example where the model's default is none."""
    text = (EXAMPLES / "complete.toml").read_text()
    defaults = {}
    for key, _ in every_key():
        defaults.setdefault(key[-1], [])
    for _, shape in [((), Settings), *every_key()]:
        for model in (
            (shape,) if isinstance(shape, type) else (*shape.models, *(shape.item.models if shape.item else ()))
        ):
            for name, field in model.model_fields.items():
                if not field.is_required():
                    defaults[name].append(field.get_default(call_default_factory=True))
    found = re.findall(r"^# ([a-z0-9_]+) = (\S+)", text, re.MULTILINE)
    assert len(found) > 10
    for name, value in found:
        if None not in defaults[name]:
            assert tomllib.loads(f"x = {value}")["x"] in defaults[name], name


@pytest.mark.parametrize(
    ("key", "shape"), list(every_key()), ids=lambda value: dotted(value) if isinstance(value, tuple) else ""
)
def test_every_key_says_what_it_is(key, shape):
    assert shape.description.endswith((".", "]")), f"{key} has no description"
    if key[-1].endswith(("_s", "_ms", "_days", "_c", "_kpa")):
        assert re.search(r"\[(s|ms|d|degC|kPa)\]", shape.description), f"{key} does not say its unit"


def test_the_reference_has_every_key_and_every_option():
    text = reference_markdown()
    for key, _ in every_key():
        if key[-1] != "*":
            assert f"\n| {key[-1]} |" in text
    for symptom in SYMPTOMS:
        assert f"### detectors.{symptom}" in text
    assert "| period_s | number, >= 0.1, <= 3600 | `5.0` | Time between polls [s]. |" in text
    assert "| bit | whole number, >= 0, <= 15 |  |" in text


def test_the_effective_settings_say_where_each_key_came_from():
    environ = {"FLUEWARD_MQTT__PASSWORD": "hunter2", "FLUEWARD_PROBES__B2_EAST__PERIOD_S": "2"}
    found = {
        item.key: (item.value, item.origin) for item in describe(load(EXAMPLES / "complete.toml", environ=environ))
    }
    assert found["site"] == ('"saltmarsh_mill"', "complete.toml")
    assert found["mqtt.password"] == ('"********"', "environment FLUEWARD_MQTT__PASSWORD")
    assert found["mqtt.client_id"] == ("", "default")
    assert found["probes.b2_east.period_s"] == ("2.0", "environment FLUEWARD_PROBES__B2_EAST__PERIOD_S")
    assert found["probes.b2_west.period_s"] == ("5.0", "default")
    assert found["probes.b2_west.twins"] == ('["b2_east"]', "derived")
    assert found["probes.b2_east.test_gases.1.o2"] == ("8.0", "complete.toml")
    assert found["probes.b2_east.test_gases.1.relative_uncertainty"] == ("0.02", "default")
    assert found["maps.bittern.signals.heater_on.type"] == ('"bool"', "derived")
    assert found["detectors.heater_open.window_s"] == ("120.0", "complete.toml")
    assert found["detectors.no_communication.silence_s"] == ("300.0", "default")
    assert found["maps.heron.detectors.heater_open.window_s"] == ("180.0", "complete.toml")
    assert "hunter2" not in str(found)


def test_what_is_effective_reads_as_toml():
    lines = [str(item) for item in describe(load(EXAMPLES / "complete.toml", environ={})) if item.value]
    tables = tomllib.loads("\n".join(lines).replace(".test_gases.", ".test_gases_."))
    assert tables["probes"]["kiln-feed-end"]["name"] == "Kiln feed end"


@pytest.mark.parametrize("symptom", sorted(SYMPTOMS))
def test_each_detector_runs_with_its_defaults_when_nothing_is_set(symptom):
    settings_class(symptom)()


def test_a_register_by_itself_has_the_documented_defaults():
    assert (Register(address=3).table, Register(address=3).type, Register(address=3).scale) == (
        "holding",
        "uint16",
        1.0,
    )


def test_five_hundred_probes_load_in_well_under_a_second(tmp_path):
    """The bound is loose, for machines under load; the figure is about a third of it on a desktop."""
    text = (EXAMPLES / "complete.toml").read_text()
    text += "".join(
        f'[lines.l{line}]\nkind = "tcp"\nhost = "10.0.0.{line}"\n'
        + "".join(
            f'[probes.p{line}_{unit}]\nline = "l{line}"\nunit = {unit}\nmap = "heron"\nperiod_s = 5.0\n'
            f'twins = ["p{line}_{unit % 10 + 1}"]\nfeeds = ["boiler2_unit"]\nused_by_trim = true\n'
            f"[[probes.p{line}_{unit}.test_gases]]\no2 = 0.4\n[probes.p{line}_{unit}.detectors.heater_open]\nwindow_s = 90.0\n"
            for unit in range(1, 11)
        )
        for line in range(1, 51)
    )
    path = tmp_path / "site.toml"
    path.write_text(text)
    began = time.process_time()
    assert len(load_settings(path, environ={"FLUEWARD_LOG__LEVEL": "debug"}).probes) == 505
    assert time.process_time() - began < 1.0
