"""`flueward replay`: files in, a table, payloads and an exit code out."""

import json

import jsonschema
import pytest

from agent.alerts.message_schemas import load_schema
from agent.cli import main
from agent.replay.progress import Progress, progress_line
from agent.rfc3339 import to_text

START_S = 1_789_948_800.0  # a midnight
CONFIG = """
site = "fen"
agent = "edge"
data_dir = "data"
[mqtt]
host = "127.0.0.1"
tls = false
[lines.one]
kind = "tcp"
host = "127.0.0.1"
[maps.m.signals]
o2 = { address = 0 }
cell_temp = { address = 1 }
[probes.east]
line = "one"
map = "m"
[probes.west]
line = "one"
unit = 2
map = "m"
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "site.toml").write_text(CONFIG)
    (tmp_path / "history").mkdir()
    return tmp_path


def write(
    folder, probe="east", *, rows=1440, silent=(600, 700), name="date=2026-09-21.csv", header="time,o2,cell_temp"
):
    """A minute a row; in the rows of `silent` nothing."""
    at = folder / "history" / f"probe={probe}"
    at.mkdir(exist_ok=True)
    lines = [header]
    for i in range(rows):
        values = "," if silent[0] <= i < silent[1] else "3.1,700"
        lines.append(f"{to_text(START_S + 60.0 * i)},{values}")
    (at / name).write_text("\n".join(lines) + "\n")


def run(folder, *more, history="history"):
    return main(["replay", str(folder / "site.toml"), "--history", str(folder / history), "--jobs", "1", *more])


def test_an_outage_comes_out_as_two_payloads_that_fit_the_schema_and_a_table(folder, capsys):
    write(folder)
    write(folder, "west", silent=(0, 0))
    assert run(folder, "--alerts", str(folder / "alerts.jsonl")) == 0
    payloads = [json.loads(line) for line in (folder / "alerts.jsonl").read_text().splitlines()]
    assert [(one["probe"], one["symptom"], one["state"]) for one in payloads] == [
        ("east", "no_communication", "unacknowledged"),
        ("east", "no_communication", "normal"),
    ]
    for one in payloads:
        jsonschema.validate(one, load_schema("alert"), format_checker=jsonschema.FormatChecker())
    out, err = capsys.readouterr()
    assert "no_communication: 2026-09-21 10:" in out
    assert "heater_open could not be seen: it needs" in " ".join(out.split())
    assert "2 probes, 0.01 probe-years" in out
    assert err == ""  # no terminal: no progress
    assert not list(folder.glob(".alerts*"))


def test_payloads_on_standard_output_stand_alone_there(folder, capsys):
    write(folder)
    assert run(folder, "--alerts", "-", "--json") == 0
    out, err = capsys.readouterr()
    assert [json.loads(line)["seq"] for line in out.splitlines()] == [1, 2]
    document = json.loads(err)
    assert document["transitions"] == 2
    assert document["alerts"][0]["cleared_at"].startswith("2026-09-21T12:")
    assert document["without"] == ["west"]
    assert document["probes"]["east"]["rows"] == 1440
    assert document["error"] is None


def test_days_and_probes_can_be_chosen(folder, capsys):
    write(folder)
    write(folder, "west", silent=(0, 0))
    assert run(folder, "--json", "--probe", "west", "--from", "2026-09-21", "--to", "2026-09-21") == 0
    assert set(json.loads(capsys.readouterr().out)["probes"]) == {"west"}
    assert run(folder, "--from", "2026-09-22") == 1
    assert "nothing was judged" in capsys.readouterr().err


def test_a_file_that_cannot_be_used_and_a_probe_that_is_not_configured_are_named(folder, capsys):
    write(folder)
    write(folder, name="odd.csv", header="when,a,b")
    write(folder, "nord")
    assert run(folder) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "probe=east/odd.csv: not used: " in out
    assert "probe=nord: not used: no probe 'nord' is configured" in out
    assert "no_communication: 2026-09-21 10:" in out  # the others went on


def test_an_empty_folder_is_told_and_is_an_answer_of_no(folder, capsys):
    assert run(folder) == 1
    assert "no history of a configured probe" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--probe", "est"), "--probe: got 'est', no such probe"),
        (("--from", "2026-02-02", "--to", "2026-02-01"), "is later than --to"),
        (("--alerts", "."), "is a folder"),
        (("--alerts", "/nowhere/at/all"), "there is no folder /nowhere/at"),
    ],
)
def test_arguments_that_cannot_be_are_refused_in_words(folder, capsys, more, said):
    write(folder)
    assert run(folder, *more) == 2
    assert said in capsys.readouterr().err


def test_a_folder_or_a_configuration_that_is_not_there_is_refused(folder, capsys):
    assert run(folder, history="histroy") == 2
    assert "no such folder" in capsys.readouterr().err
    (folder / "site.toml").write_text("site = 1")
    assert run(folder, "--json") == 2
    assert json.loads(capsys.readouterr().out)["error"]


@pytest.mark.parametrize("jobs", ["0", "-1", "two", "1.5"])
def test_a_number_of_processes_that_is_none_is_a_usage_error(folder, jobs):
    with pytest.raises(SystemExit) as stopped:
        main(["replay", str(folder / "site.toml"), "--history", "h", "--jobs", jobs])
    assert stopped.value.code == 2


class Screen:
    def __init__(self, terminal):
        self.text, self.isatty = "", lambda: terminal

    def write(self, text):
        self.text += text

    def flush(self):
        pass


def test_progress_is_for_terminals_and_leaves_nothing_behind():
    screen = Screen(True)
    progress = Progress(screen)
    progress._drawn_s -= 10.0
    progress(50, 100)
    progress.close()
    assert " 50 %" in screen.text
    assert screen.text.endswith("\r" + " " * 56 + "\r") or screen.text.rstrip(" \r") != screen.text
    silent = Screen(False)
    Progress(silent)(50, 100)
    assert silent.text == ""


@pytest.mark.parametrize(
    ("share", "since_s", "left"),
    [
        (0.25, 30.0, "1 min 30 s left"),
        (0.5, 7200.0, "2 h 00 min left"),
        (0.9, 90.0, "10 s left"),
        (0.5, 1.0, "samples"),
    ],
)
def test_the_time_left_is_what_it_took_so_far_for_the_rest(share, since_s, left):
    line = progress_line(share, 31_536_000, since_s)
    assert line.endswith(left)
    assert len(line) <= 79
