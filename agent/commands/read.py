"""`flueward read`: one look at a probe now, from raw registers to what its parts are doing."""

import asyncio
import json
import sys
from argparse import Namespace
from collections.abc import Mapping
from typing import Any, Final

from agent.acquire.once import Look
from agent.clock import Clock, SystemClock
from agent.commands.looks import Looker, longest_wait_s, polled
from agent.commands.now import Seen, counters_of, see
from agent.commands.saved import load_saved
from agent.commands.seen_text import seen_json, seen_lines
from agent.commands.table import look_json, look_lines
from agent.commands.wide import number, paragraph, when
from agent.config.errors import ConfigError
from agent.config.load import load_settings
from agent.config.model import Probe, Settings
from agent.config.nearest import did_you_mean

__all__ = ["read"]

_SPAN_S: Final = 2.0  # between two polls of a counter
_SPAN_MAX_S: Final = 10.0
_WORTH_SAYING_S: Final = 2.0

Looks = list[dict[str, Look]]


def read(options: Namespace) -> int:
    """Look at a probe or feed, or at all of them.

    Exit code 0, 1 where something asked for did not answer, 2 where the configuration cannot be used or has no such
    probe.

    Keys of the `--json` document: `site`; `saved_state`: why what the agent saved cannot be read, null where it can or
    there is none; `feeds` by id, as `agent.commands.table.look_json` has them; `probes` by id, the same, and besides
    `now` (see `agent.commands.seen_text.seen_json`). A probe that did not answer has what is saved of it.
    """
    try:
        settings = load_settings(options.config)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    known = [*settings.probes, *(feed for feed in settings.feeds if feed not in settings.probes)]
    if options.probe is not None and options.probe not in known:
        told = did_you_mean(options.probe, known)
        print(f"flueward: there is no probe or feed {options.probe!r}{told}", file=sys.stderr)
        return 2
    asked = known if options.probe is None else [options.probe]
    try:
        return asyncio.run(_read(settings, asked, as_json=options.json))
    except ValueError as error:  # a map that cannot be read within its own limits
        print(f"flueward: {options.config.name}: {error}", file=sys.stderr)
        return 2


async def _read(settings: Settings, asked: list[str], *, as_json: bool) -> int:
    wait_s = longest_wait_s(settings, asked)
    if wait_s > _WORTH_SAYING_S and not as_json:
        print(f"listening for {number(wait_s)} s first, since a serial line has one master ...", flush=True)
    looks = await _look(settings, asked, SystemClock())
    saved = load_saved(settings)
    seen = {name: see(settings, name, looks, saved) for name in asked if name in settings.probes}
    last = {**looks[0], **looks[-1]}
    if as_json:
        print(json.dumps(_document(settings, last, seen, saved.problem), indent=2))
    else:
        for line in _text(settings, asked, last, seen):
            print(line)
        if saved.problem:
            print("\n".join(paragraph(f"saved state: {saved.problem}")))
    return 0 if all(last[name].sample.values for name in asked) else 1


async def _look(settings: Settings, asked: list[str], clock: Clock) -> Looks:
    """One look at all that is asked for and its feeds, and a second one at the probes that have a counter."""
    feeds = [feed for name in asked if name in settings.probes for feed in settings.probes[name].feeds]
    looker = Looker(settings, clock)
    first = await looker.look([*feeds, *asked])
    began_s = clock.monotonic()
    again = [
        name for name in asked if name in settings.probes and counters_of(settings, name) and first[name].sample.values
    ]
    if not again:
        return [first]
    cycles = [settings.maps[settings.probes[name].map].conventions.heater_cycle_s or _SPAN_S for name in again]
    await clock.sleep_until(began_s + min(_SPAN_MAX_S, max(_SPAN_S, *cycles)))
    second = await looker.look(again)
    return [first, {**first, **{name: look for name, look in second.items() if look.sample.values}}]


def _text(settings: Settings, asked: list[str], looks: Mapping[str, Look], seen: Mapping[str, Seen]) -> list[str]:
    lines: list[str] = []
    told: set[str] = set()
    for name in asked:
        if name in told:
            continue
        lines += ["", *_one(settings, name, looks[name])] if lines else _one(settings, name, looks[name])
        if name not in seen:
            continue
        for feed in settings.probes[name].feeds:
            if feed not in told and len(asked) == 1:
                lines += ["", *_one(settings, feed, looks[feed])]
                told.add(feed)
        lines += ["", *seen_lines(seen[name])]
    return lines


def _one(settings: Settings, name: str, look: Look) -> list[str]:
    at = polled(settings, name)
    called = at.name if isinstance(at, Probe) else "a feed"
    head = [f"{name}: {called or name}, {when(look.sample.time_s)}", f"  line {at.line}, unit {at.unit}, map {at.map}"]
    return [*head, *look_lines(look, settings.maps[at.map])]


def _document(settings: Settings, looks: Mapping[str, Look], seen: Mapping[str, Seen], problem: str) -> dict[str, Any]:
    def entry(name: str) -> dict[str, Any]:
        return look_json(looks[name], settings.maps[polled(settings, name).map])

    return {
        "site": settings.site,
        "saved_state": problem or None,
        "feeds": {name: entry(name) for name in looks if name not in settings.probes},
        "probes": {name: {**entry(name), "now": seen_json(one)} for name, one in seen.items()},
    }
