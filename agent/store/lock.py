"""One agent per data folder: a lock that the kernel drops when its holder dies, however it dies."""

import contextlib
import fcntl
import os
from pathlib import Path

from agent.store.errors import DataDirInUse, StoreError, Trouble

__all__ = ["FolderLock"]


class FolderLock:
    """Holds an exclusive `flock` on a file until released or the process ends.

    Raises
    ------
    DataDirInUse
        Another process holds it.
    StoreError
        The file can be neither made nor opened, for a reason that a person has to mend.
    """

    def __init__(self, path: Path) -> None:
        self._fd = self._open(path)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            pid = self._read_pid(path)
            os.close(self._fd)
            who = "another process" if pid is None else f"process {pid}"
            raise DataDirInUse(
                f"{path.parent} is in use: {who} already runs an agent on it. Stop that one, or give this agent "
                "a data_dir of its own",
                pid,
            ) from error
        # On a full or read-only disk the pid cannot be written; the lock holds all the same.
        with contextlib.suppress(OSError):
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    @staticmethod
    def _open(path: Path) -> int:
        try:
            return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except PermissionError as error:
            raise StoreError(
                Trouble.PERMISSION,
                f"{path} cannot be written by user {os.getuid()}: give the folder to the user that runs the agent "
                f"(chown -R USER {path.parent})",
            ) from error
        except OSError:
            # Full or read-only: a folder can be locked as well as a file.
            try:
                return os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
            except OSError as error:
                raise StoreError(Trouble.CANNOT_OPEN, f"{path.parent}: {error.strerror}") from error

    @staticmethod
    def _read_pid(path: Path) -> int | None:
        try:
            return int(path.read_text(encoding="ascii"))
        except (OSError, ValueError):
            return None

    def release(self) -> None:
        """Let go. The file stays: removing it would let two processes hold two locks of one name."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
