"""What a configuration may say and hardly mean."""

import tomllib
from pathlib import Path

import pytest

from agent.config.model import Settings
from agent.config.warn import manual_address_hint, warnings

COMPLETE = Path(__file__).parents[2] / "config_examples" / "complete.toml"


def site(**signals):
    return Settings.model_validate(
        {
            "site": "works",
            "agent": "edge-1",
            "data_dir": "/var/lib/flueward",
            "lines": {"l": {"kind": "tcp", "host": "h"}},
            "maps": {"m": {"signals": {name: {"address": address} for name, address in signals.items()}}},
            "probes": {"p": {"line": "l", "map": "m"}},
        }
    )


# A manual's 40201 is the 201st holding register: address 200 on the wire (Modbus application protocol V1.1b3, 4.4).
@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (40201, "40201 in a manual is usually address 200 of table holding"),
        (30001, "30001 in a manual is usually address 0 of table input"),
        (10016, "10016 in a manual is usually address 15 of table discrete"),
        (400201, "400201 in a manual is usually address 200 of table holding"),
        (25000, ""),
        (40000, ""),
        (200, ""),
    ],
)
def test_a_manuals_register_number_is_turned_into_an_address(number, hint):
    assert manual_address_hint(number) == hint


def test_a_low_address_is_nothing_to_warn_of():
    assert warnings(site(o2=0, cell_temp=10000)) == []


def test_an_address_like_a_manuals_number_is_warned_of():
    assert warnings(site(o2=40201)) == [
        "maps.m.signals.o2.address: 40201: addresses are 0-based; 40201 in a manual is usually address 200 of table "
        "holding"
    ]


def test_a_whole_map_of_them_is_one_line():
    (line,) = warnings(site(o2=40201, cell_temp=40203, head_temp=40205))
    assert line.startswith("maps.m.signals.o2.address: 40201 (and 2 more of this map): ")


def test_a_high_address_of_no_known_table_is_asked_about():
    assert warnings(site(o2=25000)) == [
        "maps.m.signals.o2.address: 25000: addresses are 0-based; is it a number from a manual?"
    ]


def test_the_complete_example_gives_no_warning():
    assert warnings(Settings.model_validate(tomllib.loads(COMPLETE.read_text()))) == []
