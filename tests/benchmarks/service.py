"""How many transmitters one core serves, the whole agent at work: `Service` against a bare pymodbus loop, in one run.

    python tests/benchmarks/service.py [--transmitters 200] [--seconds 60] [--broker] [--loop asyncio] [--json]

Simulated Modbus TCP transmitters of hot probes in service answer from another process on another core. Each client runs
alone in its own process on one core: `bare` is the loop of polling.py beside this, `service` is everything that
`flueward run` runs: polling, reconstruction, the detectors, alerts, conditions, heartbeat, the store on disk, and the
publisher, with a broker (on the other core) where --broker is given and trying to reach one otherwise. Reported are
polls per second of CPU time of the whole process, cycles missed, polls more than a tenth of a period late, and the
longest gap between two samples of a probe. Exit code 1 if a cycle was missed or the ratio is below the bar.
"""

import argparse
import asyncio
import contextlib
import json
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import polling

BAR = 0.6  # of bare pymodbus, polls per CPU second
WARM_UP_S = 28.0  # every probe's first step and its first condition are behind us
BARE_S = 6.0
LATE_S = 0.1
MAP = polling.MAP | {"conventions": polling.MAP["conventions"] | {"heater_output": "duty"}}


class Transmitter(polling.Transmitter):
    """Answers reads of the map's ten registers as a probe in service would, a little different each time."""

    rng = random.Random(7)

    def data_received(self, data):
        transaction, unit, function, address, count = struct.unpack(">H4xBBHH", data)
        draw = self.rng.random
        emf_low, emf_high = struct.unpack(">2H", struct.pack(">f", 40.7 + 0.1 * draw()))[::-1]
        seconds = int(0.4 * time.time()) % 2**32
        registers = (
            300 + int(10 * draw()), emf_low, emf_high, 7000 + int(3 * draw()), 450,
            400 + int(8 * draw()), seconds >> 16, seconds & 0xFFFF, 0, 0,
        )  # fmt: skip
        body = struct.pack(f">{count}H", *registers[address : address + count])
        header = struct.pack(">HHHBBB", transaction, 0, 2 * count + 3, unit, function, 2 * count)
        self.transport.write(header + body)


async def serve(transmitters: int, broker_in: str) -> None:
    loop = asyncio.get_running_loop()
    with contextlib.ExitStack() as stack:
        broker = 1  # nobody listens there
        if broker_in:
            from agent.demo.broker import DemoBroker

            broker = stack.enter_context(DemoBroker(Path(broker_in))).port
        servers = [await loop.create_server(Transmitter, polling.HOST, 0) for _ in range(transmitters)]
        ports = [server.sockets[0].getsockname()[1] for server in servers]
        print(json.dumps({"ports": ports, "broker": broker}), flush=True)
        await loop.run_in_executor(None, sys.stdin.read)  # until the parent lets go


async def whole(given: dict, seconds: float) -> dict:
    from agent.clock import SystemClock
    from agent.config.model import Log, Settings
    from agent.logs import make_log
    from agent.service import Service

    ports = given["ports"]
    folder = tempfile.mkdtemp(prefix="flueward-bench-")
    settings = Settings.model_validate(
        {
            "site": "bench",
            "agent": "bench",
            "data_dir": folder,
            "mqtt": {"host": polling.HOST, "port": given["broker"], "tls": False},
            "lines": {f"l{i}": {"kind": "tcp", "host": polling.HOST, "port": port} for i, port in enumerate(ports)},
            "maps": {"m": MAP},
            "probes": {f"p{i}": {"line": f"l{i}", "map": "m", "period_s": polling.PERIOD_S} for i in range(len(ports))},
        }
    )
    service = Service(
        settings, clock=SystemClock(), rng=random.Random(1), log=make_log(Log(level="warning", format="json"))
    )
    take = service.intake.sample
    last: dict[str, float] = {}
    done = failed = late = 0
    worst_s = 0.0
    counting = False

    def sample(one) -> None:
        nonlocal done, failed, late, worst_s
        take(one)
        done += 1
        if counting:
            failed += len(one.values) != 8
            gap_s = one.time_s - last.get(one.probe, one.time_s)
            late += gap_s > polling.PERIOD_S + LATE_S
            worst_s = max(worst_s, gap_s)
        last[one.probe] = one.time_s

    service.intake.sample = sample
    stop = asyncio.Event()
    running = asyncio.create_task(service.run(stop))
    try:
        await asyncio.sleep(WARM_UP_S - polling.WARM_UP_S)
        missed = service.counters.total("cycle_missed")
        counting = True
        result = await polling.measured(seconds, lambda: done)
        missed = service.counters.total("cycle_missed") - missed
    finally:
        stop.set()
        await running
        shutil.rmtree(folder)
    return result | {
        "missed_cycles": missed,
        "late": late,
        "failed": failed,
        "worst_gap_s": round(worst_s, 3),
    }


def child(mode: str, given: dict, seconds: float, *, uvloop: bool) -> dict:
    command = [sys.executable, __file__, "--mode", mode, "--seconds", str(seconds)] + ["--uvloop"] * uvloop
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    ran = subprocess.run(
        command,
        input=json.dumps(given),
        capture_output=True,
        text=True,
        env=environment,
        timeout=seconds + 90,
        check=False,
    )
    if ran.returncode:
        raise SystemExit(f"{mode} failed:\n{ran.stderr}")
    return json.loads(ran.stdout)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--transmitters", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--broker", action="store_true")
    parser.add_argument("--loop", choices=["asyncio", "uvloop", "both"], default="both")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--mode", choices=["serve", "bare", "service"], help=argparse.SUPPRESS)
    parser.add_argument("--broker-in", default="", help=argparse.SUPPRESS)
    parser.add_argument("--uvloop", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.mode == "serve":
        polling.pin(1)
        polling.run(serve(options.transmitters, options.broker_in), uvloop=False)
        return 0
    if options.mode is not None:
        polling.pin(0)
        given = json.loads(sys.stdin.read())
        work = (
            polling.bare(given["ports"], options.seconds) if options.mode == "bare" else whole(given, options.seconds)
        )
        print(json.dumps(polling.run(work, uvloop=options.uvloop)))
        return 0

    found = {"transmitters": options.transmitters, "broker": options.broker}
    loops = ("asyncio", "uvloop") if options.loop == "both" else (options.loop,)
    kept = True
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "--mode", "serve", "--transmitters", str(options.transmitters)]
        server = subprocess.Popen(
            command + ["--broker-in", folder] * options.broker,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )
        try:
            given = json.loads(server.stdout.readline())
            for loop in loops:
                fast = loop == "uvloop"
                # bare before and after: other work on the machine disturbs both
                rounds = [child("bare", given, BARE_S, uvloop=fast)]
                served = child("service", given, options.seconds, uvloop=fast)
                rounds.append(child("bare", given, BARE_S, uvloop=fast))
                bare = sum(each["polls"] for each in rounds) / sum(each["cpu_s"] for each in rounds)
                ratio = served["polls_per_cpu_s"] / bare
                found |= {f"bare_{loop}": rounds, f"service_{loop}": served, f"ratio_{loop}": round(ratio, 2)}
                kept &= ratio >= BAR and served["missed_cycles"] == 0 and served["failed"] == 0
        finally:
            server.stdin.close()
            server.wait(20)
            server.stdout.close()
    if options.json:
        print(json.dumps(found))
    else:
        for key, value in found.items():
            for each in value if isinstance(value, list) else [value]:
                print(f"{key:16} {each}")
        print(f"bar: ratio >= {BAR} and no missed cycle: {'kept' if kept else 'NOT kept'}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
