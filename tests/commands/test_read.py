import asyncio
import fcntl
import json
import os
import subprocess
import sys
import time

import pytest

from agent.acquire.transport import LinkError
from agent.alerts.book import AlertBook
from agent.cli import main
from agent.clock import SystemClock
from agent.commands.looks import Looker
from agent.commands.running import running_agent
from agent.commands.uncertain import duty_u
from agent.config.load import load_settings
from agent.config.model import RegisterMap
from agent.counters import Counters
from agent.outgoing import ALERT_ROWS, PROBE_ROWS
from agent.pipeline import Pipeline
from agent.reconstruct.now import ProbeNow
from agent.signals import Reason
from agent.store.database import open_store
from detectors.finding import Finding
from detectors.probe.nernst import cell_emf_mv


def flat(text):
    return " ".join(text.split())


def as_json(capsys):
    return json.loads(capsys.readouterr().out)


def test_one_look_goes_from_registers_to_what_the_parts_are_doing(config, capsys):
    assert main(["read", str(config()), "bypass_one", "--json"]) == 0
    document = as_json(capsys)
    found = document["probes"]["bypass_one"]
    shown = {name: signal["value"] for name, signal in found["signals"].items()}
    word = int(found["signals"]["o2"]["registers"][0], 16)
    assert found["signals"]["o2"]["number"] == word
    assert shown["o2"] == pytest.approx(0.01 * word)
    by_hand = float(cell_emf_mv(shown["o2"] / 100, shown["cell_temp"]))
    residual = found["now"]["values"]["emf_residual"]
    assert residual["value"] == pytest.approx(shown["cell_emf"] - by_hand, abs=1e-9)
    # 21 mV a natural-log unit, o2 to 0.01 %: 0.01/3 x 21 / sqrt(12) is about 0.02 mV
    assert residual["uncertainty"] == pytest.approx(0.02, abs=0.01)
    assert "heater_duty" not in found["now"]["values"]  # a relay seen once
    assert found["now"]["mode"] == "in_service"
    assert document["feeds"]["boiler"]["signals"]["load"]["value"] > 0
    assert found["now"]["saved"] is None


def test_a_counter_is_polled_twice_so_that_a_duty_can_be_told(config, plant, capsys):
    began_s = time.monotonic()
    assert main(["read", str(config()), "grid_left", "--json"]) == 0
    assert time.monotonic() - began_s >= 2.0
    duty = as_json(capsys)["probes"]["grid_left"]["now"]["values"]["heater_duty"]
    true = plant.live.values("duct_south", plant._start_s)["heater_output"] / 100  # of the same plant: some 0.4
    assert 0.2 < duty["value"] < 0.6
    assert abs(duty["value"] - true) < 0.2
    assert 0.005 < duty["uncertainty"] < 0.1


