# ruff: noqa: E501 - a row of a table is one line
"""Broken configurations, each with the exact lines that its owner gets to read."""

import os
import tomllib
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.config.errors import ConfigError
from agent.config.load import from_tables, load, load_settings
from agent.config.model import Settings
from agent.signals import SIGNALS

BASE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"

[lines.boiler2]
kind = "tcp"
host = "192.0.2.20"

[lines.kiln]
kind = "rtu"
device = "/dev/ttyS0"

[maps.heron.signals]
o2 = { address = 10, scale = 0.01 }
cell_temp = { address = 11, scale = 0.1 }
fault = { address = 20, bit = 3 }

[maps.heron.conventions]
o2_basis = "wet"

[maps.controls.signals]
load = { address = 0 }

[feeds.unit2]
line = "boiler2"
unit = 9
map = "controls"

[probes.b2_east]
line = "boiler2"
map = "heron"

[probes.b2-west]
line = "boiler2"
unit = 2
map = "heron"

[mqtt]
host = "localhost"
"""


def write(tmp_path, text):
    path = tmp_path / "site.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def lines_of(path, environ=None):
    with pytest.raises(ConfigError) as caught:
        load_settings(path, environ=environ or {})
    error = caught.value
    assert str(error).splitlines() == [str(problem) for problem in error.problems]
    return str(error).splitlines()


def edited(*edits):
    """BASE with each (old, new) replaced, or with text added at the end."""
    text = BASE
    for edit in edits:
        if isinstance(edit, str):
            text += "\n" + edit
        else:
            assert text.count(edit[0]) >= 1, edit
            text = text.replace(edit[0], edit[1], 1)
    return text


EAST = '[probes.b2_east]\nline = "boiler2"\nmap = "heron"\n'


def east(more):
    return (EAST, EAST + more + "\n")


def o2(more):
    return ("o2 = { address = 10, scale = 0.01 }", f"o2 = {{ address = 10, scale = 0.01, {more} }}")


def signal(row):
    return ("fault = { address = 20, bit = 3 }", f"fault = {{ address = 20, bit = 3 }}\n{row}")


def word(name, row):
    return f"[maps.heron.status_words.{name}]\n{row}"


BROKEN = [
    # --- keys and types
    (east("period_s = 0.01"), "probes.b2_east.period_s: got 0.01, must be at least 0.1"),
    (east("period_s = 7200"), "probes.b2_east.period_s: got 7200, must be at most 3600"),
    (east('period_s = "5"'), 'probes.b2_east.period_s: got "5", must be a number'),
    (east("period_s = nan"), "probes.b2_east.period_s: got nan, must be a finite number"),
    (east("period_s = true"), "probes.b2_east.period_s: got true, must be a number"),
    (east("period = 5"), "probes.b2_east.period: unknown key, did you mean 'period_s'?"),
    (east("used_by_trim = 1"), "probes.b2_east.used_by_trim: got 1, must be true or false"),
    (east("unit = 0"), "probes.b2_east.unit: got 0, must be at least 1; 0 is broadcast and is never used"),
    (east("unit = 1.5"), "probes.b2_east.unit: got 1.5, must be a whole number"),
    (east('twins = "b2-west"'), 'probes.b2_east.twins: got "b2-west", must be a list'),
    (east("heater = 230"), "probes.b2_east.heater: got 230, must be a table"),
    (east("test_gases = [{ o2 = 0 }]"), "probes.b2_east.test_gases.0.o2: got 0, must be more than 0"),
    (east("supply_group = 'Panel 7'"), 'probes.b2_east.supply_group: got "Panel 7", an id is 1 to 32 of a-z, 0-9, _ and -'),
    (('"boiler2"\nunit = 2\nmap = "heron"', '"boiler2"\nunit = 2'), "probes.b2-west.map: missing: Its register map: a name from [maps]."),
    (('site = "saltmarsh_mill"', 'site = "Saltmarsh"'), 'site: got "Saltmarsh", an id is 1 to 32 of a-z, 0-9, _ and -'),
    (('agent = "edge1"', ""), "agent: missing: Id of this running Flueward, in its topics."),
    (("[probes.b2-west]", '[probes."B2 West"]'), 'probes."B2 West": an id is 1 to 32 of a-z, 0-9, _ and -'),
    (("[mqtt]", "[mqttt]"), "mqttt: unknown key, did you mean 'mqtt'?"),
    (('kind = "tcp"', 'kind = "tpc"'), 'lines.boiler2.kind: got "tpc", must be one of "tcp", "rtu", "rtu_over_tcp"'),
    (('kind = "tcp"', ""), 'lines.boiler2.kind: missing, must be one of "tcp", "rtu", "rtu_over_tcp"'),
    (('kind = "tcp"', 'kind = "tcp"\nbaudrate = 9600'), 'lines.boiler2.baudrate: unknown key for kind = "tcp"'),
    (('host = "192.0.2.20"', 'host = "tcp://192.0.2.20"'), 'lines.boiler2.host: got "tcp://192.0.2.20", must be a host name or an address alone'),
    (('host = "192.0.2.20"', 'host = "192.0.2.20:502"'), 'lines.boiler2.host: got "192.0.2.20:502", must be a host name or an address alone: write the port in `port`'),
    (('host = "192.0.2.20"', 'host = "[2001:db8::20]:502"'), 'lines.boiler2.host: got "[2001:db8::20]:502", must be a host name or an address alone: write the port in `port`'),
    (('host = "localhost"', 'host = "broker.mill:8883"'), 'mqtt.host: got "broker.mill:8883", must be a host name or an address alone: write the port in `port`'),
    (signal("o2x = { address = 400201 }"), "maps.heron.signals.o2x.address: got 400201, must be at most 65535; addresses are 0-based: 400201 in a manual is usually address 200 of table holding"),
    (('"/dev/ttyS0"', '"/dev/ttyS0"\nparity = "mark"'), 'lines.kiln.parity: got "mark", must be one of "none", "even", "odd"'),
    (('o2_basis = "wet"', "o2_clamp = [0, 25, 30]"), "maps.heron.conventions.o2_clamp: got [0, 25, 30], must be a list of two"),
    (('o2_basis = "wet"', "o2_clamp = [0]"), "maps.heron.conventions.o2_clamp.1: missing, must be a list of two"),
    # --- names that lead nowhere
    (east("feeds = ['unit_2']"), "probes.b2_east.feeds: got 'unit_2', no such feed, did you mean 'unit2'?"),
    (east("feeds = ['unit2', 'unit2']"), "probes.b2_east.feeds: got 'unit2' twice"),
    (east("twins = ['b2_west']"), "probes.b2_east.twins: got 'b2_west', no such probe, did you mean 'b2-west'?"),
    (east("twins = ['b2_east']"), "probes.b2_east.twins: got 'b2_east', a probe is no twin of itself"),
    ((EAST, EAST.replace("boiler2", "boiler3")), "probes.b2_east.line: got 'boiler3', no such line, did you mean 'boiler2'?"),
    ((EAST, EAST.replace("heron", "crane")), "probes.b2_east.map: got 'crane', no such map; known here: controls, heron"),
    (('map = "controls"', 'map = "control"'), "feeds.unit2.map: got 'control', no such map, did you mean 'controls'?"),
    (signal("cel_emf = { address = 30 }"), "maps.heron.signals.cel_emf: unknown signal, did you mean 'cell_emf'?"),
    # --- between tables
    (("unit = 2\n", ""), "probes.b2-west: its o2 is read from the registers of b2_east's o2: one of line, unit, map or address_shift is wrong"),
    (("unit = 2\n", "address_shift = 1\n"), "probes.b2-west: its o2 is read from the registers of b2_east's cell_temp: one of line, unit, map or address_shift is wrong"),
    (east("address_shift = 65520"), "probes.b2_east.address_shift: got 65520, which moves the map's addresses 10 to 20 outside 0 to 65535"),
    (east("address_shift = -11"), "probes.b2_east.address_shift: got -11, which moves the map's addresses 10 to 20 outside 0 to 65535"),
    (("unit = 2\n", "unit = 2\nname = 'b2_east'\n"), "probes.b2-west.name: b2_east is called the same: people could not tell them apart"),
    (east('name = "B2\\neast"'), "probes.b2_east.name: must be one line of printable text without spaces around it"),
    (east("burst_period_s = 6"), "probes.b2_east.burst_period_s: got 6, must be at most period_s 5: bursts are faster"),
    (east("check_air = { kind = 'instrument', humidity = 50 }"), "probes.b2_east.check_air.humidity: instrument air is dry: leave it out, or say kind = \"ambient\""),
    ((EAST, EAST.replace("boiler2", "kiln") + "unit = 248\n"), "probes.b2_east.unit: got 248, must be at most 247 on a serial line"),
    (('map = "controls"', 'map = "controls"\nperiod_s = 600'), "feeds.unit2.max_age_s: got 120, must be at least period_s 600, or the feed is mostly missing"),
    ('[lines.b]\nkind = "tcp"\nhost = "192.0.2.20"', "lines.b.host: 192.0.2.20:502 is line boiler2 already: one connection serves all its units"),
    ('[lines.b]\nkind = "rtu"\ndevice = "/dev/ttyS0"', "lines.b.device: /dev/ttyS0 is line kiln already: one connection serves all its units"),
    ('[feeds.b]\nline = "boiler2"\nunit = 9\nmap = "controls"', "feeds.b: is the same poll as feed unit2: probes can share one"),
    ((EAST, "[feeds.other]\nline = 'boiler2'\nunit = 8\nmap = 'controls'\n" + EAST + "feeds = ['unit2', 'other']\n"), "probes.b2_east.feeds: unit2 and other both give load: a probe can believe one"),
    # --- register maps
    (o2("type = 'uint8'"), 'maps.heron.signals.o2.type: got "uint8", must be one of "int16", "uint16", "int32", "uint32", "float32", "float64", "bool"'),
    (o2("bit = 3"), "maps.heron.signals.o2.bit: o2 is no flag: one bit cannot hold it"),
    (o2("bit = 3, type = 'float32'"), ["maps.heron.signals.o2.bit: o2 is no flag: one bit cannot hold it", "maps.heron.signals.cell_temp.address: holding 11 is part of signals.o2 already"]),
    (o2("invert = true"), "maps.heron.signals.o2.invert: o2 is no flag: only a flag is inverted"),
    (o2("table = 'coil'"), "maps.heron.signals.o2.table: o2 is no flag: a coil cannot hold it"),
    (o2("wraps_at = 100"), "maps.heron.signals.o2.wraps_at: o2 is no counter: leave it out"),
    (o2("decimals = 2"), "maps.heron.signals.o2.decimals: uint16 has the digits of its scale: leave it out"),
    (signal("heater_on_time = { address = 30, type = 'float32', decimals = 1 }"), "maps.heron.signals.heater_on_time.decimals: heater_on_time is a count or a code, which is not rounded: leave it out"),
    (signal("firing = { address = 30, decimals = 1 }"), "maps.heron.signals.firing.decimals: a flag is 0 or 1: leave decimals out"),
    (o2("plausible = [25, 0]"), "maps.heron.signals.o2.plausible: got [25, 0], the first must be the lower one"),
    (o2("plausible = [-20, -1]"), "maps.heron.signals.o2.plausible: got [-20, -1], but the register holds 0 to 655.35: nothing would ever be valid"),
    (o2("sentinels = [-1]"), "maps.heron.signals.o2.sentinels: got -1, a raw uint16 is a whole number from 0 to 65535"),
    (o2("sentinels = [655.35]"), "maps.heron.signals.o2.sentinels: got 655.35, a raw uint16 is a whole number from 0 to 65535"),
    (o2("type = 'int16', sentinels = [65535]"), "maps.heron.signals.o2.sentinels: got 65535, a raw int16 is a whole number from -32768 to 32767: write -1"),
    (o2("type = 'int16', sentinels = [32768]"), "maps.heron.signals.o2.sentinels: got 32768, a raw int16 is a whole number from -32768 to 32767: write -32768"),
    (("scale = 0.01", "scale = 0"), "maps.heron.signals.o2.scale: got 0, every value would be the same"),
    (signal("flue_temp = { address = 65535, type = 'float32' }"), "maps.heron.signals.flue_temp.address: got 65535, a float32 there would run beyond 65535"),
    (signal("flue_temp = { address = 65533, type = 'float64' }"), "maps.heron.signals.flue_temp.address: got 65533, a float64 there would run beyond 65535"),
    (signal("flue_temp = { address = 99, type = 'float32', sentinels = [1e300] }"), "maps.heron.signals.flue_temp.sentinels: got 1e+300, a raw float32 is between -3.40282e+38 and 3.40282e+38"),
    (signal("cell_emf = { address = 9, type = 'int32' }"), "maps.heron.signals.o2.address: holding 10 is part of signals.cell_emf already"),
    (signal("cell_emf = { address = 10 }"), "maps.heron.signals.cell_emf.address: holding 10 is part of signals.o2 already"),
    (signal("firing = { table = 'coil', address = 20, scale = 2 }"), "maps.heron.signals.firing.scale: a flag is 0 or 1 and has no scale or offset"),
    (signal("firing = { table = 'coil', address = 20, bit = 2 }"), "maps.heron.signals.firing.bit: a coil is one bit: leave bit out"),
    (signal("firing = { table = 'coil', address = 20, type = 'uint16' }"), "maps.heron.signals.firing.type: a coil is one bit: must be bool, or left out"),
    (signal("firing = { address = 30, type = 'float32', bit = 2 }"), "maps.heron.signals.firing.type: a flag is 0 or 1: must be bool, uint16 or int16, got float32"),
    (signal("firing = { address = 30, wraps_at = 2 }"), "maps.heron.signals.firing.wraps_at: only a counter wraps: leave it out"),
    (signal("fault_code = { address = 30, scale = 0.1 }"), "maps.heron.signals.fault_code.scale: fault_code is a code, which is not scaled"),
    (signal("heater_on_time = { address = 30, wraps_at = 100000 }"), "maps.heron.signals.heater_on_time.wraps_at: got 100000, but the register holds no more than 65535"),
    ("[maps.other]\nsignals = {}", "maps.other.signals: is empty: nothing would be read"),
    ("[maps.other]\nmax_registers = 1\nsignals.o2 = { address = 1, type = 'float32' }", "maps.other.signals.o2.type: float32 takes 2 registers, more than max_registers 1 allows"),
    (word("a", "address = 50\nvalues = { 1 = ['fault'] }"), "maps.heron.status_words.a.values.1: fault is said by maps.heron.signals.fault already"),
    (word("a", "address = 50\nvalues = { 1 = ['firng'] }"), "maps.heron.status_words.a.values.1: unknown flag firng, did you mean 'firing'?"),
    (word("a", "address = 50\nvalues = { 70000 = ['firing'] }"), "maps.heron.status_words.a.values.70000: got 70000, a word is 0 to 65535"),
    (word("a", "address = 50\nvalues = { x = ['firing'] }"), "maps.heron.status_words.a.values.x: must be a whole number in plain digits"),
    (word("a", "address = 50\nvalues = { 1 = [], 01 = ['firing'] }"), "maps.heron.status_words.a.values.01: must be a whole number in plain digits"),
    (word("a", "address = 50\nvalues = { -1 = [] }"), "maps.heron.status_words.a.values.-1: must be a whole number in plain digits"),
    (word("a", "address = 50\nvalues = {}"), "maps.heron.status_words.a.values: is empty: the word would say nothing"),
    (word("a", "address = 10\nvalues = { 1 = ['firing'] }"), "maps.heron.status_words.a.address: holding 10 is part of signals.o2 already"),
    (word("a", "address = 50\nvalues = { 1 = ['firing'] }\n[maps.heron.status_words.b]\naddress = 50\nvalues = { 1 = ['calibrating'] }"), "maps.heron.status_words.b.address: holding 50 is status word a already"),
    (word("a", "address = 50\nvalues = { 1 = ['firing'] }\n[maps.heron.status_words.b]\naddress = 51\nvalues = { 1 = ['firing'] }"), "maps.heron.status_words.b.values.1: firing is said by maps.heron.status_words.a already"),
    (('o2_basis = "wet"', "o2_clamp = [25, 0]"), "maps.heron.conventions.o2_clamp: got [25, 0], the first must be the lower one"),
    (('o2_basis = "wet"', "o2_resolution = 0.001"), "maps.heron.conventions.o2_resolution: got 0.001, but the register's own step is 0.01"),
    (('o2_basis = "wet"', "o2_clamp = [0, 1000]"), "maps.heron.conventions.o2_clamp: got 1000 at the upper end, but the register holds 0 to 655.35"),
    (('o2_basis = "wet"', "o2_clamp = [0, 25]\no2_resolution = 25"), "maps.heron.conventions.o2_resolution: got 25, coarser than the whole of o2_clamp"),
    # --- the broker
    (('host = "localhost"', 'host = "u:hunter2@broker"'), "mqtt.host: got a text with '@', must be a host name or an address alone"),
    (('host = "localhost"', 'username = "u"\npassword = "hunter2"\ntls = false'), "mqtt.password: would cross the network unencrypted: set mqtt.tls = true, or say mqtt.plain_password = \"the network is trusted\""),
    (('host = "localhost"', 'password = "hunter2"'), 'mqtt.password: needs mqtt.username: only MQTT 5 (protocol = "5") knows a password alone'),
    (('host = "localhost"', 'username = "u"\npassword = ""'), "mqtt.password: is empty: leave it out, or give one"),
    (('host = "localhost"', 'plain_password = "hunter2"'), 'mqtt.plain_password: must be "the network is trusted"'),
    (('host = "localhost"', "password = 12345"), "mqtt.password: must be a text"),
    (('host = "localhost"', 'username = "u"\npassword_file = "hunter2"'), "mqtt.password_file: the file does not exist"),
    (('host = "localhost"', 'key_file = "hunter2"'), ["mqtt.key_file: does not exist", "mqtt.key_file: needs mqtt.cert_file"]),
    # --- detectors
    (east("detectors.heater_opne.window_s = 60"), "probes.b2_east.detectors.heater_opne: unknown symptom, did you mean 'heater_open'?"),
    (east("detectors.heater_open.window = 60"), "probes.b2_east.detectors.heater_open.window: unknown option, did you mean 'window_s'?"),
    (east("detectors.heater_open.window_s = '60'"), 'probes.b2_east.detectors.heater_open.window_s: got "60", must be a number'),
    (east("detectors.heater_open.window_s = true"), "probes.b2_east.detectors.heater_open.window_s: got true, must be a number"),
    (east("detectors.heater_open.window_s = -60"), "probes.b2_east.detectors.heater_open.window_s: got -60, must be above 0"),
    (east("detectors.heater_open.window_s = [60]"), "probes.b2_east.detectors.heater_open.window_s: got [60], must be a number, true or false, or a text"),
    (east("detectors.heater_open = 60"), "probes.b2_east.detectors.heater_open: got 60, must be a table"),
    ("[detectors.heater_open]\nwindow_s = -60", "detectors.heater_open.window_s: got -60, must be above 0"),
    ("[maps.heron.detectors.heater_open]\nwindow_s = -60", "maps.heron.detectors.heater_open.window_s: got -60, must be above 0"),
]  # fmt: skip


@pytest.mark.parametrize(("edit", "expected"), BROKEN)
def test_a_broken_configuration_is_told_of_in_these_words(tmp_path, edit, expected):
    path = write(tmp_path, edited(edit))
    wanted = [expected] if isinstance(expected, str) else expected
    assert lines_of(path) == [f"site.toml: {line}" for line in wanted]


def test_the_base_of_the_broken_ones_is_sound(tmp_path):
    settings = load_settings(write(tmp_path, BASE), environ={})
    assert isinstance(settings, Settings)
    assert settings.data_dir == tmp_path / "data"
    assert settings.maps["heron"].signals["fault"].bit == 3


SOUND = [
    east("name = 'West'"),
    signal("flue_temp = { address = 65532, type = 'float64', sentinels = [1e300] }"),
    signal("firing = { address = 20, bit = 4 }\nfault_code = { address = 20 }"),
    signal("firing = { table = 'coil', address = 20 }"),
    signal("heater_on_time = { address = 30, wraps_at = 65536 }"),
    ('data_dir = "data"', 'data_dir = "not/there/yet"'),
    ('host = "localhost"', 'password = "x"\nprotocol = "5"'),
    ('host = "localhost"', 'username = "u"\npassword = "x"\ntls = false\nplain_password = "the network is trusted"'),
]


@pytest.mark.parametrize("edit", SOUND)
def test_what_only_looks_odd_is_allowed(tmp_path, edit):
    load_settings(write(tmp_path, edited(edit)), environ={})


def test_all_problems_are_told_at_once(tmp_path):
    path = write(tmp_path, edited(east("unit = 0\nperiod_s = 0"), ('agent = "edge1"', "")))
    assert lines_of(path) == [
        "site.toml: agent: missing: Id of this running Flueward, in its topics.",
        "site.toml: probes.b2_east.unit: got 0, must be at least 1; 0 is broadcast and is never used",
        "site.toml: probes.b2_east.period_s: got 0, must be at least 0.1",
    ]


def test_a_shared_override_is_told_of_once(tmp_path):
    """Two probes have the map."""
    path = write(tmp_path, edited("[maps.heron.detectors.heater_open]\nfull_duty_frac = 2.0"))
    assert lines_of(path) == [
        "site.toml: maps.heron.detectors.heater_open.full_duty_frac: got 2.0, must be between 0 and 1"
    ]


def test_twins_named_on_one_side_are_twins_on_both(tmp_path):
    settings = load_settings(write(tmp_path, edited(east("twins = ['b2-west']"))), environ={})
    assert settings.probes["b2_east"].twins == ("b2-west",)
    assert settings.probes["b2-west"].twins == ("b2_east",)


def test_a_coil_is_a_bool_without_saying_so(tmp_path):
    settings = load_settings(write(tmp_path, edited(signal("firing = { table = 'coil', address = 20 }"))), environ={})
    assert settings.maps["heron"].signals["firing"].type == "bool"


# --- the file itself


def test_a_file_that_is_not_there_is_an_error(tmp_path):
    path = tmp_path / "site.toml"
    assert lines_of(path) == [f"site.toml: does not exist ({path})"]


def test_a_folder_is_no_file(tmp_path):
    assert lines_of(tmp_path) == [f"{tmp_path.name}: is a folder, a file is wanted ({tmp_path})"]


def test_a_pipe_is_no_file_and_does_not_block(tmp_path):
    os.mkfifo(tmp_path / "site.toml")
    assert lines_of(tmp_path / "site.toml") == [f"site.toml: is not a regular file ({tmp_path / 'site.toml'})"]


@contextmanager
def as_nobody():
    """Root may read everything, so a test that is run by root steps down for a moment."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_that_may_not_be_read_is_told_of(tmp_path):
    path = write(tmp_path, BASE)
    path.chmod(0)
    with as_nobody():
        assert lines_of(path) == [f"site.toml: may not be read by this user ({path})"]


