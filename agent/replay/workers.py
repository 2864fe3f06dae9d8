"""Groups of probes over all cores: worker processes that take one group after another.

A worker that dies costs the group that it had, and is replaced; one that is told to stop leaves nothing behind.
"""

import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Final

from agent.config.model import Settings
from agent.replay.group_run import run_group
from agent.replay.result import GroupResult
from agent.replay.source import History

__all__ = ["Work", "run_groups"]

_END_S: Final = 5.0  # for a worker that was told that there is nothing left

Group = tuple[str, ...]
Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Work:
    """What every worker is told once."""

    history: History
    settings: Settings
    from_s: float = -inf
    to_s: float = inf

    def run(self, group: Group, progress: Progress | None = None) -> GroupResult:
        """One group, here."""
        return run_group(self.history, self.settings, group, from_s=self.from_s, to_s=self.to_s, progress=progress)


def run_groups(work: Work, groups: Iterable[Group], jobs: int, progress: Progress | None) -> dict[Group, GroupResult]:
    """The result of every group. With one job, in this process."""
    waiting = deque(groups)
    jobs = min(jobs, len(waiting))
    if jobs <= 1:
        return {group: work.run(group, progress) for group in waiting}
    context = multiprocessing.get_context("spawn")
    workers: dict[Connection, _Worker] = {}
    out: dict[Group, GroupResult] = {}
    try:
        while waiting or workers:
            while waiting and len(workers) < jobs:
                worker = _Worker(context, work)
                workers[worker.link] = worker
                worker.give(waiting)
            for link in wait(list(workers)):
                worker = workers[link]  # type: ignore[index]
                told = worker.told()
                if isinstance(told, GroupResult):
                    out[worker.group] = told
                    if told.failed is _DIED or not worker.give(waiting):
                        workers.pop(worker.link).end()
                elif progress is not None:
                    progress(told)
    finally:
        for worker in workers.values():
            worker.kill()
    return out


_DIED: Final = "its worker process ended without a word; out of memory is the usual reason"


class _Worker:
    def __init__(self, context: Any, work: Work) -> None:
        self.link, theirs = context.Pipe()
        self._process: BaseProcess = context.Process(target=_serve, args=(theirs, work), daemon=True)
        self._process.start()
        theirs.close()
        self.group: Group = ()

    def give(self, waiting: deque[Group]) -> bool:
        """Hand over the next group; False where there is none."""
        if not waiting:
            return False
        self.group = waiting.popleft()
        with suppress(OSError):  # it has died: that shows when it is listened to
            self.link.send(self.group)
        return True

    def told(self) -> int | GroupResult:
        """Rows taken, or the result of its group."""
        try:
            found: int | GroupResult = self.link.recv()
        except (EOFError, OSError):
            found = GroupResult(failed=_DIED)
        return found

    def end(self) -> None:
        self.link.close()
        self._process.join(_END_S)
        self.kill()

    def kill(self) -> None:
        if self._process.is_alive():
            self._process.terminate()
            self._process.join(_END_S)
        self.link.close()


def _serve(link: Connection, work: Work) -> None:
    """A worker's life: groups in, rows taken and results out, until nobody is there any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever started it is told, and ends it
    with suppress(EOFError, OSError):
        while True:
            group = link.recv()
            link.send(work.run(group, link.send))
