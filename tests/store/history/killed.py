"""A recording process to be killed: its clock runs fast, so that days begin and end while it lives. Not a test.

    python -m tests.store.history.killed FOLDER FAST COMMIT_S

Says on standard output each sample before it takes it, and when (monotonic seconds, the machine's).
"""

import sys
import threading
import time
from pathlib import Path

import structlog

from agent.counters import Counters
from agent.store.recorder import Recorder
from agent.store.sample_writer import Keeping
from tests.store.history.samples import COLUMNS, MIDNIGHT_S, made


class FastClock:
    """Event time that runs `fast` times as fast as the machine's monotonic one, from `start_s`."""

    def __init__(self, start_s: float, fast: float) -> None:
        self._start_s, self._fast, self._began_s = start_s, fast, time.monotonic()

    def utc(self) -> float:
        return round(self._start_s + self._fast * (time.monotonic() - self._began_s), 3)

    def monotonic(self) -> float:
        return time.monotonic()


def main() -> None:
    folder, fast, commit_s = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
    mark = folder / "clock"  # the machine's clock goes on while the process is dead
    start_s = MIDNIGHT_S
    if mark.exists():
        began_s, at_s = map(float, mark.read_text().split())
        start_s = began_s + fast * (time.monotonic() - at_s)
    else:
        mark.write_text(f"{start_s} {time.monotonic()}")
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    clock = FastClock(start_s, fast)
    recorder = Recorder(
        folder / "data",
        COLUMNS,
        clock=clock,
        counters=Counters(),
        log=structlog.get_logger(),
        keeping=Keeping(commit_s=commit_s, look_s=0.05, raw_days=36_500),
    )

    def work() -> None:
        while True:
            time.sleep(min(0.01, recorder.turn()))

    threading.Thread(target=work, daemon=True).start()
    while True:
        for probe, columns in COLUMNS.items():
            row = made(clock.utc(), len(columns))
            print(probe, row[0], time.monotonic(), flush=True)
            recorder.take(probe, row)
        time.sleep(0.002)


if __name__ == "__main__":
    main()
