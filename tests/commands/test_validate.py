import json
import stat

import pytest

from agent.cli import main
from tests.privileges import WRITES_ANYWHERE


def told(capsys):
    """Everything printed, and all of it as one line of text."""
    out, err = capsys.readouterr()
    return out, err, " ".join(out.split())


def test_a_valid_configuration_is_told_in_short_and_nothing_is_connected_to(config, plant, capsys):
    before = dict(plant.server.requests)
    assert main(["validate", str(config())]) == 0
    out, err, flat = told(capsys)
    assert err == ""
    assert plant.server.requests == before
    for probe, at in plant.plant.settings.probes.items():
        assert f"{probe} {at.line}/{at.unit}, map {at.map}" in flat
    assert "broker localhost:18830, no TLS, no user, no password" in flat
    assert "3 requests every 2 s" in flat  # scaled_words: addresses 100..104, 110..111 and 120 with gaps between
    assert max(map(len, out.splitlines())) <= 80


def test_what_no_detector_could_work_with_is_said_before_anybody_waits_for_it(config, capsys):
    blind = (
        ('heater_output = "duty"', 'heater_output = "unknown"'),
        ('cell_emf_during_checks = "live"\nheater_output', 'cell_emf_during_checks = "held"\nheater_output'),
    )
    assert main(["validate", str(config(*blind[::-1])), "--json"]) == 0
    probes = json.loads(told(capsys)[0])["summary"]["probes"]
    found = probes["econ_east"]["detectors"]
    assert not found["heater_duty_creep"]["can_work"]
    assert "heater_on_time, heater_on, or a heater_output" in found["heater_duty_creep"]["needs"]
    assert not found["cell_offset_drift"]["can_work"]
    assert "held" in found["slow_recovery"]["needs"]
    assert probes["grid_left"]["detectors"]["heater_duty_creep"]["better_with"] == ["supply_voltage"]
    assert all(one["can_work"] for one in probes["grid_left"]["detectors"].values())


def test_a_misspelt_key_is_one_line_on_stderr_and_exit_2(config, capsys):
    assert main(["validate", str(config(("used_by_trim = true", "used_by_trimm = true")))]) == 2
    out, err, _ = told(capsys)
    assert out == ""
    assert "plant.toml: probes.econ_east.used_by_trimm" in err
    assert "Traceback" not in err


def test_options_of_alerts_that_cannot_be_are_found_as_well(config, capsys):
    path = config(("[feeds.boiler]", "[detectors.slow_recovery]\nalarm = true\n\n[feeds.boiler]"))
    assert main(["validate", str(path), "--json"]) == 2
    out, err, _ = told(capsys)
    assert "detectors.slow_recovery.alarm" in err
    document = json.loads(out)
    assert document["valid"] is False
    assert len(document["problems"]) == len(err.splitlines())


def test_a_missing_file_is_told_by_its_name(tmp_path, capsys):
    assert main(["validate", str(tmp_path / "nowhere.toml")]) == 2
    assert "nowhere.toml: does not exist" in told(capsys)[1]


def test_values_have_their_origin_and_no_secret(config, capsys, monkeypatch):
    monkeypatch.setenv("FLUEWARD_MQTT__PASSWORD", "hunter2")
    monkeypatch.setenv("FLUEWARD_MQTT__USERNAME", "edge")
    monkeypatch.setenv("FLUEWARD_MQTT__TLS", "true")
    assert main(["validate", str(config()), "--values", "--json"]) == 0
    out, err, _ = told(capsys)
    assert "hunter2" not in out + err
    values = {row["key"]: row for row in json.loads(out)["values"]}
    assert values["mqtt.password"]["value"] == '"********"'
    assert values["mqtt.username"] == {
        "key": "mqtt.username", "value": '"edge"', "origin": "environment FLUEWARD_MQTT__USERNAME",
    }  # fmt: skip
    assert values["probes.econ_east.period_s"]["origin"] == "plant.toml"


def test_values_as_text_are_a_line_each(config, capsys):
    assert main(["validate", str(config()), "--values"]) == 0
    assert '  site = "demo-plant"  # plant.toml\n' in told(capsys)[0]


