import sys
from pathlib import Path

import numpy as np
import pytest

from agent.config.load import load_settings
from agent.replay.files.folder import open_history
from agent.replay.files.problems import Problems

SITE = """
site = "saltmarsh_mill"
agent = "edge1"
data_dir = "data"
lines.boiler2 = {{ kind = "tcp", host = "192.0.2.20" }}
[maps.heron.signals]
o2 = {{ address = 200 }}
cell_temp = {{ address = 201 }}
heater_on = {{ address = 210, bit = 0 }}
[probes.b2_east]
line = "boiler2"
map = "heron"
feeds = ["unit2"]
{east}
[maps.controls.signals]
load = {{ address = 0 }}
[feeds.unit2]
line = "boiler2"
unit = 9
map = "controls"
[probes.b2_west]
line = "boiler2"
map = "heron"
unit = 2
feeds = ["unit2"]
{west}
[history]
{history}
"""


class Site:
    """A folder of history and the settings to read it with."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.folder = path / "history"
        (self.folder / "probe=b2_east").mkdir(parents=True)
        self.settings = self.configured()

    def configured(self, *, east="", west="", history=""):
        file = self.path / "site.toml"
        file.write_text(SITE.format(east=east, west=west, history=history))
        self.settings = load_settings(file, environ={})
        return self.settings

    def write(self, text, name="probe=b2_east/a.csv"):
        file = self.folder / name
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return file

    def open(self):
        return open_history(self.settings, self.folder)

    def read(self, probe="b2_east"):
        """Times, columns by signal, and what was noticed, of a whole probe."""
        problems = Problems()
        stretches = list(self.open().stretches(probe, problems))
        times = np.concatenate([np.empty(0), *(stretch.time_s for stretch in stretches)])
        assert (np.diff(times) > 0).all()
        names = list(stretches[0].signals) if stretches else []
        assert all(list(stretch.signals) == names for stretch in stretches)
        assert all(column.dtype == np.float64 for stretch in stretches for column in stretch.signals.values())
        return times, {n: np.concatenate([s.signals[n] for s in stretches]) for n in names}, problems

    def rows(self, probe="b2_east"):
        """As (seconds since the epoch of the tests, o2) with None for missing, and the lines of problems."""
        times, columns, problems = self.read(probe)
        values = [None if np.isnan(value) else value for value in columns.get("o2", np.empty(0)).tolist()]
        return list(zip((times - T0).tolist(), values, strict=True)), problems.lines()


T0 = 1_769_832_000.0  # 2026-01-31T04:00:00Z


@pytest.fixture
def site(tmp_path):
    return Site(tmp_path)


@pytest.fixture(params=["pyarrow", "stdlib"])
def parser(request, monkeypatch):
    """Both ways in which CSV is parsed."""
    if request.param == "stdlib":
        for name in [name for name in sys.modules if name.partition(".")[0] == "pyarrow"]:
            monkeypatch.delitem(sys.modules, name)
        monkeypatch.setitem(sys.modules, "pyarrow", None)  # as where it is not installed
    return request.param
