"""What is wrong between tables: names that lead nowhere, probes that read each other's registers, lines used twice."""

from collections.abc import Iterable, Iterator, Mapping

from agent.config.check_maps import width
from agent.config.errors import Key
from agent.config.lines import RtuLine
from agent.config.maps import RegisterMap
from agent.config.model import Air, Feed, Probe, Settings
from agent.config.nearest import did_you_mean

__all__ = ["OWN", "check_probes", "with_symmetric_twins"]

Faults = Iterator[tuple[Key, str]]

# Signals of one hot end, which no two probes can share; others (supply, flue, load ...) may belong to a transmitter.
OWN = frozenset(
    {
        "o2", "cell_emf", "cell_temp", "thermocouple_emf", "heater_output", "heater_on", "heater_on_time",
        "heater_current", "cell_resistance", "stored_offset", "stored_slope",
    }
)  # fmt: skip
_SERIAL_UNITS = 247  # 248 to 255 are reserved on a serial line: Modbus over Serial Line V1.02, 2.2


def with_symmetric_twins(settings: Settings) -> Settings:
    """Twins named on one side only are twins on both."""
    twins = {name: dict.fromkeys(probe.twins) for name, probe in settings.probes.items()}
    for name, probe in settings.probes.items():
        for twin in probe.twins:
            if twin in twins:
                twins[twin][name] = None
    probes = {
        name: probe if len(twins[name]) == len(probe.twins) else probe.model_copy(update={"twins": tuple(twins[name])})
        for name, probe in settings.probes.items()
    }
    return settings.model_copy(update={"probes": probes})


def check_probes(settings: Settings) -> Faults:
    """All faults between lines, maps, feeds and probes."""
    yield from _check_lines(settings)
    if not settings.probes:
        yield ("probes",), "is empty: there is nothing to watch"
    for name, feed in settings.feeds.items():
        yield from _check_polled(settings, ("feeds", name), feed)
        if feed.max_age_s < feed.period_s:
            yield (
                ("feeds", name, "max_age_s"),
                f"got {feed.max_age_s:g}, must be at least period_s {feed.period_s:g}, or the feed is mostly missing",
            )
    for name, probe in settings.probes.items():
        at = ("probes", name)
        yield from _check_polled(settings, at, probe)
        yield from _check_names((*at, "feeds"), probe.feeds, settings.feeds, "feed")
        yield from _check_twins(settings, name, probe)
        yield from _check_probe(at, probe)
        yield from _check_feeds(settings, at, probe)
    yield from _check_shared_feeds(settings)
    yield from _check_called_alike(settings.probes)
    yield from _check_registers(settings)


def _check_lines(settings: Settings) -> Faults:
    ends: dict[str, str] = {}
    for name, line in settings.lines.items():
        end = line.device if isinstance(line, RtuLine) else f"{line.host.lower()}:{line.port}"
        if (other := ends.setdefault(end, name)) != name:
            key = "device" if isinstance(line, RtuLine) else "host"
            yield ("lines", name, key), f"{end} is line {other} already: one connection serves all its units"


def _check_polled(settings: Settings, at: Key, polled: Probe | Feed) -> Faults:
    if polled.line not in settings.lines:
        yield (*at, "line"), f"got {polled.line!r}, no such line{did_you_mean(polled.line, settings.lines)}"
    elif settings.lines[polled.line].kind != "tcp" and polled.unit > _SERIAL_UNITS:
        yield (*at, "unit"), f"got {polled.unit}, must be at most {_SERIAL_UNITS} on a serial line"
    if polled.map not in settings.maps:
        yield (*at, "map"), f"got {polled.map!r}, no such map{did_you_mean(polled.map, settings.maps)}"
        return
    spans = [span for span, _ in _spans(settings.maps[polled.map])]
    low, high = min((s[1] for s in spans), default=0), max((s[2] for s in spans), default=1) - 1
    if polled.address_shift and not 0 <= low + polled.address_shift <= high + polled.address_shift <= 65535:
        yield (
            (*at, "address_shift"),
            f"got {polled.address_shift}, which moves the map's addresses {low} to {high} outside 0 to 65535",
        )


def _check_names(at: Key, names: Iterable[str], known: Iterable[str], what: str) -> Faults:
    seen: set[str] = set()
    for name in names:
        if name not in known:
            yield at, f"got {name!r}, no such {what}{did_you_mean(name, known)}"
        elif name in seen:
            yield at, f"got {name!r} twice"
        seen.add(name)


