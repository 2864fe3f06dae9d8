"""What a configuration would do, short: lines, probes, requests, detectors, broker, data folder."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.acquire.decode import CompiledMap
from agent.acquire.plan import Block
from agent.commands.able import Able, able
from agent.commands.looks import endpoint
from agent.commands.wide import joined, number, paragraph, row
from agent.config.load import Loaded
from agent.config.model import Mqtt, RtuLine, RtuOverTcpLine, Settings

__all__ = ["Summary", "line_share", "summarise", "summary_json", "summary_lines"]

_BITS_A_CHARACTER = 11  # Modbus over Serial Line V1.02, section 2.5.1.1
_FRAME_CHARACTERS = 8 + 5  # a request; unit, function, count and checksum of an answer
_SILENCES_CHARACTERS = 2 * 3.5  # between frames, same section
_FULL_SHARE = 0.7  # of a serial line's time: transmitters take theirs to answer (common practice)


@dataclass(frozen=True, slots=True)
class Summary:
    """What is told of a valid configuration."""

    settings: Settings
    requests: dict[str, int]  # probe or feed -> requests per poll
    detectors: dict[str, dict[str, Able]]  # probe -> symptom
    writable: bool  # the data folder, by this user


def summarise(loaded: Loaded) -> Summary:
    """Work out the summary. Raises ValueError where a detector refuses its options."""
    settings = loaded.settings
    polled = {**settings.probes, **settings.feeds}
    return Summary(
        settings,
        {name: len(CompiledMap(settings.maps[at.map], at.address_shift).plan) for name, at in polled.items()},
        {probe: able(settings, probe) for probe in settings.probes},
        _writable(settings.data_dir),
    )


def line_share(settings: Settings, line: str) -> float | None:
    """The share of a serial line's time that polling takes at least, before any transmitter's own delay; else None."""
    at = settings.lines[line]
    if not isinstance(at, RtuLine):
        return None
    busy = 0.0
    for polled in (*settings.probes.values(), *settings.feeds.values()):
        if polled.line == line:
            plan = CompiledMap(settings.maps[polled.map], polled.address_shift).plan
            busy += sum(_characters(block) for block in plan) * _BITS_A_CHARACTER / at.baudrate / polled.period_s
    return busy


def _characters(block: Block) -> float:
    data = 2 * block.count if block.table in ("holding", "input") else (block.count + 7) // 8
    return _FRAME_CHARACTERS + _SILENCES_CHARACTERS + data


def summary_lines(summary: Summary) -> list[str]:
    """The summary as lines of text."""
    settings = summary.settings
    folder = "writable" if summary.writable else "NOT writable by this user"
    lines = [
        *row("site, agent", f"{settings.site}, {settings.agent}", indent=0, width=12),
        *row("broker", _broker(settings.mqtt), indent=0, width=12),
        *row("data_dir", f"{settings.data_dir} ({folder})", indent=0, width=12),
        "",
        "lines",
    ]
    for name, line in settings.lines.items():
        lines += row(name, f"{line.kind} {endpoint(line)}, {_traffic(summary, name)}", width=12)
    lines += ["", "probes"]
    for name, probe in settings.probes.items():
        more = [f"feeds {joined(probe.feeds)}"] if probe.feeds else []
        more += [f"twins {joined(probe.twins)}"] if probe.twins else []
        lines += row(name, _polling(summary, name, more), width=12)
    if settings.feeds:
        lines += ["", "feeds"]
        for name in settings.feeds:
            lines += row(name, _polling(summary, name, []), width=12)
    return [*lines, "", "detectors, with what is mapped", *_detector_lines(summary)]


def _polling(summary: Summary, name: str, more: list[str]) -> str:
    settings = summary.settings
    at = settings.probes.get(name) or settings.feeds[name]
    count = summary.requests[name]
    asked = "1 request" if count == 1 else f"{count} requests"
    shift = f" shifted by {at.address_shift}" if at.address_shift else ""
    parts = [f"{at.line}/{at.unit}", f"map {at.map}{shift}", f"{asked} every {number(at.period_s)} s", *more]
    return ", ".join(parts)


def _traffic(summary: Summary, line: str) -> str:
    settings = summary.settings
    mine = {name: at for name, at in {**settings.feeds, **settings.probes}.items() if at.line == line}
    if not mine:
        return "nothing is polled on it"
    per_s = sum(summary.requests[name] / at.period_s for name, at in mine.items())
    text = f"{number(round(per_s, 2))} requests/s"
    at = settings.lines[line]
    if isinstance(at, RtuLine | RtuOverTcpLine) and at.listen_s:
        text += f", listens {number(at.listen_s)} s first"
    share = line_share(settings, line)
    if share is not None:
        text += f", busy {100 * share:.0f} % of the time"
        if share > _FULL_SHARE:
            text += ": too much, lengthen period_s or raise baudrate"
    return text


def _broker(mqtt: Mqtt) -> str:
    user = "no user" if mqtt.username is None else f"user {mqtt.username}"
    secret = "a password" if mqtt.password is not None or mqtt.password_file is not None else "no password"
    parts = [f"{mqtt.host}:{mqtt.port}", "TLS" if mqtt.tls else "no TLS", user, secret]
    if mqtt.cert_file is not None:
        parts.append("a certificate of its own")
    return ", ".join(parts)


def _detector_lines(summary: Summary) -> list[str]:
    """Probes of which the same is to be said stand together."""
    alike: list[tuple[dict[str, Able], list[str]]] = []
    for probe, found in summary.detectors.items():
        for known, probes in alike:
            if known == found:
                probes.append(probe)
                break
        else:
            alike.append((found, [probe]))
    lines: list[str] = []
    for found, probes in alike:
        lines += paragraph(", ".join(probes), indent=2, hang=2)
        for symptom, one in found.items():
            lines += row(symptom, _able_words(one), indent=4, width=18)
    return lines


def _able_words(one: Able) -> str:
    if not one.can:
        return f"CANNOT work: it needs {one.needs}"
    text = "will work"
    if one.waits_for:
        text += f"; waits for {one.waits_for}"
    if one.better_with:
        text += f"; better with {joined(one.better_with)}"
    return text


def _writable(folder: Path) -> bool:
    """Whether this user may write the folder, or make it where it is not there yet."""
    for place in (folder, *folder.parents):
        try:
            if place.exists():
                return os.access(place, os.W_OK | os.X_OK)
        except OSError:
            return False
    return False


def summary_json(summary: Summary) -> dict[str, Any]:
    """The summary as JSON-able data.

    `site`, `agent`; `data_dir` {`path`, `writable`}; `broker` {`host`, `port`, `tls`, `user`, `password`: whether there
    is one}; `lines` by id {`kind`, `endpoint`, `busy_share` (serial lines, else null)}; `probes` and `feeds` by id
    {`line`, `unit`, `map`, `address_shift`, `period_s`, `requests_per_poll`}, probes also `name`, `feeds`, `twins`,
    `detectors` by symptom {`can_work`, `needs`, `waits_for`, `better_with`}.
    """
    settings = summary.settings
    mqtt = settings.mqtt
    polled = {
        name: {
            "line": at.line,
            "unit": at.unit,
            "map": at.map,
            "address_shift": at.address_shift,
            "period_s": at.period_s,
            "requests_per_poll": summary.requests[name],
        }
        for name, at in {**settings.feeds, **settings.probes}.items()
    }
    return {
        "site": settings.site,
        "agent": settings.agent,
        "data_dir": {"path": str(settings.data_dir), "writable": summary.writable},
        "broker": {
            "host": mqtt.host,
            "port": mqtt.port,
            "tls": mqtt.tls,
            "user": mqtt.username,
            "password": mqtt.password is not None or mqtt.password_file is not None,
        },
        "lines": {
            name: {"kind": line.kind, "endpoint": endpoint(line), "busy_share": line_share(settings, name)}
            for name, line in settings.lines.items()
        },
        "probes": {
            name: {
                **polled[name],
                "name": probe.name or name,
                "feeds": list(probe.feeds),
                "twins": list(probe.twins),
                "detectors": {
                    symptom: {
                        "can_work": one.can,
                        "needs": one.needs,
                        "waits_for": one.waits_for,
                        "better_with": list(one.better_with),
                    }
                    for symptom, one in summary.detectors[name].items()
                },
            }
            for name, probe in settings.probes.items()
        },
        "feeds": {name: polled[name] for name in settings.feeds},
    }