def test_a_feed_of_several_probes_cannot_carry_what_belongs_to_one(tmp_path):
    path = write(tmp_path, edited(("load = {", "cell_temp = {"), east("feeds = ['unit2']")))
    load_settings(path, environ={})
    path = write(tmp_path, path.read_text().replace("unit = 2\n", "unit = 2\nfeeds = ['unit2']\n"))
    assert lines_of(path) == [
        "site.toml: feeds.unit2: gives cell_temp to b2_east and b2-west, but that belongs to one probe: map it there"
    ]


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"site = 'a'\nagent = '\xff'", "site.toml: is not UTF-8 text (line 2, byte 20)"),
        (b"site = 1\nsite = 2\n", None),
        (b"site = 'a'\nagent = \n", None),
        (b"a = " + b"[" * 100_000, "site.toml: is not valid TOML: brackets are nested too deep"),
        (b"a = " + b"[" * 40 + b"]" * 40, "site.toml: tables are nested deeper than 32"),
        (b".".join([b"a"] * 40) + b" = 1", "site.toml: tables are nested deeper than 32"),
        (b"a = " + b"1" * 5000, "site.toml: is not usable TOML: it holds a number of too many digits"),
    ],
)
def test_what_is_no_toml_is_told_with_its_place(tmp_path, content, line):
    (found,) = lines_of(write(tmp_path, content))
    if line is None:  # the words are the library's, the place is what matters
        assert found.startswith("site.toml: is not valid TOML: ")
        assert "(at line 2, column " in found
    else:
        assert found == line


