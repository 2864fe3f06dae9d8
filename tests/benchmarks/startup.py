"""How soon `flueward run` polls, and how much memory it takes, with fifty probes.

    python tests/benchmarks/startup.py [--probes 50] [--rounds 3] [--seconds 30] [--json]

The command is started as a process of its own; a server on loopback notes when the first request comes. Memory is what
is resident (VmRSS, and its highest, VmHWM) after some seconds of polling. Between two rounds the data folder is kept in
one case and new in the other, since a restart also reads what it had saved. Exit code 1 if a bar is broken.
"""

import argparse
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

BAR_S = 2.0
BAR_MIB = 120.0
HOST = "127.0.0.1"
UNITS_A_LINE = 10
MAP = """
[maps.m]
conventions = { heater_output = "duty", o2_during_checks = "live", cell_emf_during_checks = "live" }
[maps.m.signals]
o2 = { address = 0, scale = 0.01 }
cell_emf = { address = 1, type = "int16", scale = 0.01 }
cell_temp = { address = 2, scale = 0.1 }
head_temp = { address = 3, scale = 0.1 }
heater_output = { address = 4, scale = 0.1 }
supply_voltage = { address = 5, scale = 0.1 }
stored_offset = { address = 6, type = "int16", scale = 0.01 }
air_check_active = { address = 7, bit = 0 }
"""
REGISTERS = (300, 4075, 7000, 450, 400, 2300, 0, 0)


class Server:
    """Answers reads of the map above, a thread a connection; knows when it was first asked."""

    def __init__(self) -> None:
        self._listening = socket.create_server((HOST, 0))
        self.port = self._listening.getsockname()[1]
        self.first_s: float | None = None
        self.requests = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            connection, _ = self._listening.accept()
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        try:
            while request := connection.recv(12):
                if self.first_s is None:
                    self.first_s = time.monotonic()
                self.requests += 1
                address, count = int.from_bytes(request[8:10]), int.from_bytes(request[10:12])
                body = b"".join(value.to_bytes(2) for value in REGISTERS[address : address + count])
                length = (3 + len(body)).to_bytes(2)
                connection.sendall(request[:4] + length + request[6:8] + bytes([len(body)]) + body)
        except OSError:
            pass
        finally:
            connection.close()


def write_config(folder: Path, ports: list[int], probes: int) -> Path:
    """A site of so many probes, ten units a line."""
    parts = [f'site = "bench"\nagent = "bench"\ndata_dir = "{folder / "data"}"\n']
    parts.append(f'[mqtt]\nhost = "{HOST}"\nport = 1\ntls = false\n{MAP}')
    for line, port in enumerate(ports):
        parts.append(f'[lines.l{line}]\nkind = "tcp"\nhost = "{HOST}"\nport = {port}\n')
    for probe in range(probes):
        line, unit = divmod(probe, UNITS_A_LINE)
        parts.append(f'[probes.p{probe}]\nline = "l{line}"\nunit = {unit + 1}\nmap = "m"\nperiod_s = 1.0\n')
    config = folder / "site.toml"
    config.write_text("\n".join(parts), encoding="utf-8")
    return config


def memory_mib(pid: int, what: str) -> float:
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{what}:"):
            return int(line.split()[1]) / 1024
    raise SystemExit(f"/proc/{pid}/status does not tell {what}")


def once(folder: Path, options: argparse.Namespace) -> dict:
    probes, seconds = options.probes, options.seconds
    servers = [Server() for _ in range((probes + UNITS_A_LINE - 1) // UNITS_A_LINE)]
    config = write_config(folder, [server.port for server in servers], probes)
    command = [str(Path(sys.executable).parent / "flueward"), "run", str(config)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    began_s = time.monotonic()
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        time.sleep(seconds)
        heard = [server.first_s for server in servers]
        if process.poll() is not None or None in heard:
            process.kill()
            raise SystemExit(f"flueward run did not poll every line:\n{process.communicate()[1]}")
        maps = Path(f"/proc/{process.pid}/maps").read_text(encoding="utf-8")
        return {
            "first_poll_s": round(min(heard) - began_s, 2),
            "every_line_s": round(max(heard) - began_s, 2),
            "rss_mib": round(memory_mib(process.pid, "VmRSS"), 1),
            "highest_mib": round(memory_mib(process.pid, "VmHWM"), 1),
            "polls": sum(server.requests for server in servers),
            "scipy_loaded": "/scipy/" in maps,
        }
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=10)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--probes", type=int, default=50)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as kept:
        found += [once(Path(kept), options) | {"folder": "kept"} for _ in range(options.rounds)]
    with tempfile.TemporaryDirectory() as new:
        found.append(once(Path(new), options) | {"folder": "new"})
    kept_bar = all(
        each["first_poll_s"] < BAR_S and each["highest_mib"] < BAR_MIB and not each["scipy_loaded"] for each in found
    )
    if options.json:
        print(json.dumps(found))
    else:
        for each in found:
            print(each)
        print(f"bar: first poll < {BAR_S} s, memory < {BAR_MIB} MiB, no scipy: {'kept' if kept_bar else 'NOT kept'}")
    return 0 if kept_bar else 1


if __name__ == "__main__":
    sys.exit(main())
