"""Text files that only grow, line by line, for ever. A last line torn by a power cut is mended, never doubled."""

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

__all__ = ["append_lines", "free_name", "read_tail", "sync_folder"]

_TAIL: Final = 64 * 1024


def read_tail(path: Path, size: int = _TAIL) -> list[str]:
    """The last whole lines of a file, the first of all included where the file is that short; none without a file."""
    try:
        with path.open("rb") as file:
            end = file.seek(0, os.SEEK_END)
            first = max(0, end - size)
            file.seek(first)
            data = file.read()
    except FileNotFoundError:
        return []
    lines = data[: data.rfind(b"\n") + 1].split(b"\n")[:-1]
    if first:  # in the middle of a line
        lines = lines[1:]
    return [line.decode("utf-8", "replace") for line in lines]


def append_lines(
    path: Path, lines: Iterable[str], *, whole: Callable[[str], bool], header: str = "", sync: bool = True
) -> int:
    """Append lines (without their ends) after the last whole one; returns how many bytes of torn ones were cut off.

    `whole` says whether a line is one of ours: after a power cut the end of a file may be anything. A new file begins
    with `header`, where there is one. A file in which nothing is whole is moved aside and begun anew.
    """
    text = "".join(f"{line}\n" for line in lines)
    path.parent.mkdir(parents=True, exist_ok=True)
    new = not path.exists()
    if not new and not _ours(path, whole, header):
        os.replace(path, free_name(path, "damaged"))
        new = True
    with path.open("w+b" if new else "r+b") as file:
        size = file.seek(0, os.SEEK_END)
        end = _whole_end(file.fileno(), size, whole)
        if end < size:
            file.truncate(end)
        file.seek(end)
        try:
            file.write((f"{header}\n{text}" if end == 0 and header else text).encode())
            file.flush()
            if sync:
                os.fsync(file.fileno())
        except OSError:
            file.truncate(end)  # no half a line because the disk is full
            raise
    if new and sync:
        sync_folder(path.parent)
    return size - end


def free_name(path: Path, word: str) -> Path:
    """`path` with `.word`, and a number where that is taken."""
    found, number = path.with_name(f"{path.name}.{word}"), 1
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name}.{word}-{number}")
    return found


def _ours(path: Path, whole: Callable[[str], bool], header: str) -> bool:
    with path.open("rb") as file:
        if f"{header}\n".encode().startswith(file.read(len(header) + 2)):  # empty, or torn at the first write
            return True
        return _whole_end(file.fileno(), file.seek(0, os.SEEK_END), whole) > 0


def _whole_end(number: int, size: int, whole: Callable[[str], bool]) -> int:
    """Where the last whole line ends."""
    end = size
    while end > 0:
        first = max(0, end - _TAIL)
        data = os.pread(number, end - first, first)
        stop = data.rfind(b"\n") + 1
        while stop:
            start = data.rfind(b"\n", 0, stop - 1) + 1
            if start == 0 and first > 0:  # it begins before what was read
                break
            if whole(data[start : stop - 1].decode("utf-8", "replace")):
                return first + stop
            stop = start
        end = first + stop if 0 < stop < len(data) else first
    return 0


def sync_folder(folder: Path) -> None:
    """A new name survives a power cut only once the folder is on the disk too."""
    number = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(number)
    finally:
        os.close(number)
