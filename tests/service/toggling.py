"""A plant whose faults come and go every few seconds, in a process of its own. Not a test.

`python -m tests.service.toggling FOLDER` serves until killed, and writes its ports to FOLDER/ports.json.
"""

import asyncio
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from agent.simulate.encode import Image
from agent.simulate.modbus_server import ModbusServer
from tests.service.rig import Bench

LINES = {"one": ["east", "west", "mid"], "two": ["far", "near"], "three": ["quiet"]}
CYCLE_S = 3.0  # of each fault
COOLING_S = 1.9  # of it without heat
SILENT_S = 1.6
CHECK_S = 1.5


@dataclass
class Toggling(Bench):
    """All but `far` and `near` lose their heaters for a while in each cycle, `far` falls silent, `near` both; `quiet`
    is checked with air as well and keeps a healthy cell.
    """

    def registers(self, line: str, unit: int) -> Image | None:
        probe = self.lines[line][unit - 1]
        at = self.probes[probe]
        now_s = time.monotonic()
        phase_s = (now_s + 0.5 * list(self.probes).index(probe)) % CYCLE_S
        at.answers = not (probe in ("far", "near") and phase_s < SILENT_S)
        cooling = probe != "far" and phase_s < COOLING_S
        at.cooling_since_s = now_s - phase_s if cooling else None
        if probe == "quiet":
            at.air(0.4 if now_s % (2 * CHECK_S) < CHECK_S else None)
        return super().registers(line, unit)


async def serve(folder: Path) -> None:
    bench = Toggling(LINES, folder)
    bench.write({line: 502 + i for i, line in enumerate(LINES)}, 1883)  # the map is all that counts here
    async with ModbusServer(bench, dict.fromkeys(LINES, "tcp")) as server:
        ready = folder / "ports.tmp"
        ready.write_text(json.dumps(server.ports))
        ready.rename(folder / "ports.json")
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(Path(sys.argv[1])))
