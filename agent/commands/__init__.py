"""What each command does, given its parsed options. One module a command."""

from argparse import Namespace

__all__ = ["demo", "read", "run", "validate"]


def demo(options: Namespace) -> int:
    """`flueward demo`."""
    from agent.commands.demo import demo as command

    return command(options)


def read(options: Namespace) -> int:
    """`flueward read`."""
    from agent.commands.read import read as command

    return command(options)


def run(options: Namespace) -> int:
    """`flueward run`."""
    from agent.commands.run import run as command

    return command(options)


def validate(options: Namespace) -> int:
    """`flueward validate`."""
    from agent.commands.validate import validate as command

    return command(options)
