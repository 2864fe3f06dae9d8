"""Which column of a file is which signal of a probe, and which one is the time."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from agent.config.history import Column
from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.intake import columns_of
from agent.replay.files.source import UnreadableError
from agent.signals import SIGNALS

__all__ = ["Mapped", "Plan", "Wanted", "as_recorded", "wanted_of"]

_LONG_WORDS = frozenset({"tag", "tagname", "tag_name", "signal", "point", "variable", "name", "metric", "parameter"})
_VALUE_WORDS = frozenset({"value", "val", "reading", "_value"})


@dataclass(frozen=True, slots=True)
class Mapped:
    """A column that is a signal: value = number x scale + offset."""

    signal: str
    column: str
    scale: float = 1.0
    offset: float = 0.0

    @property
    def as_it_is(self) -> bool:
        """Whether the number is the value."""
        return self.scale == 1.0 and self.offset == 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What to read of one file."""

    time: str
    mapped: tuple[Mapped, ...]

    @property
    def columns(self) -> list[str]:
        """The columns that are needed, each once, the time first."""
        return list(dict.fromkeys([self.time, *(mapped.column for mapped in self.mapped)]))


@dataclass(frozen=True, slots=True)
class Wanted:
    """The signals of one probe and the columns they may be found in, the likeliest first."""

    probe: str
    time_columns: tuple[str, ...]
    signals: Mapping[str, tuple[Mapped, ...]]

    def plan(self, header: Sequence[str]) -> Plan:
        """What to read of a file with these columns.

        Raises
        ------
        UnreadableError
            No time column, or no column that is a signal of this probe.
        """
        there = {name.strip(): name for name in reversed(header)}
        time = next((there[name] for name in self.time_columns if name in there), None)
        if time is None:
            raise UnreadableError(
                f"no time column: it has {_listed(header)}; name the one with the time in [history].time_column "
                f"(now {self.time_columns[0]!r})"
            )
        mapped = []
        for candidates in self.signals.values():
            found = next((each for each in candidates if each.column in there), None)
            if found is not None and there[found.column] != time:
                mapped.append(Mapped(found.signal, there[found.column], found.scale, found.offset))
        if not mapped:
            raise UnreadableError(_nothing(header, time, self.signals))
        plan = Plan(time, tuple(mapped))
        for column in plan.columns:
            if (times := sum(name.strip() == column.strip() for name in header)) > 1:
                raise UnreadableError(f"{times} columns are called {column!r}: no telling which one is meant")
        return plan


def wanted_of(settings: Settings, probe_id: str, *, shared: bool = False) -> Wanted:
    """What is wanted of a probe: its own signals, then those of its feeds.

    `shared`: of files that hold several probes. Names that say nothing of the probe then count for its feeds only.
    """
    own, fed = columns_of(settings, probe_id)
    of_probe, of_all = settings.probes[probe_id].history_columns, settings.history.columns
    several = shared and len(settings.probes) > 1
    signals = {}
    for signal in (*own, *fed):
        candidates = []
        if signal in of_probe:
            candidates.append(_mapped(signal, of_probe[signal]))
        if not several or signal in fed:
            if signal in of_all:
                candidates.append(_mapped(signal, of_all[signal]))
            candidates.append(Mapped(signal, signal))
        if candidates:
            signals[signal] = tuple(candidates)
    return Wanted(probe_id, tuple(dict.fromkeys([settings.history.time_column, "time"])), signals)


def as_recorded(settings: Settings, probe_id: str) -> Wanted:
    """What is wanted of files that Flueward wrote itself: there the names are the signals', whatever is configured."""
    own, fed = columns_of(settings, probe_id)
    return Wanted(probe_id, ("time",), {signal: (Mapped(signal, signal),) for signal in (*own, *fed)})


def _mapped(signal: str, said: str | Column) -> Mapped:
    if isinstance(said, str):
        return Mapped(signal, said.strip())
    return Mapped(signal, said.column.strip(), said.scale, said.offset)


def _nothing(header: Sequence[str], time: str, signals: Iterable[str]) -> str:
    words = {name.strip().lower() for name in header}
    if words & _LONG_WORDS and words & _VALUE_WORDS:
        return (
            f"it has {_listed(header)}: one row for each value of each tag. Wanted is one row for each time with a "
            "column for each signal (a pivot of this file)"
        )
    names = [name.strip() for name in header if name != time]
    if names and all(name in SIGNALS for name in names):
        return f"it has {_listed(names)}, none of them mapped for this probe"
    hint = ""
    for name in names[:20]:
        if not hint and (hint := did_you_mean(name, signals, few=0)):
            hint = f" ({name!r}{hint})"
    return (
        f"no column of a known signal: it has {_listed(names)}; say which is which in [history].columns or in the "
        f"probe's history_columns{hint}"
    )


def _listed(names: Sequence[str], most: int = 8) -> str:
    if not names:
        return "no columns"
    shown = ", ".join(repr(name.strip()[:40]) for name in names[:most])
    return shown + (f" and {len(names) - most} more" if len(names) > most else "")