@pytest.mark.skipif(WRITES_ANYWHERE, reason="this process may write anywhere; CI runs it again without that")
def test_a_data_folder_of_somebody_else_is_told(config, tmp_path, capsys):
    folder = tmp_path / "demo-data"
    folder.mkdir()
    folder.chmod(stat.S_IRUSR | stat.S_IXUSR)
    assert main(["validate", str(config())]) == 0
    assert "NOT writable" in told(capsys)[0]


def test_the_plant_as_it_is_fits_its_maps(config, capsys):
    assert main(["validate", str(config()), "--connect"]) == 0
    out, _, flat = told(capsys)
    assert max(map(len, out.splitlines())) <= 80
    assert flat.count("fits o2, cell_emf, cell_temp: measured") == 7  # five float_bits and two relay_small
    assert "all 11 answered, and nothing speaks against the maps" in flat
    assert "DOES NOT FIT" not in out


def test_a_silent_transmitter_is_named_and_its_neighbours_are_read(config, plant, capsys):
    plant.silence("stack_low")
    assert main(["validate", str(config()), "--connect", "--json"]) == 1
    found = json.loads(told(capsys)[0])["connect"]
    assert not found["stack_low"]["answered"]
    assert "no answer within 0.3 s" in found["stack_low"]["detail"]
    assert found["stack_low"]["signals"]["o2"] == {
        "registers": [], "number": None, "value": None, "unit": "% vol", "reason": "timeout",
    }  # fmt: skip
    assert found["stack_high"]["answered"]
    assert found["stack_high"]["signals"]["o2"]["value"] > 0


def test_nobody_at_an_endpoint_is_told_once_and_quickly(config, plant, capsys):
    line = f'kind = "tcp"\nhost = "127.0.0.1"\nport = {plant.ports["duct"]}'
    assert main(["validate", str(config((line, 'kind = "tcp"\nhost = "127.0.0.1"\nport = 1'))), "--connect"]) == 1
    flat = told(capsys)[2]
    assert "duct_north, duct_mid and duct_south did not answer" in flat


def fits(config, capsys, probe, *changes):
    assert main(["validate", str(config(*changes)), "--connect", "--json"]) == 1
    rows = json.loads(told(capsys)[0])["connect"][probe]["fits"]
    return " | ".join(row["text"] for row in rows if row["verdict"] == "does_not_fit")


def test_a_wrong_word_order_is_recognised_by_what_the_right_one_would_give(config, capsys):
    text = fits(config, capsys, "econ_west", ('type = "float32"', 'type = "float32", order = "cdab"'))
    assert 'order = "abcd" would be' in text
    assert "cell_temp 700" in text or "cell_temp 699." in text
    assert "Nernst" not in text  # in the better order the three belong together


def test_a_wrong_scale_is_recognised_and_the_right_one_named(config, capsys):
    right = 'o2 = { table = "input", address = 100, type = "uint16", scale = 0.01'
    text = fits(config, capsys, "grid_left", (right, right.replace("0.01", "0.1")))
    assert "scale = 0.01 for" in text


def test_a_turned_sign_and_a_wrong_unit_of_the_emf_show_by_nernst(config, capsys):
    right = 'cell_emf = { table = "holding", address = 11, type = "int16", scale = 0.01'
    assert "cell_emf scale = 0.01 (its sign turned)" in fits(
        config, capsys, "bypass_one", (right, right.replace("0.01", "-0.01"))
    )
    assert "cell_emf scale = 0.01 (in V, not mV)" in fits(
        config, capsys, "bypass_one", (right, right.replace("0.01", "0.00001"))
    )


def test_a_check_under_way_is_no_time_to_judge_a_held_display(config, plant, capsys):
    plant.begin(plant.CHECK_S)
    assert main(["validate", str(config()), "--connect", "--json"]) == 0
    rows = json.loads(told(capsys)[0])["connect"]["econ_east"]["fits"]
    (row,) = [row for row in rows if row["about"] == "o2, cell_emf, cell_temp"]
    assert row["verdict"] == "cannot_tell"
    assert "cannot be told now" in row["text"]


def test_registers_that_a_transmitter_refuses_are_told_as_a_wrong_map(config, capsys):
    text = fits(config, capsys, "grid_left", ("address = 120\n", "address = 500\n"))
    assert "illegal data address" in text
