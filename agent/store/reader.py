"""Read the store beside a running agent: for a view or a command."""

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

from agent.store.errors import StoreError, trouble_of
from agent.store.tables import read_rows

__all__ = ["load_rows"]


def load_rows(path: Path, kind: str) -> dict[str, dict[str, Any]]:
    """State rows of a kind, by key. Empty where there is no file yet. It takes no lock and changes nothing.

    Raises
    ------
    StoreError
        The file cannot be read; the message names it.
    """
    if not path.exists():
        return {}
    try:
        with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=2.0)) as open_:
            return read_rows(open_, kind)
    except sqlite3.Error as error:
        raise StoreError(trouble_of(error), f"{path} cannot be read: {error}") from error
