# ruff: noqa: E501 - a row of a table is one line
"""The environment and the folder of secrets over the file."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.config.environment import variable
from agent.config.errors import ConfigError
from agent.config.load import from_tables, load, load_settings
from agent.config.shape import walk

BASE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"
lines.boiler2 = { kind = "tcp", host = "192.0.2.20" }
maps.heron.signals.o2 = { address = 10, scale = 0.01 }

[probes.b2-east]
line = "boiler2"
map = "heron"
period_s = 3.0

[probes.b2__west]
line = "boiler2"
unit = 2
map = "heron"

[mqtt]
username = "flueward"
"""


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(BASE)
    return path


def lines_of(path, **environ):
    with pytest.raises(ConfigError) as caught:
        load_settings(path, environ=environ)
    return str(caught.value).splitlines()


TAKEN = [
    ("FLUEWARD_SITE", "other_mill", "site", "other_mill"),
    ("FLUEWARD_MQTT__HOST", "broker", "mqtt.host", "broker"),
    ("FLUEWARD_MQTT__PORT", "1883", "mqtt.port", 1883),
    ("FLUEWARD_MQTT__TLS", "no", "mqtt.tls", False),
    ("FLUEWARD_MQTT__TLS", "1", "mqtt.tls", True),
    ("FLUEWARD_MQTT__USERNAME", "null", "mqtt.username", None),
    ("FLUEWARD_MQTT__CLIENT_ID", "12", "mqtt.client_id", "12"),
    ("FLUEWARD_MQTT__PROTOCOL", "5", "mqtt.protocol", "5"),
    ("flueward_mqtt__host", "broker", "mqtt.host", "broker"),
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "2", "probes.b2-east.period_s", 2.0),
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "2.5", "probes.b2-east.period_s", 2.5),
    ("FLUEWARD_PROBES__B2__WEST__PERIOD_S", "2", "probes.b2__west.period_s", 2.0),
    ("FLUEWARD_PROBES__B2_EAST__TWINS", '["b2__west"]', "probes.b2-east.twins", ("b2__west",)),
    ("FLUEWARD_PROBES__B2_EAST__HEATER", '{"rated_power": 150}', "probes.b2-east.heater.rated_power", 150.0),
    ("FLUEWARD_PROBES__B2_EAST__HEATER__RATED_POWER", "150", "probes.b2-east.heater.rated_power", 150.0),
    ("FLUEWARD_PROBES", '{"b3": {"line": "boiler2", "unit": 3, "map": "heron"}}', "probes.b3.unit", 3),
    ("FLUEWARD_LINES__BOILER2__TIMEOUT_S", "0.5", "lines.boiler2.timeout_s", 0.5),
    ("FLUEWARD_MAPS__HERON__SIGNALS__O2__SCALE", "0.1", "maps.heron.signals.o2.scale", 0.1),
    ("FLUEWARD_MAPS__HERON__CONVENTIONS__O2_CLAMP", "[0, 25]", "maps.heron.conventions.o2_clamp", (0.0, 25.0)),
    ("FLUEWARD_DETECTORS__HEATER_OPEN__WINDOW_S", "60", "detectors.heater_open.window_s", 60),
    ("FLUEWARD_PROBES__B2_EAST__DETECTORS__HEATER_OPEN__WINDOW_S", "60.5", "probes.b2-east.detectors.heater_open.window_s", 60.5),
    ("FLUEWARD_LOG__LEVEL", "debug", "log.level", "debug"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "key", "value"), TAKEN)
def test_a_variable_sets_its_key_in_the_keys_own_type(path, name, text, key, value):
    loaded = load(path, environ={name: text})
    found = loaded.settings
    for part in key.split("."):
        found = found[part] if isinstance(found, dict) else getattr(found, part)
    assert found == value
    assert type(found) is type(value)
    assert loaded.places.origin(tuple(key.split(".")))[:2] == ("environment", name)


