"""`flueward validate`: is this configuration good, what would it do, and does it fit the transmitters?"""

import asyncio
import json
import sys
from argparse import Namespace
from typing import Any

from agent.acquire.decode import CompiledMap
from agent.alerts.policy import policy_problems
from agent.clock import SystemClock
from agent.commands.connect import connect
from agent.commands.summary import Summary, summarise, summary_json, summary_lines
from agent.commands.wide import paragraph
from agent.config.describe import describe
from agent.config.errors import ConfigError
from agent.config.load import Loaded, load
from agent.config.warn import warnings

__all__ = ["validate"]


def validate(options: Namespace) -> int:
    """Check a configuration; with `--connect` read each transmitter and feed once and judge its map.

    Exit code 0 where all is well, 1 where with `--connect` something did not answer or does not fit, 2 where the
    configuration cannot be used: then every problem is a line on stderr.

    Keys of the `--json` document: `valid`; `problems` (list of texts; nothing else follows when not empty); `warnings`
    (list of texts: what is valid and yet looks wrong); `summary` (see `agent.commands.summary.summary_json`); with
    `--values` `values`, a list of {`key`, `value` (as TOML writes it, empty where there is none, secrets as stars),
    `origin`}; with `--connect` `connect`, by probe or feed as `agent.commands.table.look_json` has it and besides
    `fits`, a list of {`about`, `verdict`: fits, does_not_fit or cannot_tell, `text`}.
    """
    try:
        loaded = load(options.config)
    except ConfigError as error:
        return _refuse([str(problem) for problem in error.problems], options)
    problems = _problems(loaded)
    if problems:
        return _refuse(problems, options)
    try:
        summary = summarise(loaded)
    except ValueError as error:
        return _refuse([f"{loaded.path.name}: {error}"], options)
    if options.json:
        return _as_json(loaded, summary, options)
    for line in [f"{loaded.path.name} is valid.", "", *summary_lines(summary)]:
        print(line)
    for doubt in warnings(loaded.settings):
        for line in paragraph(f"Look again: {doubt}"):
            print(line)
    if options.values:
        print("\nvalues")
        for row in describe(loaded):
            print(f"  {row}")
    return asyncio.run(_connect_text(loaded)) if options.connect else 0


def _problems(loaded: Loaded) -> list[str]:
    """What the single keys do not show: options of alerts, and maps that cannot be read within their own limits."""
    settings, file = loaded.settings, loaded.path.name
    found = [f"{file}: {problem}" for problem in policy_problems(settings)]
    for kind, entries in (("probes", settings.probes), ("feeds", settings.feeds)):
        for name, at in entries.items():
            try:
                CompiledMap(settings.maps[at.map], at.address_shift)
            except ValueError as error:
                found.append(f"{file}: {kind}.{name} with maps.{at.map}: {error}")
    return found


def _refuse(problems: list[str], options: Namespace) -> int:
    for problem in problems:
        print(problem, file=sys.stderr)
    if options.json:
        print(json.dumps({"valid": False, "problems": problems}, indent=2))
    return 2


def _as_json(loaded: Loaded, summary: Summary, options: Namespace) -> int:
    document: dict[str, Any] = {"valid": True, "problems": [], "summary": summary_json(summary)}
    document["warnings"] = warnings(loaded.settings)
    if options.values:
        document["values"] = [{"key": row.key, "value": row.value, "origin": row.origin} for row in describe(loaded)]
    code = 0
    if options.connect:
        found = asyncio.run(connect(loaded.settings, SystemClock()))
        document["connect"] = found.as_json()
        code = 0 if found.good else 1
    print(json.dumps(document, indent=2))
    return code


async def _connect_text(loaded: Loaded) -> int:
    print("\nreading each transmitter once ...", flush=True)
    found = await connect(loaded.settings, SystemClock())
    for line in found.lines():
        print(line)
    for line in paragraph(found.verdict):
        print(line)
    return 0 if found.good else 1