@pytest.mark.parametrize("value", ["word", "192.0.2.20", "tcp"])
def test_a_text_without_quotes_is_told_to_need_them(tmp_path, value):
    (found,) = lines_of(write(tmp_path, f"site = 'a'\nplain = {value}\n".encode()))
    assert "(at line 2, column " in found
    assert found.endswith('; text needs quotes, as in key = "text"')


def test_a_signal_like_no_other_is_answered_with_all_there_are(tmp_path):
    (found,) = lines_of(write(tmp_path, edited(signal("zzqq = { address = 30 }"))))
    assert found.startswith("site.toml: maps.heron.signals.zzqq: unknown signal; known here: air_check_active, ")
    assert all(name in found for name in SIGNALS)


@pytest.mark.parametrize("host", ["::1", "2001:db8::20", "fe80::1%eth0", "::ffff:192.0.2.20", "plc-7.mill.example"])
def test_addresses_of_both_kinds_and_names_are_hosts(tmp_path, host):
    path = write(tmp_path, edited(('host = "192.0.2.20"', f'host = "{host}"')))
    assert load_settings(path, environ={}).lines["boiler2"].host == host


def test_a_file_of_more_than_four_megabytes_is_refused(tmp_path):
    path = write(tmp_path, BASE + "#" * (4 * 2**20))
    assert lines_of(path) == [f"site.toml: is larger than 4194304 bytes ({path})"]


