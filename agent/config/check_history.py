"""What is wrong with how recorded files are to be read: unknown signals, one column for two of them, no such zone."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo, available_timezones

from agent.config.check_probes import OWN
from agent.config.errors import Key, shown
from agent.config.history import Column, HistoryColumns
from agent.config.model import Settings
from agent.config.nearest import did_you_mean
from agent.signals import SIGNALS

__all__ = ["check_history"]

Faults = Iterator[tuple[Key, str]]


def check_history(settings: Settings) -> Faults:
    """All faults of [history] and of the probes' history_columns."""
    history = settings.history
    if history.time_zone and (why := _zone_fault(history.time_zone)):
        yield ("history", "time_zone"), why
    yield from _check_columns(("history", "columns"), history.columns, history.time_column)
    owners: dict[str, tuple[str, str]] = {}
    for name, probe in settings.probes.items():
        at = ("probes", name, "history_columns")
        yield from _check_columns(at, probe.history_columns, history.time_column)
        yield from _check_owners(at, name, probe.history_columns, owners)


def _zone_fault(zone: str) -> str | None:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):  # not there, or a path
        known = available_timezones()
        if not known:
            return f"got {shown(zone)}, and this machine knows no time zones: install tzdata"
        hint = did_you_mean(zone, known) or "; wanted is one as Europe/Oslo or UTC"
        return f"got {shown(zone)}, no such time zone{hint}"
    return None


def _check_columns(at: Key, columns: HistoryColumns, time_column: str) -> Faults:
    names: dict[str, str] = {}
    for signal, said in columns.items():
        if signal not in SIGNALS:
            yield (*at, signal), f"is no signal{did_you_mean(signal, SIGNALS)}"
            continue
        column = _name(said)
        if not column:
            yield (*at, signal), "names no column"
        elif column == time_column.strip():
            yield (*at, signal), f"got {shown(column)}, which is the time column"
        elif (other := names.setdefault(column, signal)) != signal:
            yield (*at, signal), f"got {shown(column)}, the column of {other} already: a column is one signal"
        if isinstance(said, Column) and said.scale == 0:
            yield (*at, signal, "scale"), "got 0, which makes every value the same"


def _check_owners(at: Key, name: str, columns: HistoryColumns, owners: dict[str, tuple[str, str]]) -> Faults:
    """A column may serve several probes where it is the unit's (load, flue temperature), as one signal."""
    for signal, said in columns.items():
        other, theirs = owners.setdefault(_name(said), (name, signal))
        if other != name and (theirs != signal or signal in OWN) and signal in SIGNALS:
            yield (
                (*at, signal),
                f"got {shown(_name(said))}, which is {other}'s {theirs} already: it belongs to one probe",
            )


def _name(said: str | Column) -> str:
    return (said if isinstance(said, str) else said.column).strip()
