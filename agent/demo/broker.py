"""An MQTT broker for the demo, from a Python package, in a process of its own."""

import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final

__all__ = ["DemoBroker", "NoBrokerError", "free_port"]

_TRIES: Final = 3
_START_S: Final = 20.0  # a busy machine takes its time

_SETTINGS: Final = """
id = 0

[router]
max_connections = 50
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 5

[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 10000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
"""


class NoBrokerError(RuntimeError):
    """The broker cannot be started; the message says why and what to do."""


def free_port() -> int:
    """A TCP port of the loopback interface that nobody uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class DemoBroker:
    """A broker that speaks MQTT 5 on the loopback interface while the context lasts; nothing of it is left behind."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._settings = folder / "broker.toml"
        self._broker: Any = None

    def __enter__(self) -> "DemoBroker":
        try:
            from iotcore.broker import Broker
        except ImportError as error:
            raise NoBrokerError(
                "the demo needs a broker, which comes with the extra: pip install 'flueward[demo]'"
            ) from error
        for attempt in range(_TRIES):
            self._settings.write_text(_SETTINGS.format(port=self.port), encoding="utf-8")
            self._broker = Broker(config_path=str(self._settings))
            try:
                with _aside():
                    self._broker.start(timeout=_START_S)
                return self
            except (OSError, RuntimeError) as error:
                self._broker.stop(timeout=1.0)
                if attempt == _TRIES - 1:
                    raise NoBrokerError(f"the demo's broker did not start on 127.0.0.1:{self.port}: {error}") from error
            self.port = free_port()  # somebody else may have taken it meanwhile
        raise AssertionError

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._broker.stop(timeout=1.0)


@contextmanager
def _aside() -> Iterator[None]:
    """Start a child that neither writes to our terminal nor is ended by what is typed there: we end it ourselves."""
    blocked = {getattr(signal, name) for name in ("SIGINT", "SIGHUP") if hasattr(signal, name)}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, blocked)  # inherited; what comes meanwhile waits for us
    kept: list[tuple[int, int]] = []
    try:
        quiet = os.open(os.devnull, os.O_RDWR)
        for number in (1, 2):
            try:
                kept.append((number, os.dup(number)))
            except OSError:  # closed: the child shall not get another file under its number
                continue
            os.dup2(quiet, number)
        os.close(quiet)
        yield
    finally:
        for number, copy in kept:
            os.dup2(copy, number)
            os.close(copy)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