def test_a_byte_order_mark_harms_nothing(tmp_path):
    load_settings(write(tmp_path, b"\xef\xbb\xbf" + BASE.encode()), environ={})


# --- files that the settings name


def test_the_password_file_is_looked_at(tmp_path):
    edit = ('host = "localhost"', 'username = "u"\npassword_file = "secret"')
    path = write(tmp_path, edited(edit))
    for content, problem in [
        (b"", "is empty"),
        (b"a\nb\n", "holds more than one line"),
        (b"\xff", "is not UTF-8 text"),
    ]:
        (tmp_path / "secret").write_bytes(content)
        assert lines_of(path) == [f"site.toml: mqtt.password_file: the file {problem}"]
    (tmp_path / "secret").write_bytes(b"hunter2\n")
    assert load_settings(path, environ={}).mqtt.password_file == tmp_path / "secret"
    assert lines_of(path, {"FLUEWARD_MQTT__PASSWORD": "x"}) == [
        "site.toml: mqtt.password_file: is given as well as mqtt.password: keep one"
    ]


def test_files_for_tls_are_looked_at(tmp_path):
    path = write(tmp_path, edited(('host = "localhost"', 'ca_file = "ca.pem"')))
    assert lines_of(path) == [f'site.toml: mqtt.ca_file: "{tmp_path / "ca.pem"}" does not exist']
    (tmp_path / "ca.pem").write_text("no certificate")
    (line,) = lines_of(path)
    assert line.endswith("is not a PEM file: no '-----BEGIN' in it")
    (tmp_path / "ca.pem").write_text("-----BEGIN CERTIFICATE-----\n")
    assert load_settings(path, environ={}).mqtt.ca_file == tmp_path / "ca.pem"
    assert lines_of(path, {"FLUEWARD_MQTT__TLS": "false"}) == [
        "site.toml: mqtt.ca_file: is for TLS, but mqtt.tls is false: leave it out, or set tls = true"
    ]


