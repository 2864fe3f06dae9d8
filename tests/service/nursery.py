"""A process that has imported the agent and forks `flueward run` as often as wanted, so that a life begins at once.

`python -m tests.service.nursery CONFIG LOG`: each line on its input begins a life, whose process id it answers; each
life ends before the next one begins, and the line after it answers how. Not a test.
"""

import os
import sys
from pathlib import Path

import agent.commands.run  # noqa: F401 - what a life needs is here before it begins
from agent.cli import main


def live(config: Path, log: Path) -> None:
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(handle, 2)
    os._exit(main(["run", str(config)]))


def keep(config: Path, log: Path) -> None:
    for _ in sys.stdin:
        pid = os.fork()
        if pid == 0:
            live(config, log)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    keep(Path(sys.argv[1]), Path(sys.argv[2]))