def test_text_is_readable_at_80_columns(config, capsys):
    assert main(["read", str(config()), "econ_east"]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "boiler: a feed," in out
    assert "mode in service" in flat(out)
    assert "heater_duty 0." in flat(out)
    assert "nothing saved of it yet" in out


def test_a_feed_can_be_asked_for_by_its_name(config, capsys):
    assert main(["read", str(config()), "boiler"]) == 0
    out = capsys.readouterr().out
    assert "flue_temp" in out
    assert "worked out" not in out


def test_a_probe_that_does_not_answer_is_exit_1_and_told_in_words(config, plant, capsys):
    plant.silence("econ_west")
    assert main(["read", str(config()), "econ_west"]) == 1
    out = flat(capsys.readouterr().out)
    assert "did not answer: no answer within 0.3 s" in out
    assert "worked out" not in out


def test_all_are_read_when_none_is_named_and_one_that_is_silent_is_enough_for_exit_1(config, plant, capsys):
    plant.silence("duct_mid")
    assert main(["read", str(config()), "--json"]) == 1
    found = as_json(capsys)["probes"]
    assert len(found) == 10
    assert [name for name, one in found.items() if not one["answered"]] == ["duct_mid"]


def test_an_unknown_probe_is_answered_with_the_nearest_known_one(config, capsys):
    assert main(["read", str(config()), "Econ-East"]) == 2
    assert "there is no probe or feed 'Econ-East', did you mean 'econ_east'?" in capsys.readouterr().err


def test_a_configuration_that_cannot_be_used_is_exit_2(tmp_path, capsys):
    assert main(["read", str(tmp_path / "none.toml")]) == 2
    assert "does not exist" in capsys.readouterr().err


def save(settings, probe, *, seen_s):
    """What an agent would have left behind: a probe that was sampled, and an open alert."""
    pipeline = Pipeline(settings, Counters())
    watcher = pipeline.watchers[probe]
    state = {**watcher.to_dict(), "sample_s": seen_s, "mode": "in_service"}
    left = [6.0, 0.2, seen_s - 600.0]
    state["offset"] = {"raw": left, "remaining": left, "stored_mv": 0.0}
    state["values"] = {
        "o2": [3.1, "% vol", None, "measured", seen_s],
        "tau": [7.5, "s", 0.4, "reconstructed", seen_s - 3600.0],
    }
    book = AlertBook(settings)
    since_s = seen_s - 40 * 86_400.0
    finding = Finding(
        symptom="slow_recovery", at_s=since_s, active=True, value=15.0, unit="s", baseline=6.0, limit=12.0, episodes=3
    )
    now = ProbeNow(probe=probe, at_s=since_s)
    book.take(probe, [finding], now)
    book.tick(seen_s, {probe: now})
    rows = {(PROBE_ROWS, probe): state, **{(ALERT_ROWS, key): row for key, row in book.to_rows().items()}}
    log = type("Log", (), {name: staticmethod(lambda *_, **__: None) for name in ("info", "warning", "error", "debug")})
    store = open_store(settings.data_dir / "flueward.db", log=log, counters=Counters(), clock=SystemClock())
    store.commit(messages=[], rows=rows)
    store.close()


def test_what_the_agent_has_saved_stands_beside_the_look(config, capsys):
    path = config()
    save(load_settings(path), "econ_east", seen_s=time.time() - 30.0)
    assert main(["read", str(path), "econ_east"]) == 0
    out = flat(capsys.readouterr().out)
    assert "the agent's saved state, last sample" in out
    assert "tau 7.5 +- 0.4 s" in out.replace("7.50 +- 0.40", "7.5 +- 0.4")
    # 6 mV left in the cell at 3.8 %: 3.8 (1 - exp(6/20.97)) is about -1.3 % O2
    assert "reads low by 1." in out
    assert "ALERT (unacknowledged, since" in out
    assert "no_communication" in out


def test_of_a_silent_probe_the_saved_state_is_told_and_not_taken_for_now(config, plant, capsys):
    path = config()
    save(load_settings(path), "econ_west", seen_s=time.time() - 30.0)
    plant.silence("econ_west")
    assert main(["read", str(path), "econ_west", "--json"]) == 1
    now = as_json(capsys)["probes"]["econ_west"]["now"]
    assert now["answered"] is False
    assert now["values"]["o2"]["value"] == 3.1
    assert now["alerts"][0]["symptom"] == "slow_recovery"


def test_a_damaged_data_folder_is_a_note_and_the_look_is_told_all_the_same(config, tmp_path, capsys):
    path = config()
    (tmp_path / "demo-data").mkdir()
    (tmp_path / "demo-data" / "flueward.db").write_bytes(b"no database at all, but long enough to be looked at" * 20)
    assert main(["read", str(path), "econ_east"]) == 0
    out = flat(capsys.readouterr().out)
    assert "saved state:" in out
    assert "cannot be read" in out
    assert "mode in service" in out


@pytest.fixture
def agent_at_work(tmp_path):
    """A process that holds the data folder's lock, as a running agent does."""
    folder = tmp_path / "demo-data"
    folder.mkdir()
    code = (
        "import fcntl, os, sys; f = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT);"
        "fcntl.flock(f, fcntl.LOCK_EX); os.write(f, f'{os.getpid()}\\n'.encode()); print('held', flush=True);"
        "sys.stdin.read()"
    )
    command = [sys.executable, "-c", code, str(folder / "flueward.lock")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"held\n"
        yield process
        process.stdin.close()


def test_a_serial_line_of_a_running_agent_is_left_alone_and_the_reason_told(config, plant, agent_at_work, capsys):
    before = plant.server.requests["stack"]
    assert main(["read", str(config()), "stack_low"]) == 1
    out = flat(capsys.readouterr().out)
    assert f"the running agent (process {agent_at_work.pid}) polls line stack" in out
    assert "Stop the agent for this look" in out
    assert plant.server.requests["stack"] == before


def test_a_tcp_transmitter_is_read_beside_a_running_agent(config, agent_at_work):
    assert main(["read", str(config()), "econ_east"]) == 0


def test_a_lock_file_without_its_process_is_no_running_agent(tmp_path):
    assert running_agent(tmp_path) is None
    lock = tmp_path / "flueward.lock"
    lock.write_text(f"{os.getppid()}\n")  # a living process, but it does not hold the lock
    assert running_agent(tmp_path) is None
    lock.write_text("half a numb")
    assert running_agent(tmp_path) is None


def test_the_agents_lock_is_seen_and_not_taken(tmp_path, agent_at_work):
    folder = tmp_path / "demo-data"
    assert running_agent(folder) == agent_at_work.pid
    with (folder / "flueward.lock").open() as file, pytest.raises(BlockingIOError):
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # still held by the one who had it


class DeadWire:
    """Counts how often somebody tries to connect."""

    shared_medium = False
    read_cost_s = 1.0
    stray = is_open = False

    def __init__(self):
        self.opened = 0

    async def open(self):
        self.opened += 1
        raise LinkError(Reason.CONNECT, "nobody there")

    def close(self):
        pass


def test_a_dead_line_is_tried_once_and_not_for_each_of_its_units(config):
    wire = DeadWire()
    looker = Looker(load_settings(config()), SystemClock(), make_wire=lambda line: wire)
    found = asyncio.run(looker.look(["duct_north", "duct_mid", "duct_south"]))
    assert wire.opened == 1
    assert [look.detail for look in found.values()] == ["nobody there"] * 3
    assert set(found["duct_south"].sample.reasons.values()) == {Reason.CONNECT}


def test_a_serial_line_is_listened_to_once_for_all_of_its_units(config):
    began_s = time.monotonic()
    looker = Looker(load_settings(config(listen_s=0.2)), SystemClock())
    found = asyncio.run(looker.look(["stack_low", "stack_high"]))
    assert all(look.sample.values for look in found.values())
    assert 0.2 <= time.monotonic() - began_s < 0.4


def counting(**register):
    register = {"address": 0, "type": "uint32", "scale": 0.1, **register}
    return RegisterMap.model_validate({"signals": {"heater_on_time": register}, "conventions": {"heater_cycle_s": 4.0}})


def test_a_duty_over_whole_cycles_is_known_to_the_counters_step_and_over_a_part_hardly():
    step_only = 0.1 / 6**0.5 / 4.0  # two readings, each rounded within one step
    assert duty_u(0.4, counting(), 4.0) == pytest.approx(step_only)
    assert duty_u(0.4, counting(), 2.0) > 10 * step_only