def test_a_data_dir_below_a_file_is_refused(tmp_path):
    path = write(tmp_path, edited(('data_dir = "data"', 'data_dir = "site.toml"')))
    assert lines_of(path) == [f'site.toml: data_dir: "{path}" is a file, a folder is wanted']


def test_paths_start_at_the_folder_of_the_file_and_not_at_the_working_folder(tmp_path, monkeypatch):
    write(tmp_path, BASE)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    settings = load_settings(Path("../site.toml"), environ={})
    assert settings.data_dir.resolve() == tmp_path / "data"
    assert settings.data_dir.is_absolute()


# --- secrets

MARKER = "hunter2-marker"


def leaves(table, at=()):
    for key, value in table.items():
        if isinstance(value, dict):
            yield (*at, key)
            yield from leaves(value, (*at, key))
        else:
            yield (*at, key)


WITH_SECRETS = edited(
    (
        'host = "localhost"',
        f'host = "localhost"\nusername = "u"\npassword = "{MARKER}"\npassword_file = "{MARKER}"\nkey_file = "{MARKER}"\n'
        f'plain_password = "{MARKER}"\npasword = "{MARKER}"',
    )
)


@pytest.mark.parametrize("broken", [None, *leaves(tomllib.loads(WITH_SECRETS))])
@pytest.mark.parametrize("value", [-1, "\n", [], {"x": {"y": 1}}])
def test_no_secret_is_ever_printed_whatever_else_is_broken(tmp_path, broken, value):
    """Every key in turn is given a senseless value, in a file that is otherwise full of secrets."""
    tables = tomllib.loads(WITH_SECRETS)
    if broken is not None:
        table = tables
        for part in broken[:-1]:
            table = table[part]
        table[broken[-1]] = value
    with pytest.raises(ConfigError) as caught:
        from_tables(tables, tmp_path / "site.toml", environ={"FLUEWARD_MQTT__PASWORD": MARKER, "FLUEWARD_MQTT": MARKER})
    error = caught.value
    said = [
        str(error),
        repr(error),
        repr(error.problems),
        repr(error.args),
        repr(error.__context__),
        repr(error.__cause__),
    ]
    assert MARKER not in "\n".join(said)
    assert error.__context__ is None


@pytest.mark.parametrize(
    "row", [f"password = {MARKER}", f'password = "{MARKER}', f'password = "{MARKER}"\npassword = "{MARKER}"']
)
def test_toml_that_breaks_at_the_secret_does_not_print_it(tmp_path, row):
    path = write(tmp_path, edited(('host = "localhost"', row)))
    with pytest.raises(ConfigError) as caught:
        load_settings(path, environ={})
    assert MARKER not in str(caught.value) + repr(caught.value)
    assert caught.value.__context__ is None


def test_a_good_password_is_in_no_repr(tmp_path):
    path = write(tmp_path, edited(('host = "localhost"', f'username = "u"\npassword = "{MARKER}"')))
    loaded = load(path, environ={})
    assert loaded.settings.mqtt.password.get_secret_value() == MARKER
    assert MARKER not in repr(loaded) + str(loaded.settings) + repr(loaded.places.in_file)
