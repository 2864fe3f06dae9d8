"""What the demo tells a newcomer: how the probes are, each alert with its check, and in the end what was found."""

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

from agent.alerts.plain import time_words
from agent.demo.block import alert_block
from agent.demo.terminal import Terminal
from agent.rfc3339 import from_text

__all__ = ["Screen"]

_MODES: Final = {
    "in_service": "in service",
    "warming_up": "warming up",
    "air_check": "air check: air at the cell",
    "test_gas": "test gas at the cell",
    "blowback": "blowback: air through the filter",
    "furnace_purge": "furnace purge",
    "recovery": "flue gas is coming back",
    "idle_hot": "hot, no fire",
    "off": "off",
    "out_of_service": "out of service",
    "no_data": "no answer",
    "unknown": "not known",
}
_TRUST: Final = {
    "good": "good",
    "doubtful": "doubtful",
    "bad": "do not use",
    "held": "held",
    "unknown": "not known",
}
_NAME_WIDTH: Final = 22


class Screen:
    """Takes messages as the broker gives them and says what they mean, each alert once for every state it reaches.

    The table of the probes comes first: alerts wait until the condition of every probe is known, or `wait_no_more`.

    Parameters
    ----------
    names : mapping
        What people call each probe.
    live_start_s : float
        UTC seconds; an alert from before it is not news.
    """

    def __init__(self, terminal: Terminal, *, names: Mapping[str, str], live_start_s: float) -> None:
        self._terminal, self._names, self._live_start_s = terminal, names, live_start_s
        self._said: dict[str, tuple[str, str]] = {}  # mode and trust of each probe, as last told
        self._table: dict[str, Mapping[str, Any]] | None = {}  # until it was shown
        self._checks: dict[tuple[str, str], Mapping[str, Any]] = {}
        self._waiting: dict[tuple[str, str], Mapping[str, Any]] = {}
        self._shown: set[tuple[str, str]] = set()
        self.alerts: dict[str, Mapping[str, Any]] = {}  # by id, as last told
        self.on_alert: Callable[[], None] | None = None

    def message(self, topic: str, payload: bytes) -> None:
        """One message. What is none of ours is passed over."""
        try:
            body = json.loads(payload)
            kind = body["schema"]
        except (ValueError, TypeError, LookupError):  # nothing retained any more, or a stranger on our broker
            return
        self._terminal.payload(topic, body)
        if kind == "flueward.condition/1":
            self._condition(body)
        elif kind == "flueward.check/1":
            self._checks[body["probe"], body["symptom"]] = body
            self._complete(body["probe"], body["symptom"])
        elif kind == "flueward.alert/1":
            self._waiting[body["probe"], body["symptom"]] = body
            self._complete(body["probe"], body["symptom"])

    def wait_no_more(self) -> None:
        """Show the table with what is known of the probes."""
        table, self._table = self._table, None
        if table is None:
            return
        self._terminal.say(f"  {'Probe':<{_NAME_WIDTH}} {'Reading':<12} {'Trust':<11} Now")
        for probe, name in self._names.items():
            body = table.get(probe)
            if body is None:
                self._terminal.say(f"  {name:<{_NAME_WIDTH}} {'-':<12} {'-':<11} not heard yet")
                continue
            stands = "; an alert stands" if body["alerts"] else ""
            mode, trust = _MODES.get(body["mode"], body["mode"]), _TRUST.get(body["reading_trust"], "not known")
            errs = _error(body).replace(" about", " reads").replace(" O2 too", "")
            self._terminal.tell(f"{mode}{errs}{stands}", first=f"  {name:<{_NAME_WIDTH}} {_o2(body):<12} {trust:<11} ")
        for key in list(self._waiting):
            self._complete(*key)

    def _condition(self, body: Mapping[str, Any]) -> None:
        probe, now = body["probe"], (body["mode"], body["reading_trust"])
        before = self._said.get(probe)
        self._said[probe] = now
        if self._table is not None:
            self._table[probe] = body
            if self._table.keys() >= self._names.keys():
                self.wait_no_more()
        elif before != now:
            mode = _MODES.get(body["mode"], body["mode"])
            words = [mode] if before is None or before[0] != body["mode"] else []
            words += [_trust_said(body)] if before is None or before[1] != body["reading_trust"] else []
            name = self._names.get(probe, probe)
            self._terminal.tell("; ".join(words), first=f"{body['at'][11:19]}  {name:<{_NAME_WIDTH}} ")

    def _complete(self, probe: str, symptom: str) -> None:
        """Show an alert when its check is there too."""
        alert, check = self._waiting.get((probe, symptom)), self._checks.get((probe, symptom))
        if self._table is not None or alert is None or (check is None and alert["state"] != "normal"):
            return
        seen = (alert["id"], alert["state"])
        if seen in self._shown:
            return
        self._shown.add(seen)
        new = alert["id"] not in self.alerts
        self.alerts[alert["id"]] = alert
        raised_s = from_text(alert["raised_at"])
        if alert["state"] == "normal":
            title = "OVER"
        elif new and raised_s < self._live_start_s:
            title = f"ALERT, standing since {time_words(alert['raised_at'])}"
        elif new:
            title = f"NEW ALERT at {alert['raised_at'][11:19]} UTC"
        else:
            title = f"ALERT, now {alert['state'].replace('_', ' ')}"
        block = alert_block(
            alert,
            None if alert["state"] == "normal" else check,
            title,
            width=self._terminal.width,
            colour=self._terminal.colour,
        )
        self._terminal.say(f"\n{block}\n")
        if self.on_alert is not None:
            self.on_alert()

    def summary(self, *, live_s: float, days: float, put_in: Iterable[tuple[str, str, str]]) -> None:
        """What was found on which probe, and who is healthy; `put_in` has probe, symptom and part of each fault."""
        self._terminal.tell(f"What {days:.0f} days of history and {live_s:.0f} s of live brought:")
        for alert in self.alerts.values():
            part = alert["suspects"][0]["part"].replace("_", " ") if alert["suspects"] else "nothing yet"
            first = f"  {self._names.get(alert['probe'], alert['probe']):<{_NAME_WIDTH}} "
            what = alert["headline"].split(": ", 1)[-1].rstrip(".")
            words = f"{what}. Suspect: {part}. Since {time_words(alert['raised_at'])}."
            self._terminal.tell(words, first=first)
        accused = {alert["probe"] for alert in self.alerts.values()}
        quiet = [name for probe, name in self._names.items() if probe not in accused]
        told = {(alert["probe"], alert["symptom"]) for alert in self.alerts.values()}
        rows = list(put_in)
        late = [f"{part} of {self._names[probe]}" for probe, symptom, part in rows if (probe, symptom) not in told]
        beside = told - {(probe, symptom) for probe, symptom, _ in rows}
        verdict = [f"Not told yet: {', '.join(late)}." if late else f"All {len(rows)} faults of the story are told."]
        verdict += [f"{len(beside)} alerts have no cause in the story."] if beside else []
        for text in (f"No alert for {len(quiet)} probes: {'; '.join(quiet)}.", " ".join(verdict)):
            self._terminal.tell(text, first="  ")


def _o2(body: Mapping[str, Any]) -> str:
    value = body["signals"].get("o2", {}).get("value")
    return "no reading" if value is None else f"{value:.2f} % O2"


def _trust_said(body: Mapping[str, Any]) -> str:
    trust = body["reading_trust"]
    if trust == "held":
        return f"display held at {_o2(body)}"
    words = {"good": "reading good", "doubtful": "reading doubtful", "bad": "do not use the reading"}
    return words.get(trust, "reading not known") + _error(body)


def _error(body: Mapping[str, Any]) -> str:
    """Which way a reading errs that is not good."""
    if body["reading_trust"] not in ("doubtful", "bad") or None in (body["error_direction"], body["error_estimate"]):
        return ""
    return f", about {abs(body['error_estimate']):.1f} % O2 too {body['error_direction']}"
