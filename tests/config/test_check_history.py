"""How recorded files are to be read: each fault with the line that its owner gets to read."""

import pytest

from agent.config.errors import ConfigError
from agent.config.load import load_settings

BASE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"
lines.boiler2 = { kind = "tcp", host = "192.0.2.20" }
maps.heron.signals = { o2 = { address = 200 }, cell_temp = { address = 201 }, load = { address = 202 } }
probes.b2_east = { line = "boiler2", map = "heron", history_columns = { %s } }
probes.b2_west = { line = "boiler2", map = "heron", unit = 2, history_columns = { %s } }
history = { %s }
"""


def problems(tmp_path, *, east="", west="", history=""):
    path = tmp_path / "site.toml"
    path.write_text(BASE % (east, west, history))
    try:
        load_settings(path, environ={})
    except ConfigError as error:
        return [f"{problem.key}: {problem.text}" for problem in error.problems]
    return []


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (
            {"history": 'columns = { head_tmp = "A" }'},
            "history.columns.head_tmp: is no signal, did you mean 'head_temp'?",
        ),
        (
            {"east": 'cel_temp = "A"'},
            "probes.b2_east.history_columns.cel_temp: is no signal, did you mean 'cell_temp'?",
        ),
        (
            {"history": 'columns = { o2 = "A", load = { column = "A", scale = 2 } }'},
            'history.columns.load: got "A", the column of o2 already: a column is one signal',
        ),
        (
            {"east": 'o2 = "A", cell_temp = " A"'},
            'probes.b2_east.history_columns.cell_temp: got "A", the column of o2 already: a column is one signal',
        ),
        (
            {"east": 'o2 = "A"', "west": 'o2 = "A"'},
            'probes.b2_west.history_columns.o2: got "A", which is b2_east\'s o2 already: it belongs to one probe',
        ),
        (
            {"east": 'o2 = "A"', "west": 'load = "A"'},
            'probes.b2_west.history_columns.load: got "A", which is b2_east\'s o2 already: it belongs to one probe',
        ),
        ({"history": 'columns = { o2 = " " }'}, "history.columns.o2: names no column"),
        ({"history": 'columns = { o2 = "time" }'}, 'history.columns.o2: got "time", which is the time column'),
        (
            {"history": 'time_column = "T", columns = { o2 = "T" }'},
            'history.columns.o2: got "T", which is the time column',
        ),
        (
            {"history": 'columns = { o2 = { column = "A", scale = 0 } }'},
            "history.columns.o2.scale: got 0, which makes every value the same",
        ),
        (
            {"history": 'time_zone = "Europe/Olso"'},
            "history.time_zone: got \"Europe/Olso\", no such time zone, did you mean 'Europe/Oslo'?",
        ),
        (
            {"history": 'time_zone = "QQQQ"'},
            'history.time_zone: got "QQQQ", no such time zone; wanted is one as Europe/Oslo or UTC',
        ),
        (
            {"history": 'time_zone = "../../etc/passwd"'},
            'history.time_zone: got "../../etc/passwd", no such time zone; wanted is one as Europe/Oslo or UTC',
        ),
    ],
)
def test_a_fault_names_key_value_and_what_would_be_right(tmp_path, said, told):
    assert problems(tmp_path, **said) == [told]


def test_a_column_of_the_unit_may_serve_several_probes_and_other_names_serve_one(tmp_path):
    assert not problems(
        tmp_path,
        east='o2 = "E.O2", load = "LOAD"',
        west='o2 = "W.O2", load = "LOAD"',
        history='time_zone = "Europe/Oslo", decimal = ",", columns = { load = { column = "L", scale = 2 } }',
    )
