"""The text of a file as UTF-8, however it is packed and encoded: plain or gzip, with or without a mark, UTF-16 too."""

import codecs
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from agent.replay.files.source import UnreadableError

__all__ = ["CutShortError", "DamagedError", "blocks", "head_of", "packing_of", "tail_of"]

_READ: Final = 1 << 20
_HEAD: Final = 1 << 15
_GZIP: Final = b"\x1f\x8b"
_CONTROL: Final = (*range(9), *range(14, 32))  # bytes that no text has
_FOREIGN: Final = (
    (b"PK\x03\x04", "it is a zip archive or a spreadsheet: save it as CSV"),
    (b"PAR1", "it is a Parquet file: name it .parquet"),
    (b"\x28\xb5\x2f\xfd", "it is packed with zstd: unpack it, or pack it with gzip"),
    (b"SQLite format 3", "it is an SQLite database, not CSV"),
    (b"\xd0\xcf\x11\xe0", "it is a spreadsheet: save it as CSV"),
)


class CutShortError(Exception):
    """The packed file ends in its middle; what came before is good."""


class DamagedError(Exception):
    """The packed file is not what was written: nothing of it is sure."""


def blocks(path: Path, size: int) -> Iterator[bytes]:
    """The text in parts of about `size` bytes that end with whole lines; the last line may lack its end.

    Raises
    ------
    UnreadableError
        Before anything was given: it is no text, or may not be read.
    CutShortError
        After the last whole line, where the packed file is cut off.
    DamagedError
        As soon as it is found.
    """
    waiting: list[bytes] = []
    length = 0
    cut: CutShortError | None = None
    try:
        for part in _utf8(path):
            waiting.append(part)
            length += len(part)
            if length < size:
                continue
            text = b"".join(waiting)
            end = text.rfind(b"\n") + 1
            if end:
                yield text[:end]
            waiting, length = [text[end:]], len(text) - end
    except CutShortError as error:
        cut = error
    text = b"".join(waiting)
    if cut is not None:
        text = text[: text.rfind(b"\n") + 1]
    if text:
        yield text
    if cut is not None:
        raise cut


def head_of(path: Path) -> bytes:
    """The first whole lines, about 32 kB.

    Raises
    ------
    UnreadableError
        As `blocks`; or there is nothing.
    """
    text = b""
    try:
        for part in _utf8(path, _HEAD // 4):
            text += part
            if len(text) >= _HEAD:
                text = text[: text.rfind(b"\n") + 1]
                break
    except CutShortError:
        text = text[: text.rfind(b"\n") + 1]
    except DamagedError as error:
        raise UnreadableError(str(error)) from None
    if sum(text[:4096].count(bytes([code])) for code in _CONTROL) > 2:
        raise UnreadableError("it is no CSV text")
    if not text.strip():
        raise UnreadableError("it is empty")
    return text


def packing_of(path: Path) -> float:
    """How many bytes of text a byte of the file holds, by its beginning."""
    with path.open("rb") as file:
        data = file.read(_HEAD)
    if not data.startswith(_GZIP):
        return 0.5 if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else 1.0
    member = zlib.decompressobj(31)
    try:
        return len(member.decompress(data)) / max(1, len(data) - len(member.unused_data))
    except zlib.error:
        return 1.0


def tail_of(path: Path) -> bytes:
    """The last whole lines, about 32 kB at most; quick where the file is not packed, else it is read through."""
    try:
        with path.open("rb") as file:
            first = file.read(4)
            if not first.startswith((_GZIP, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
                file.seek(max(0, path.stat().st_size - _HEAD))
                text = file.read()
                return text[: text.rfind(b"\n") + 1]
    except OSError:
        return b""
    last = b""
    try:
        for part in _utf8(path):
            last = (last + part)[-_HEAD:]
    except (CutShortError, DamagedError):
        pass
    return last[: last.rfind(b"\n") + 1]


def _utf8(path: Path, read: int = _READ) -> Iterator[bytes]:
    parts = _unpacked(path, read)
    first = b""
    for part in parts:
        first += part
        if len(first) >= 64:
            break
    for mark, what in _FOREIGN:
        if first.startswith(mark):
            raise UnreadableError(what)
    if first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in first[:64]:
        yield from _from_utf16(first, parts)
        return
    yield first.removeprefix(codecs.BOM_UTF8)
    yield from parts


def _from_utf16(first: bytes, parts: Iterator[bytes]) -> Iterator[bytes]:
    if first.startswith(codecs.BOM_UTF16_LE) or first[1:2] == b"\0":
        name = "utf-16-le"
    elif first.startswith(codecs.BOM_UTF16_BE) or first[:1] == b"\0":
        name = "utf-16-be"
    else:
        raise UnreadableError("it is no text: there are zero bytes in it")
    decoder = codecs.getincrementaldecoder(name)("replace")
    yield decoder.decode(first).removeprefix("\ufeff").encode()
    for part in parts:
        yield decoder.decode(part).encode()


def _unpacked(path: Path, read: int) -> Iterator[bytes]:
    try:
        with path.open("rb") as file:
            first = file.read(read)
            if first.startswith(_GZIP):
                yield from _gunzipped(first, file, read)
                return
            while first:
                yield first
                first = file.read(read)
    except IsADirectoryError:
        raise UnreadableError("it is a folder") from None
    except PermissionError:
        raise UnreadableError("this user may not read it") from None
    except OSError as error:
        raise UnreadableError(f"it cannot be read: {error.strerror or error}") from None


def _gunzipped(data: bytes, file: BinaryIO, read: int) -> Iterator[bytes]:
    """One gzip member after the other. The library's own reader loses what it has when the file breaks off."""
    member = zlib.decompressobj(31)
    while data:
        try:
            text = member.decompress(data)
        except zlib.error as error:
            raise DamagedError(f"damaged ({error})") from None
        if text:
            yield text
        if member.eof:
            data = member.unused_data.lstrip(b"\0") or file.read(read).lstrip(b"\0")
            if data and not data.startswith(_GZIP[: len(data)]):
                raise DamagedError("damaged (something that is not gzip follows its end)")
            member = zlib.decompressobj(31)
            if not data:
                return
        else:
            data = file.read(read)
    raise CutShortError("cut short: it ends in the middle")
