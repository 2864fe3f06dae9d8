"""`flueward demo`."""

import sys
from argparse import Namespace

from agent.demo.broker import NoBrokerError
from agent.demo.screen import Screen
from agent.demo.show import run_demo

__all__ = ["demo"]


def demo(options: Namespace) -> int:
    """The invented plant, until it is over or somebody has seen enough."""
    screen = Screen(sys.stdout, as_json=options.json)
    try:
        return run_demo(screen, seconds=options.seconds, seed=options.seed)
    except NoBrokerError as error:
        print(f"flueward: {error}", file=sys.stderr)
        return 1
