"""Reading ahead in a thread, so that the next stretch is being read while this one is judged."""

import threading
from collections.abc import Iterator
from contextlib import suppress
from queue import Empty, Full, Queue
from typing import Final

from detectors.stretch import Stretch

__all__ = ["ReadAhead"]

_LOOK_S: Final = 0.2  # how often a reader that waits looks whether anybody still wants it


class ReadAhead:
    """Iterates over the same stretches, one being read ahead. An error of the reader is raised where it is met."""

    def __init__(self, stretches: Iterator[Stretch]) -> None:
        self._stretches = stretches
        self._queue: Queue[Stretch | BaseException | None] = Queue(maxsize=1)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._read, name="read ahead", daemon=True)
        self._thread.start()

    def __iter__(self) -> "ReadAhead":
        return self

    def __next__(self) -> Stretch:
        if self._stop.is_set():
            raise StopIteration
        found = self._queue.get()
        if isinstance(found, Stretch):
            return found
        self._stop.set()
        if found is None:
            raise StopIteration
        raise found

    def close(self) -> None:
        """Nobody wants the rest. The reader has ended when this returns."""
        self._stop.set()
        with suppress(Empty):
            self._queue.get_nowait()
        self._thread.join()

    def _read(self) -> None:
        try:
            for stretch in self._stretches:
                if not self._put(stretch):
                    return
            self._put(None)
        except BaseException as error:  # noqa: BLE001 - handed to whoever iterates
            self._put(error)

    def _put(self, item: Stretch | BaseException | None) -> bool:
        while not self._stop.is_set():
            try:
                self._queue.put(item, timeout=_LOOK_S)
            except Full:
                continue
            return True
        return False
