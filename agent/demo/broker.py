"""An MQTT broker for the demo, from a Python package, in a process of its own."""

import os
import signal
import socket
from pathlib import Path
from types import TracebackType
from typing import Any, Final

__all__ = ["DemoBroker", "NoBrokerError", "free_port"]

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
        self._settings.write_text(_SETTINGS.format(port=self.port), encoding="utf-8")
        self._broker = Broker(config_path=str(self._settings))
        # The child inherits what is ignored: a Ctrl-C in the terminal is ours to answer, and the child is then ended.
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
        quiet = os.open(os.devnull, os.O_WRONLY)
        out, err = os.dup(1), os.dup(2)
        try:
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            self._broker.start()
        except (OSError, RuntimeError) as error:
            raise NoBrokerError(f"the demo's broker did not start on 127.0.0.1:{self.port}: {error}") from error
        finally:
            os.dup2(out, 1)
            os.dup2(err, 2)
            for handle in (quiet, out, err):
                os.close(handle)
            signal.signal(signal.SIGINT, before)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._broker.stop(timeout=1.0)