REFUSED = [
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "0.01", "got 0.01, must be at least 0.1"),
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "soon", 'got "soon", must be a number'),
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "", 'got "", must be a number'),
    ("FLUEWARD_PROBES__B2_EAST__PERIOD_S", "inf", "got inf, must be a finite number"),
    ("FLUEWARD_PROBES__B2_EAST__UNIT", "1.0", 'got "1.0", must be a whole number'),
    ("FLUEWARD_PROBES__B2_EAST__TWINS", "b2__west", 'must be a list in JSON, such as ["a", "b"]'),
    ("FLUEWARD_PROBES__B2_EAST__HEATER", "150", 'must be a table in JSON, such as {"key": 1}'),
    ("FLUEWARD_PROBES__B2_EAST__HEATER", '{"rated_power": 0}', "rated_power: got 0, must be more than 0"),
    ("FLUEWARD_PROBES__B2_EAST__HEATER", "[" * 100_000, 'must be a table in JSON, such as {"key": 1}'),
    ("FLUEWARD_MQTT__TLS", "maybe", 'got "maybe", must be true or false'),
    ("FLUEWARD_MQTT__PORT", "1" * 5000, None),
    ("FLUEWARD_MQTT__PROTOCOL", "4", 'got "4", must be one of "auto", "5", "3.1.1"'),
    ("FLUEWARD_MQTT__PASWORD", "x", "unknown setting, did you mean FLUEWARD_MQTT__PASSWORD?"),
    ("FLUEWARD_MQTT_PASSWORD", "x", "unknown setting, did you mean FLUEWARD_MQTT__PASSWORD? Parts are joined by two underscores"),
    ("FLUEWARD_MQT__HOST", "x", "unknown setting, did you mean FLUEWARD_MQTT__HOST?"),
    ("FLUEWARD_PROBES__B2_EASY__UNIT", "1", "unknown setting, did you mean FLUEWARD_PROBES__B2_EAST__UNIT?"),
    ("FLUEWARD_PROBES__KILN__UNIT", "1", "unknown setting, no 'kiln' in probes; known here: b2__west, b2_east"),
    ("FLUEWARD_LINES__BOILER2__BAUDRATE", "1", "unknown setting, no 'baudrate' in lines__boiler2; known here: "
     "back_off_max_s, connect_timeout_s, host, kind, pause_ms, port, timeout_s"),
    ("FLUEWARD_DETECTORS__HEATER_OPEN__WINDOW", "60", "unknown option, did you mean 'window_s'?"),
    ("FLUEWARD_DETECTORS__HEATER_OPNE__WINDOW_S", "60", None),
    ("FLUEWARD_", "x", None),
    ("FLUEWARD___", "x", None),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "expected"), REFUSED)
def test_a_variable_that_cannot_be_used_is_named(path, name, text, expected):
    (line,) = lines_of(path, **{name: text})
    assert line.startswith(f"environment: {name}: ")
    if expected is not None:
        assert line == f"environment: {name}: {expected}"


def test_two_ids_that_differ_by_a_hyphen_cannot_be_told_apart(path):
    path.write_text(BASE + '[probes.b2_east]\nline = "boiler2"\nunit = 7\nmap = "heron"\n')
    assert lines_of(path, FLUEWARD_PROBES__B2_EAST__UNIT="9") == [
        "environment: FLUEWARD_PROBES__B2_EAST__UNIT: may mean probes.b2-east.unit and probes.b2_east.unit: "
        "rename one, since a variable cannot tell a hyphen from an underscore"
    ]


def test_two_variables_for_one_key_are_refused(path):
    assert lines_of(path, FLUEWARD_SITE="a", flueward_site="b") == [
        "environment: flueward_site: sets the same key as FLUEWARD_SITE: keep one"
    ]


def test_a_key_goes_before_the_table_around_it(path):
    environ = {"FLUEWARD_MQTT": '{"host": "a", "port": 1}', "FLUEWARD_MQTT__HOST": "b"}
    mqtt = load_settings(path, environ=environ).mqtt
    assert (mqtt.host, mqtt.port, mqtt.username) == ("b", 1, "flueward")


