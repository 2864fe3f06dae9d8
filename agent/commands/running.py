"""Is an agent at work on this data folder? Told without touching its lock."""

import contextlib
import os
from pathlib import Path

__all__ = ["running_agent"]


def running_agent(data_dir: Path) -> int | None:
    """The process id of the agent that holds the folder, or None.

    The lock itself is not tried: an agent that starts in that instant would find it taken. The process in the lock file
    counts when the kernel's list of locks has it, or, where that list cannot be read, when such a process exists.
    """
    lock = data_dir / "flueward.lock"
    try:
        pid, inode = int(lock.read_text(encoding="ascii")), lock.stat().st_ino
    except (OSError, ValueError):
        return None
    if pid == os.getpid() or pid <= 0:
        return None
    with contextlib.suppress(OSError):
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            part = line.split()  # 1: FLOCK ADVISORY WRITE <pid> <major>:<minor>:<inode> 0 EOF, proc_locks(5)
            if len(part) > 5 and part[1] == "FLOCK" and part[4] == str(pid) and part[5].endswith(f":{inode}"):
                return pid
        return None
    with contextlib.suppress(OSError, OverflowError):
        os.kill(pid, 0)
        return pid
    return None
