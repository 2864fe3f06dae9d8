import io
import json
import signal
import sys

import pytest

from agent.alerts.book import AlertBook
from agent.alerts.condition import condition_payload
from agent.demo.broker import DemoBroker, NoBrokerError
from agent.demo.ending import Asked, Ending
from agent.demo.progress import SeasonBar
from agent.demo.screen import Screen
from agent.demo.terminal import Terminal
from agent.reconstruct.now import Mode, ProbeNow, Trust, Value
from agent.simulate.settings import plant_settings
from detectors.finding import Finding

T0 = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC
PROBE = "duct_north"


class Tty(io.StringIO):
    def isatty(self):
        return True


class Closed(io.StringIO):
    def write(self, text):
        raise BrokenPipeError


@pytest.fixture
def out():
    return io.StringIO()


def screen_on(out, *, as_json=False, err=None):
    terminal = Terminal(out, io.StringIO() if err is None else err, as_json=as_json)
    names = {probe_id: probe.name for probe_id, probe in plant_settings().probes.items()}
    return Screen(terminal, names=names, live_start_s=T0)


def condition(probe, *, mode=Mode.IN_SERVICE, trust=Trust.GOOD, at_s=T0, error=None, direction=None):
    now = ProbeNow(
        probe=probe,
        at_s=at_s,
        sample_at_s=at_s,
        mode=mode,
        trust=trust,
        error_estimate=error,
        error_direction=direction,
        signals={"o2": Value(3.21, "% vol", None, "measured", at_s)},
    )
    return json.dumps(condition_payload(plant_settings(), now, {}, [])).encode()


def all_conditions(screen):
    for probe in plant_settings().probes:
        screen.message("t", condition(probe))


def alert_messages(at_s, *, over=False):
    """What the book hands out for a slow return, in its order."""
    book = AlertBook(plant_settings())
    now = ProbeNow(probe=PROBE, at_s=at_s, sample_at_s=at_s, mode=Mode.RECOVERY, trust=Trust.DOUBTFUL)
    slow = {"symptom": "slow_recovery", "value": 17.2, "unit": "s", "uncertainty": 1.1, "baseline": 5.7, "limit": 11.3}
    out = book.take(PROBE, [Finding(at_s=at_s, active=True, **slow)], now)
    out += book.tick(at_s + 60, {PROBE: now})
    if over:
        out += book.take(PROBE, [Finding(at_s=at_s + 100, active=False, **slow)], now)
        out += book.tick(at_s + 30 * 86_400, {PROBE: now})
    return [
        (m.topic, b"" if m.payload is None else json.dumps(m.payload).encode()) for one in out for m in one.messages
    ]


def show(screen, messages):
    for topic, payload in messages:
        screen.message(topic, payload)


def test_a_table_of_all_probes_by_name_comes_once_all_are_known_and_before_any_alert(out):
    screen = screen_on(out)
    show(screen, alert_messages(T0 - 86_400))
    assert out.getvalue() == ""
    all_conditions(screen)
    text = out.getvalue()
    for probe in plant_settings().probes.values():
        assert text.count(f"  {probe.name:<22} 3.21 % O2    good        in service") == 1
    assert text.index("Bypass two") < text.index("ALERT, standing since 2026-09-20 14:1")


def test_a_probe_that_is_late_does_not_keep_the_table_back_for_ever(out):
    screen = screen_on(out)
    screen.message("t", condition(PROBE))
    screen.wait_no_more()
    screen.wait_no_more()
    assert out.getvalue().count("not heard yet") == len(plant_settings().probes) - 1
    assert out.getvalue().count("Reading      Trust") == 1


def test_an_alert_tells_probe_trust_what_why_and_what_to_expect_in_one_look(out):
    screen = screen_on(out)
    all_conditions(screen)
    out.truncate(0)
    show(screen, alert_messages(T0 + 30))
    text = out.getvalue()
    order = (
        "NEW ALERT at 14:1",
        "Gas duct north: filter closing, takes 17 s where 6 is usual",
        "Trust it?    doubtful",
        "Seen         17.2 +/- 1.1 s, usual 5.7, limit 11.3",
        "Suspect      filter",
        "Operator",
        "Check first  Read",
        "Mind ",
        "Site permits",
        "Expect       - ",
    )
    at = [text.index(words) for words in order]
    assert at == sorted(at)
    block = text.strip("\x00\n").splitlines()
    assert len(block) <= 23
    assert max(map(len, block)) <= 80
    assert "duct_north" not in text


def test_an_alert_is_shown_once_however_often_the_broker_brings_it(out):
    screen = screen_on(out)
    all_conditions(screen)
    for _ in range(3):
        show(screen, alert_messages(T0 + 30))
    assert out.getvalue().count("NEW ALERT") == 1


def test_an_alert_that_is_over_says_so_in_a_line(out):
    screen = screen_on(out)
    all_conditions(screen)
    show(screen, alert_messages(T0 + 30, over=True))
    assert "=== OVER" in out.getvalue()
    assert "Gas duct north: over" in out.getvalue()


