"""`flueward replay`: what these settings would have said over recorded history."""

import json
import os
import sys
import tempfile
from argparse import Namespace
from collections.abc import Iterable
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from math import inf
from pathlib import Path
from typing import Any

from agent.alerts.policy import policy_problems
from agent.commands.replayed import summary_json, summary_lines
from agent.commands.wide import paragraph
from agent.config.errors import ConfigError
from agent.config.load import load_settings
from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.logs import where
from agent.replay.engine import Replayed
from agent.replay.engine import replay as run_history
from agent.replay.files.folder import HistoryError, open_history
from agent.replay.progress import Progress
from agent.store.messages import encoded

__all__ = ["replay"]


def replay(options: Namespace) -> int:
    """Run recorded history through the pipeline that also runs live, and say what came of it.

    `--alerts FILE` gets the payload of every transition of an alert, a JSON line each, in order of time: the same ids,
    states and words as live. `sent_at` is null and `delayed` false in them: nobody was sent anything. `-` is standard
    output; the table then goes to standard error.

    Exit code 0 when done, 1 where a file could not be used, a probe could not be judged or there was nothing to read,
    2 where the configuration or the arguments cannot be used.

    Keys of the `--json` document: those of `agent.commands.replayed.summary_json`, and `error` (null or a text).
    """
    try:
        settings = load_settings(options.config)
    except ConfigError as error:
        return _refuse([str(problem) for problem in error.problems], options, 2)
    if faults := [*policy_problems(settings), *_faults(settings, options)]:
        return _refuse(faults, options, 2)
    try:
        return _run(settings, options)
    except HistoryError as error:
        return _refuse([str(error)], options, 1)
    except Exception as error:  # noqa: BLE001 - the last place: told, not thrown at a user
        return _refuse([f"a fault of this program, please report it: {error!r} at {where(error)}"], options, 1)


def _run(settings: Settings, options: Namespace) -> int:
    history = open_history(settings, options.history)
    progress = Progress(sys.stderr)
    try:
        done = run_history(
            settings,
            history,
            probes=options.probe,
            from_s=-inf if options.from_date is None else _start_s(options.from_date),
            to_s=inf if options.to_date is None else _start_s(options.to_date + timedelta(days=1)),
            jobs=options.jobs,
            progress=progress,
        )
    finally:
        progress.close()
    done.problems.merge(history.noticed)
    error_text: str | None = None
    if options.alerts is not None:
        try:
            _write(options.alerts, done.alerts)
        except OSError as error:
            error_text = f"--alerts: {options.alerts} could not be written: {error.strerror or error}"
    if not done.probes and error_text is None:
        error_text = "nothing was judged: there is no row of these probes in that time"
    out = sys.stderr if options.alerts == "-" else sys.stdout
    if options.json:
        print(json.dumps({**summary_json(done), "error": error_text}, indent=2), file=out)
    else:
        for line in summary_lines(done):
            print(line, file=out)
    if error_text is not None:
        print(error_text, file=sys.stderr)
    return 1 if error_text is not None or _incomplete(done, options) else 0


def _faults(settings: Settings, options: Namespace) -> list[str]:
    faults = [
        f"--probe: got {probe!r}, no such probe{did_you_mean(probe, settings.probes)}"
        for probe in options.probe or ()
        if probe not in settings.probes
    ]
    if options.from_date and options.to_date and options.from_date > options.to_date:
        faults.append(f"--from {options.from_date} is later than --to {options.to_date}")
    if not options.history.exists():
        faults.append(f"--history: {options.history}: no such folder")
    if options.alerts not in (None, "-"):
        path = Path(options.alerts)
        if path.is_dir():
            faults.append(f"--alerts: {path} is a folder: wanted is a file, or - for standard output")
        elif not path.absolute().parent.is_dir():
            faults.append(f"--alerts: there is no folder {path.absolute().parent}")
    return faults


def _incomplete(done: Replayed, options: Namespace) -> bool:
    """Whether something that was asked for is missing from the answer."""
    unused = any(entry.what.startswith("not used") for entry in done.problems)
    return unused or bool(done.failed) or bool(options.probe and done.without)


def _start_s(day: date) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()


def _write(target: str, payloads: Iterable[dict[str, Any]]) -> None:
    """JSON lines. A file is there whole or as it was before."""
    lines = (f"{encoded(payload)}\n" for payload in payloads)
    if target == "-":
        sys.stdout.writelines(lines)
        sys.stdout.flush()
        return
    path = Path(target)
    handle, name = tempfile.mkstemp(dir=path.absolute().parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.writelines(lines)
            file.flush()
            os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise


def _refuse(faults: list[str], options: Namespace, code: int) -> int:
    for fault in faults:
        for line in paragraph(fault, hang=2) if code == 1 and "\n" not in fault else [fault]:
            print(line, file=sys.stderr)
    if options.json:
        document = {**summary_json(Replayed()), "error": "; ".join(faults)}
        print(json.dumps(document, indent=2), file=sys.stderr if options.alerts == "-" else sys.stdout)
    return code
