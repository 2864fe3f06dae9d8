"""What the demo shows a newcomer: which probe, can the reading be trusted, what, why, and what to check."""

import json
import sys
from collections.abc import Mapping
from textwrap import wrap
from typing import Any, Final, TextIO

from agent.alerts.plain import expected, render_alert

__all__ = ["Screen"]

WIDTH: Final = 80
_MODES: Final = {
    "air_check": "air check running: this is our own air, not flue gas",
    "blowback": "blowback: air through the filter",
    "recovery": "flue gas coming back",
    "in_service": "in service",
    "no_data": "no answer",
}


class Screen:
    """Writes lines for people, or with `as_json` every payload as one JSON line."""

    def __init__(self, out: TextIO, *, as_json: bool) -> None:
        self._out, self._json = out, as_json
        self._colour = out.isatty() and not as_json
        self._modes: dict[str, str] = {}
        self._checks: dict[tuple[str, str], Mapping[str, Any]] = {}
        self._waiting: dict[tuple[str, str], Mapping[str, Any]] = {}
        self._shown: set[tuple[str, str]] = set()
        self.raised: list[tuple[str, str]] = []  # probe and symptom of every alert shown

    def say(self, text: str = "") -> None:
        """A line for people; with JSON it goes to standard error, so that the payloads stay clean."""
        print(text, file=sys.stderr if self._json else self._out, flush=True)

    def progress(self, what: str, share: float) -> None:
        """How far the making of history is; only on a terminal."""
        if self._out.isatty() and not self._json:
            done = int(30 * share)
            end = "\n" if share >= 1.0 else ""
            print(f"\r  {what:<9} [{'#' * done}{'.' * (30 - done)}]", end=end, file=self._out, flush=True)

    def message(self, topic: str, payload: bytes) -> None:
        """One message as the broker gave it."""
        if not payload:
            return
        body = json.loads(payload)
        if self._json:
            print(json.dumps({"topic": topic, "payload": body}, ensure_ascii=False), file=self._out, flush=True)
        kind = body["schema"]
        if kind == "flueward.condition/1":
            self._condition(body)
        elif kind == "flueward.check/1":
            self._checks[body["probe"], body["symptom"]] = body
            self._complete(body["probe"], body["symptom"])
        elif kind == "flueward.alert/1":
            self._alert(body)

    def _condition(self, body: Mapping[str, Any]) -> None:
        probe, mode = body["probe"], body["mode"]
        before = self._modes.get(probe)
        self._modes[probe] = mode
        if self._json or before == mode:
            return
        o2 = body["signals"].get("o2", {}).get("value")
        reading = "no reading" if o2 is None else f"{o2:5.2f} % O2"
        self.say(
            f"{body['at'][11:19]}  {probe:<12} {reading}, reading {body['reading_trust']:<8} {_MODES.get(mode, mode)}"
        )

    def _alert(self, body: Mapping[str, Any]) -> None:
        key = (body["probe"], body["symptom"])
        self._waiting[key] = body
        self._complete(*key)

    def _complete(self, probe: str, symptom: str) -> None:
        """Show an alert when its check is there too, once for each state that it reaches."""
        alert, check = self._waiting.get((probe, symptom)), self._checks.get((probe, symptom))
        if alert is None or (check is None and alert["state"] != "normal"):
            return
        seen = (alert["id"], alert["state"])
        if seen in self._shown:
            return
        self._shown.add(seen)
        if alert["state"] == "unacknowledged":
            self.raised.append((probe, symptom))
        if self._json:
            return
        rule = "=" * WIDTH
        self.say(f"\n{rule}\n{render_alert(alert, width=WIDTH, colour=self._colour)}")
        if check is not None and alert["state"] != "normal":
            self.say(_short(check))
        self.say(rule + "\n")


def _short(check: Mapping[str, Any]) -> str:
    """The check in a few lines. Its steps are not shown without their cautions in full: that is the sheet's job."""
    lines = [f"          {check['state_of_plant']['state']}"]
    cautions = "; ".join(f"{one['letter']} {one['title'].lower()}" for one in check["cautions"])
    lines += _wrapped(f"Mind {cautions}. Site permits, the maker's manual and licensed people come first.")
    lines += ["Expect"]
    for row in check["expect"]:
        lines += _wrapped(f"- {row['quantity']}: {expected(row)}")
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=" " * 10, subsequent_indent=" " * 12)
