"""A small site for tests of alerts: two probes on one serial line with a common supply, one alone on its own line."""

from pathlib import Path

SITE = {
    "site": "works",
    "agent": "edge-1",
    "data_dir": Path("/var/lib/flueward"),
    "lines": {
        "boiler": {"kind": "rtu", "device": "/dev/ttyUSB0"},
        "kiln": {"kind": "tcp", "host": "10.0.0.7"},
    },
    "maps": {"plain": {"signals": {"o2": {"address": 0}}}},
    "probes": {
        "b2-east": {
            "line": "boiler",
            "unit": 1,
            "map": "plain",
            "name": "B2 east",
            "supply_group": "mcc-4",
            "used_by_trim": True,
            "nominal_voltage": 230.0,
            "heater": {"rated_voltage": 230.0, "rated_power": 300.0},
            "test_gases": [{"o2": 1.0}],
            "reference_air": {"kind": "instrument"},
            "check_air": {"kind": "instrument"},
        },
        "b2-west": {"line": "boiler", "unit": 2, "map": "plain", "name": "B2 west", "supply_group": "mcc-4"},
        "kiln": {"line": "kiln", "unit": 1, "map": "plain"},
    },
}
