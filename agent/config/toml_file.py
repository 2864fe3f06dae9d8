"""Read a TOML file whole, or say in one line why it cannot be read."""

import stat
import tomllib
from pathlib import Path
from typing import Any

from agent.config.errors import ConfigError, Problem

__all__ = ["DEEPEST", "LARGEST", "read_small_file", "read_toml", "too_deep"]

LARGEST = 4 * 2**20  # bytes; five hundred probes need a tenth of it
DEEPEST = 32  # tables in tables; the deepest key there is has 6 parts


def read_small_file(path: Path, largest: int) -> bytes | str:
    """The bytes of a regular file, or a sentence why not. Never blocks on a pipe and never reads beyond `largest`."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            return "is a folder, a file is wanted"
        if not stat.S_ISREG(mode):
            return "is not a regular file"
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except FileNotFoundError:
        return "does not exist"
    except PermissionError:
        return "may not be read by this user"
    except OSError as error:
        return f"cannot be read: {error.strerror or 'unknown reason'}"
    except ValueError:  # a NUL in the name
        return "is no name of a file"
    if len(content) > largest:
        return f"is larger than {largest} bytes"
    return content


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of the file at `path`.

    Raises
    ------
    ConfigError
        Missing, a folder, unreadable, over 4 MB, not UTF-8, not TOML (with line and column), nested too deep.
    """
    content = read_small_file(path, LARGEST)
    text = content if isinstance(content, str) else ""
    tables: dict[str, Any] = {}
    if isinstance(content, bytes):
        try:
            tables = tomllib.loads(content.decode("utf-8-sig"))  # Windows editors put a byte order mark first
            text = f"tables are nested deeper than {DEEPEST}" if too_deep(tables) else ""
        except UnicodeDecodeError as error:
            line = content.count(b"\n", 0, error.start) + 1
            text = f"is not UTF-8 text (line {line}, byte {error.start})"
        except tomllib.TOMLDecodeError as error:  # its text has the line and column, and no value
            text = f"is not valid TOML: {error}{_likely(str(error))}"
        except RecursionError:
            text = "is not valid TOML: brackets are nested too deep"
        except ValueError:  # Python refuses to read a whole number of thousands of digits
            text = "is not usable TOML: it holds a number of too many digits"
    else:
        text = f"{text} ({path.absolute()})"
    if text:  # raised here and not above, so that no other error, which may quote the file, hangs on it
        raise ConfigError([Problem(path.name or str(path), "", text)])
    return tables


def _likely(error: str) -> str:
    """What is behind most errors in a value: `host = 192.0.2.20` instead of `host = "192.0.2.20"`."""
    in_value = error.startswith(("Invalid value", "Expected newline or end of document after a statement"))
    return '; text needs quotes, as in key = "text"' if in_value else ""


def too_deep(tables: object, deepest: int = DEEPEST) -> bool:
    """Whether tables and lists are nested deeper than `deepest`; without recursion, since that is the point."""
    level: list[object] = [tables]
    for _ in range(deepest + 1):
        below: list[object] = []
        for item in level:
            if isinstance(item, dict):
                below.extend(value for value in item.values() if isinstance(value, dict | list))
            elif isinstance(item, list):
                below.extend(value for value in item if isinstance(value, dict | list))
        if not below:
            return False
        level = below
    return True
