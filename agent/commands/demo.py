"""`flueward demo`."""

import sys
from argparse import Namespace

from agent.demo.broker import NoBrokerError
from agent.demo.show import run_demo
from agent.demo.terminal import Terminal

__all__ = ["demo"]


def demo(options: Namespace) -> int:
    """The invented plant, until it is over or somebody has seen enough."""
    terminal = Terminal(sys.stdout, sys.stderr, as_json=options.json)
    try:
        return run_demo(terminal, seconds=options.seconds, seed=options.seed)
    except (NoBrokerError, OSError) as error:
        print(f"flueward: {error}", file=sys.stderr)
        return 1