def _check_twins(settings: Settings, name: str, probe: Probe) -> Faults:
    at = ("probes", name, "twins")
    if name in probe.twins:
        yield at, f"got {name!r}, a probe is no twin of itself"
    others = [other for other in settings.probes if other != name]
    yield from _check_names(at, (twin for twin in probe.twins if twin != name), others, "probe")


def _check_probe(at: Key, probe: Probe) -> Faults:
    if probe.name and (not probe.name.isprintable() or probe.name != probe.name.strip()):
        yield (*at, "name"), "must be one line of printable text without spaces around it"
    if "burst_period_s" in probe.model_fields_set and probe.burst_period_s > probe.period_s:
        yield (
            (*at, "burst_period_s"),
            f"got {probe.burst_period_s:g}, must be at most period_s {probe.period_s:g}: bursts are faster",
        )
    sides: Mapping[str, Air] = {"reference_air": probe.reference_air, "check_air": probe.check_air}
    for side, air in sides.items():
        if air.kind == "instrument" and air.humidity is not None:
            yield (*at, side, "humidity"), 'instrument air is dry: leave it out, or say kind = "ambient"'


def _check_feeds(settings: Settings, at: Key, probe: Probe) -> Faults:
    givers: dict[str, str] = {}
    for name in dict.fromkeys(probe.feeds):
        for signal in _given(settings, name):
            if (other := givers.setdefault(signal, name)) != name:
                yield (*at, "feeds"), f"{other} and {name} both give {signal}: a probe can believe one"


def _check_shared_feeds(settings: Settings) -> Faults:
    """A feed may carry what belongs to one hot end only to one probe."""
    users: dict[str, list[str]] = {}
    for name, probe in settings.probes.items():
        for feed in dict.fromkeys(probe.feeds):
            users.setdefault(feed, []).append(name)
    for feed, probes in users.items():
        own = [signal for signal in _given(settings, feed) if signal in OWN]
        if own and len(probes) > 1:
            yield (
                ("feeds", feed),
                f"gives {own[0]} to {probes[0]} and {probes[1]}, but that belongs to one probe: map it there",
            )


def _given(settings: Settings, feed: str) -> list[str]:
    """The signals that a feed gives; none where it or its map is not there, which is told elsewhere."""
    found = settings.feeds.get(feed)
    kind = None if found is None else settings.maps.get(found.map)
    if kind is None:
        return []
    flags = [flag for word in kind.status_words.values() for flags in word.values.values() for flag in flags]
    return list(dict.fromkeys([*kind.signals, *flags]))


def _check_called_alike(probes: Mapping[str, Probe]) -> Faults:
    called: dict[str, str] = {}
    for name, probe in probes.items():
        shown_name = probe.name or name
        if (other := called.setdefault(shown_name, name)) != name:
            yield ("probes", name, "name"), f"{other} is called the same: people could not tell them apart"


def _spans(kind: RegisterMap) -> list[tuple[tuple[str, int, int], str]]:
    """Table, first address and the address after the last, with the signal, of all that a map reads."""
    spans: list[tuple[tuple[str, int, int], str]] = [
        ((r.table, r.address, r.address + width(r)), name) for name, r in kind.signals.items()
    ]
    return spans + [((w.table, w.address, w.address + 1), "") for w in kind.status_words.values()]


def _check_registers(settings: Settings) -> Faults:
    """Two probes whose own signals come from the same registers, and two feeds that are the same poll."""
    owners: dict[tuple[str, int, str, int], tuple[str, str]] = {}
    for name, probe in settings.probes.items():
        told: set[str] = set()
        for (table, low, end), signal in _spans(settings.maps[probe.map]) if probe.map in settings.maps else ():
            bit = settings.maps[probe.map].signals[signal].bit if signal else None
            if signal not in OWN or bit is not None:
                continue
            for address in range(low + probe.address_shift, end + probe.address_shift):
                other, others = owners.setdefault((probe.line, probe.unit, table, address), (name, signal))
                if other != name and other not in told:
                    told.add(other)
                    yield (
                        ("probes", name),
                        f"its {signal} is read from the registers of {other}'s {others}: "
                        "one of line, unit, map or address_shift is wrong",
                    )
    polls: dict[tuple[str, int, str, int], str] = {}
    for name, feed in settings.feeds.items():
        same = polls.setdefault((feed.line, feed.unit, feed.map, feed.address_shift), name)
        if same != name:
            yield ("feeds", name), f"is the same poll as feed {same}: probes can share one"
