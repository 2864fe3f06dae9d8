"""The commands. Each returns its exit code: 0 done, 1 it ran and the answer is no, 2 usage or configuration."""

import argparse
import sys
from collections.abc import Sequence
from datetime import date
from importlib.metadata import version
from pathlib import Path

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Parse the command line and run one command; never a traceback at a user."""
    parser = _parser()
    options = parser.parse_args(argv)
    if options.command is None:
        parser.print_help()
        return 2
    from importlib import import_module

    try:
        # Each command brings its own imports, which take a second: a look at --help should not cost it, nor a Ctrl-C
        # within it show a traceback.
        command = getattr(import_module(f"agent.commands.{options.command}"), options.command)
        return int(command(options))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output has gone; nothing more can be said
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flueward",
        description="Watches the parts of in-situ zirconia oxygen analyzers over Modbus and tells early, over MQTT, "
        "which one is going bad and which check to make first. It only reads; it is no protective function.",
    )
    parser.add_argument("--version", action="version", version=f"flueward {version('flueward')}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    run = commands.add_parser("run", help="the service: poll, judge, publish, until SIGTERM")
    _config(run)

    validate = commands.add_parser(
        "validate", help="check a configuration; with --connect also read each transmitter once"
    )
    _config(validate)
    validate.add_argument(
        "--connect", action="store_true", help="read each transmitter and feed once and judge the map"
    )
    validate.add_argument("--values", action="store_true", help="list every effective key and where it came from")
    validate.add_argument("--json", action="store_true", help="one JSON document instead of text")

    read = commands.add_parser("read", help="one look at a probe now, raw registers to reconstructed values")
    _config(read)
    read.add_argument("probe", metavar="PROBE", nargs="?", help="id of a probe or a feed; all when left out")
    read.add_argument("--json", action="store_true", help="one JSON document instead of text")

    export = commands.add_parser("export", help="recorded history as Parquet, a file a day (needs the tuning extra)")
    _config(export)
    export.add_argument("--to", type=Path, required=True, metavar="DIR", help="folder for probe=<id>/date=....parquet")
    export.add_argument("--from", type=_day, dest="from_date", metavar="DATE", help="first UTC day, as 2026-01-31")
    export.add_argument("--to-date", type=_day, metavar="DATE", help="last UTC day")
    export.add_argument("--probe", action="append", metavar="ID", help="only this probe; may be said several times")
    export.add_argument("--json", action="store_true", help="one JSON document instead of text")

    replay = commands.add_parser("replay", help="what this configuration would have said over recorded history")
    _config(replay)
    replay.add_argument("--history", type=Path, required=True, metavar="DIR", help="folder with probe=<id>/ or files")
    replay.add_argument(
        "--alerts", metavar="FILE", help="payloads of all transitions, JSON lines; - for standard output"
    )
    replay.add_argument("--from", type=_day, dest="from_date", metavar="DATE", help="first UTC day, as 2026-01-31")
    replay.add_argument("--to", type=_day, dest="to_date", metavar="DATE", help="last UTC day")
    replay.add_argument("--probe", action="append", metavar="ID", help="only this probe; may be said several times")
    replay.add_argument("--jobs", type=_count, metavar="N", help="processes (as many as there are cores)")
    replay.add_argument("--json", action="store_true", help="one JSON document instead of text")

    demo = commands.add_parser("demo", help="an invented plant, a season of history, then live: alerts in a minute")
    demo.add_argument("--seconds", type=_positive, metavar="N", help="end by itself after N seconds of live")
    demo.add_argument("--seed", type=int, default=1, metavar="N", help="another plant of the same kind (default 1)")
    demo.add_argument("--json", action="store_true", help="payloads as they were published, one JSON line each")
    return parser


def _config(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("config", metavar="CONFIG", type=Path, help="the configuration, a TOML file")


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a day like 2026-01-31, got {text!r}") from None


def _count(text: str) -> int:
    if not text.isascii() or not text.isdecimal() or not 1 <= int(text[:6]) <= 1024:
        raise argparse.ArgumentTypeError(f"must be a whole number from 1 to 1024, got {text!r}")
    return int(text)


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value < 1e9:
        raise argparse.ArgumentTypeError(f"must be a number of seconds above 0, got {text!r}")
    return value


if __name__ == "__main__":
    sys.exit(main())