def test_a_variable_does_not_hide_a_mistake_of_the_file(path):
    path.write_text("mqtt = 5\n" + BASE.replace("[mqtt]", "[log]").replace('username = "flueward"', ""))
    assert lines_of(path, FLUEWARD_MQTT__HOST="broker") == ["site.toml: mqtt: got 5, must be a table"]


def test_other_programs_variables_are_left_alone(path):
    load_settings(path, environ={"MQTT__HOST": "x", "FLUE": "y", "PATH": "/bin"})


@pytest.mark.parametrize("key", [("mqtt", "host"), ("probes", "b2-east", "period_s")])
def test_the_name_of_a_keys_variable_leads_back_to_the_key(path, key):
    assert walk(key) is not None
    loaded = load(path, environ={variable(key): "7"})
    assert loaded.places.environment == {key: variable(key)}


# --- secrets


@pytest.fixture
def secrets(tmp_path):
    folder = tmp_path / "secrets"
    folder.mkdir()
    return folder


@pytest.mark.parametrize("name", ["mqtt__password", "flueward_mqtt__password", "MQTT__PASSWORD"])
@pytest.mark.parametrize("place", ["FLUEWARD_SECRETS_DIR", "CREDENTIALS_DIRECTORY"])
def test_a_secret_is_read_from_a_file_named_after_its_key(path, secrets, name, place):
    (secrets / name).write_text("hunter2 \n")
    (secrets / "somebody_elses").write_bytes(b"\xff")
    (secrets / "..data").mkdir()
    loaded = load(path, environ={place: str(secrets)})
    assert loaded.settings.mqtt.password.get_secret_value() == "hunter2 "  # a secret may end with a space
    assert loaded.places.origin(("mqtt", "password"))[:2] == ("secrets", name)


def test_the_environment_goes_before_secrets_and_these_before_the_file(path, secrets):
    (secrets / "mqtt__username").write_text("secret")
    environ = {"FLUEWARD_SECRETS_DIR": str(secrets)}
    assert load_settings(path, environ=environ).mqtt.username == "secret"
    assert load_settings(path, environ={**environ, "FLUEWARD_MQTT__USERNAME": "variable"}).mqtt.username == "variable"


def test_a_misspelt_or_empty_secret_is_told_of(path, secrets):
    (secrets / "mqtt__pasword").write_text("hunter2")
    (secrets / "mqtt__password").write_text("")
    assert lines_of(path, FLUEWARD_SECRETS_DIR=str(secrets)) == [
        "secrets: mqtt__password: is empty",
        "secrets: mqtt__pasword: unknown setting, did you mean MQTT__PASSWORD?",
    ]


def test_a_secrets_folder_that_is_not_there_is_an_error_but_systemds_is_not(path, tmp_path):
    missing = str(tmp_path / "nowhere")
    assert lines_of(path, FLUEWARD_SECRETS_DIR=missing) == [
        "environment: FLUEWARD_SECRETS_DIR: is no folder that this user can read"
    ]
    load_settings(path, environ={"CREDENTIALS_DIRECTORY": missing})


NAMES = st.lists(
    st.sampled_from(
        ["mqtt", "probes", "b2_east", "b2", "west", "period_s", "detectors", "heater_open", "", "x", "lines"]
    ),
    min_size=1,
    max_size=6,
).map(lambda parts: "FLUEWARD_" + "__".join(parts).upper())


TEXTS = st.sampled_from(["1", "null", "{}", "[]", '{"a": null}', '{"a": {"b": [1e999]}}', "\x00", "é\n", "-1", "true"])


@given(environ=st.dictionaries(NAMES, TEXTS, max_size=4))
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_environment_gives_settings_or_a_configuration_error(environ):
    try:
        from_tables(tomllib.loads(BASE), Path("site.toml"), environ=environ)
    except ConfigError as error:
        assert len(str(error).splitlines()) == len(error.problems) > 0  # noqa: PT017 - either way is right