def test_a_line_says_what_changed_of_a_probe_and_nothing_when_nothing_did(out):
    screen = screen_on(out)
    all_conditions(screen)
    before = out.getvalue()
    screen.message("t", condition(PROBE, at_s=T0 + 60))
    assert out.getvalue() == before
    screen.message("t", condition(PROBE, mode=Mode.BLOWBACK, trust=Trust.HELD, at_s=T0 + 61))
    screen.message("t", condition(PROBE, trust=Trust.BAD, error=1.04, direction="high", at_s=T0 + 62))
    assert out.getvalue().removeprefix(before).splitlines() == [
        "14:14:21  Gas duct north         blowback: air through the filter; display held",
        "                                 at 3.21 % O2",
        "14:14:22  Gas duct north         in service; do not use the reading, about 1.0 %",
        "                                 O2 too high",
    ]


def test_the_summary_says_what_was_found_who_is_healthy_and_what_is_still_to_come(out):
    screen = screen_on(out)
    all_conditions(screen)
    show(screen, alert_messages(T0 + 30))
    out.truncate(0)
    put_in = [(PROBE, "slow_recovery", "filter"), ("duct_mid", "heater_duty_creep", "heater")]
    screen.summary(live_s=90.0, days=100.0, put_in=put_in)
    text = " ".join(out.getvalue().split())
    assert "Gas duct north filter closing" in text
    assert "No alert for 9 probes: Economiser east; Economiser west; Gas duct middle;" in text
    assert text.endswith("Not told yet: heater of Gas duct middle.")


@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b"3", b'{"schema": "other/1"}', b"\xff"])
def test_a_message_of_a_stranger_is_passed_over(out, payload):
    screen_on(out).message("flueward/x", payload)
    assert out.getvalue() == ""


def test_with_json_the_payloads_alone_are_on_standard_output(out):
    err = io.StringIO()
    screen = screen_on(out, as_json=True, err=err)
    all_conditions(screen)
    show(screen, alert_messages(T0 + 30))
    bodies = [json.loads(line) for line in out.getvalue().splitlines()]
    assert {body["payload"]["schema"] for body in bodies} == {
        "flueward.condition/1", "flueward.alert/1", "flueward.check/1",
    }  # fmt: skip
    assert "NEW ALERT" in err.getvalue()


def test_where_nothing_can_be_drawn_over_there_is_no_control_character(out):
    terminal = Terminal(out, io.StringIO(), as_json=False)
    SeasonBar(terminal, 100.0)("watching", 0.5)
    terminal.draw("live")
    terminal.say("a line")
    assert out.getvalue() == "a line\n"


def test_a_drawn_line_gives_way_to_the_next(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    out = Tty()
    terminal = Terminal(out, io.StringIO(), as_json=False)
    SeasonBar(terminal, 100.0)("watching", 0.5)
    terminal.say("a line")
    assert out.getvalue().startswith("\r\x1b[K   [")
    assert " 61 % " in out.getvalue()
    assert out.getvalue().endswith("\r\x1b[Ka line\n")


def test_a_terminal_that_wants_no_colour_gets_none(monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert Terminal(Tty(), io.StringIO(), as_json=False).colour
    monkeypatch.setenv("NO_COLOR", "1")
    assert not Terminal(Tty(), io.StringIO(), as_json=False).colour


def test_a_reader_that_has_gone_is_told_once_and_written_to_no_more():
    told = []
    terminal = Terminal(Closed(), io.StringIO(), as_json=False)
    terminal.on_gone = lambda: told.append(1)
    terminal.say("a")
    terminal.say("b")
    terminal.close()
    assert (terminal.gone, told) == (True, [1])


def test_people_who_do_not_listen_do_not_end_the_payloads(out):
    terminal = Terminal(out, Closed(), as_json=True)
    terminal.say("a")
    terminal.payload("t", {"a": None})
    assert not terminal.gone
    assert out.getvalue() == '{"topic": "t", "payload": {"a": null}}\n'


def test_without_the_broker_package_the_message_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "iotcore", None)
    monkeypatch.setitem(sys.modules, "iotcore.broker", None)
    with pytest.raises(NoBrokerError, match=r"pip install 'flueward\[demo\]'"), DemoBroker(tmp_path):
        pass


def test_a_signal_leaves_what_can_be_dropped_and_waits_for_what_cannot():
    before = signal.getsignal(signal.SIGTERM)
    with Ending() as ending:
        told = []
        ending.tell = lambda: told.append(1)
        signal.raise_signal(signal.SIGTERM)
        assert (ending.asked, told) == (True, [1])
        with pytest.raises(Asked), ending.droppable():
            raise AssertionError("asked before it began")
        ending.asked = False
        with pytest.raises(Asked), ending.droppable():
            signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) is before
