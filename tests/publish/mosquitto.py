"""A real broker of our own on a free port, and an independent listener. Not a test."""

import json
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties


def needed(program: str) -> str:
    """The path of a program; its absence skips at home and fails in CI, where nobody would notice a skip."""
    found = shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if found is None:
        say = pytest.fail if os.environ.get("CI") == "true" else pytest.skip
        say(f"{program} is not installed (Debian: apt-get install {program})")
        raise AssertionError
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """One broker; `start` and `stop` as often as wanted, always on the same port. It forgets, unless told to keep."""

    def __init__(
        self, folder: Path, settings: str = "allow_anonymous true", *, keep: bool = False, memory: bool = True
    ) -> None:
        self.port = free_port()
        self._program = needed("mosquitto")
        self._settings = folder / f"mosquitto-{self.port}.conf"
        self._log = folder / f"mosquitto-{self.port}.log"
        user = "user root\n" if os.getuid() == 0 else ""  # else it changes to a user who cannot read the test's files
        memory = (
            f"persistence true\npersistence_location {folder}/\nmax_queued_messages 0" if keep else "persistence false"
        )
        self._settings.write_text(f"{user}listener {self.port} 127.0.0.1\n{memory}\n{settings}\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([self._program, "-c", str(self._settings)], stdout=log, stderr=log)
        deadline = time.monotonic() + 5.0
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
            except OSError:
                if self._process.poll() is not None or time.monotonic() > deadline:
                    raise AssertionError(self._log.read_text()) from None
                time.sleep(0.01)
            else:
                return

    def stop(self, *, kill: bool = False) -> None:
        if self._process is not None:
            if kill:
                self._process.kill()
            else:
                self._process.terminate()
            self._process.wait(5)
            self._process = None

    def __enter__(self) -> "Mosquitto":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop(kill=True)


class Listener:
    """Hears everything that it may, on a thread of its own, and through its session what came while it was away."""

    def __init__(self, port: int, topic: str = "#", setup: Callable[[paho.Client], None] | None = None) -> None:
        self.heard: list[tuple[str, Any, bool]] = []  # topic, payload, retained
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "listener", protocol=MQTTProtocolVersion.MQTTv5)
        self._client.reconnect_delay_set(0.02, 0.1)  # type: ignore[arg-type]
        self._topic = topic
        self._client.on_connect = lambda client, *_: client.subscribe(self._topic, qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._hear
        if setup is not None:
            setup(self._client)
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        self._client.connect_async("localhost", port, clean_start=False, properties=session)

    def _hear(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        payload = json.loads(message.payload) if message.payload else None
        self.heard.append((message.topic, payload, message.retain))

    def wait(self) -> None:
        """Until it hears."""
        assert self._ready.wait(5), "the listener could not subscribe"
        self._ready.clear()

    def __enter__(self) -> "Listener":
        self._client.loop_start()
        self.wait()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def seqs(self, topic: str) -> list[int]:
        """Sequence numbers heard on a topic, repeats and all."""
        return [payload["seq"] for at, payload, _ in list(self.heard) if at == topic and payload is not None]


def first_arrivals(seqs: list[int]) -> list[int]:
    """Without the repeats that 'at least once' allows."""
    return list(dict.fromkeys(seqs))
