"""What was skipped or repaired while history was read, by file and kind, with rows counted: nothing goes unsaid."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

__all__ = ["Entry", "Problems"]

_MOST: Final = 2000  # entries that are kept apart; beyond that, rows are counted by kind under one name
_OTHER: Final = "(other files)"


@dataclass(frozen=True, slots=True)
class Entry:
    """One kind of thing in one file."""

    file: str
    what: str
    rows: int  # 0 where it is not about single rows
    first_row: int | None  # 1 is the file's first row of data, the header not counted
    told: int = 1  # how often it was said: of how many files, where files are not kept apart

    def __str__(self) -> str:
        """One line."""
        if not self.rows:
            return f"{self.file}: {self.what}" + (f" ({self.told} times)" if self.file == _OTHER else "")
        rows = "1 row" if self.rows == 1 else f"{self.rows} rows"
        first = "" if self.first_row is None else f", first in row {self.first_row}"
        return f"{self.file}: {self.what} ({rows}{first})"


@dataclass(slots=True)
class Problems:
    """Plain data, so that it crosses process borders; `merge` joins what several workers found."""

    _entries: dict[tuple[str, str], Entry] = field(default_factory=dict)

    def add(self, file: str, what: str, *, rows: int = 0, first_row: int | None = None) -> None:
        """Count `rows` rows of `file` (its name within the folder) under `what`, the same phrase for the same kind."""
        self._join(Entry(file, what, rows, first_row))

    def merge(self, other: "Problems") -> None:
        """Take over what another found."""
        for entry in other:
            self._join(entry)

    def _join(self, entry: Entry) -> None:
        file, first_rows = entry.file, [entry.first_row]
        if (file, entry.what) not in self._entries and len(self._entries) >= _MOST:
            file, first_rows = _OTHER, []
        key = (file, entry.what)
        if (had := self._entries.get(key)) is None:
            self._entries[key] = Entry(file, entry.what, entry.rows, first_rows[0] if first_rows else None, entry.told)
            return
        known = [row for row in (had.first_row, *first_rows) if row is not None]
        first = min(known, default=None)
        self._entries[key] = Entry(file, entry.what, had.rows + entry.rows, first, had.told + entry.told)

    @property
    def rows_by_kind(self) -> dict[str, int]:
        """Rows by kind, over all files; a kind about whole files counts its files."""
        found: dict[str, int] = {}
        for entry in self:
            found[entry.what] = found.get(entry.what, 0) + (entry.rows or entry.told)
        return found

    def lines(self, most: int = 40) -> list[str]:
        """For people: a line for each file and kind, by file name; what is left over in one line."""
        entries = sorted(self, key=lambda entry: (entry.file, entry.what))
        left = len(entries) - most
        return [str(entry) for entry in entries[:most]] + ([f"... and {left} more of this kind"] if left > 0 else [])

    def as_json(self) -> list[dict[str, Any]]:
        """Every entry as JSON-able data: `file`, `what`, `rows`, `first_row`."""
        return [
            {"file": entry.file, "what": entry.what, "rows": entry.rows, "first_row": entry.first_row} for entry in self
        ]

    def __iter__(self) -> Iterator[Entry]:
        return iter(self._entries.values())

    def __len__(self) -> int:
        return len(self._entries)

    def __bool__(self) -> bool:
        return bool(self._entries)
