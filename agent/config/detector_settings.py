"""The options of each detector: which there are, and the settings that one probe's detector runs with."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib import import_module
from types import NoneType
from typing import Any, Final, get_args

from agent.config.alert_options import ALERT_OPTIONS
from agent.config.errors import Key, shown
from agent.config.model import Settings
from agent.config.nearest import did_you_mean

__all__ = ["SYMPTOMS", "check_detectors", "detector_settings", "settings_class"]

EPISODES: Final = "episodes"

# Where each symptom's settings live. Imported when wanted: they bring numpy, and most sites override nothing.
SYMPTOMS: Final[Mapping[str, tuple[str, str]]] = {
    "heater_duty_creep": ("detectors.heater_duty_creep", "HeaterDutyCreepSettings"),
    "cell_offset_drift": ("detectors.cell_offset_drift", "CellOffsetDriftSettings"),
    "slow_recovery": ("detectors.slow_recovery", "SlowRecoverySettings"),
    "heater_open": ("detectors.heater_open", "HeaterOpenSettings"),
    "no_communication": ("detectors.no_communication", "NoCommunicationSettings"),
    EPISODES: ("agent.reconstruct.options", "EpisodeOptions"),  # no symptom: what all of them are recognised by
}
# The option that a map's `as_new` key fills.
_AS_NEW: Final = {"heater_duty_creep": ("as_new_demand", "heater_demand"), "slow_recovery": ("as_new_tau_s", "tau_s")}
_MUST = re.compile(r"\A(?P<must>must .*), got [^,]*\Z", re.DOTALL)
_WORDS = {float: "a number", int: "a whole number", bool: "true or false", str: "a text"}


@cache
def settings_class(symptom: str) -> type[Any]:
    """The settings dataclass of a symptom; KeyError where there is no such detector."""
    module, name = SYMPTOMS[symptom]
    found: type[Any] = getattr(import_module(module), name)
    return found


def detector_settings(settings: Settings, probe: str, symptom: str) -> Any:
    """The settings that the detector of `symptom` runs with at `probe`: site, map and probe merged over its defaults.

    What the map says of a probe as new goes before the defaults and behind every override. Settings that
    `load_settings` gave are checked: this cannot fail for them. KeyError for an unknown probe or symptom.
    """
    return settings_class(symptom)(**_options(settings, probe, symptom))


def _options(settings: Settings, probe: str, symptom: str) -> dict[str, Any]:
    options: dict[str, Any] = {}
    if symptom in _AS_NEW:
        option, name = _AS_NEW[symptom]
        if (value := getattr(settings.maps[settings.probes[probe].map].as_new, name)) is not None:
            options[option] = value
    options |= settings.detector_options(probe, symptom)
    return {name: value for name, value in options.items() if name not in ALERT_OPTIONS}


@dataclass(frozen=True, slots=True)
class _Level:
    """One place where options stand."""

    key: Key
    options: Mapping[str, Any]


def check_detectors(settings: Settings) -> Iterator[tuple[Key, str]]:
    """What is wrong with the overrides: unknown symptoms and options, wrong types, and values that no probe can take.

    The merged settings of every probe are built; what several probes share is told once, where it was written.
    """
    tables: dict[Key, Mapping[str, Mapping[str, Any]]] = {("detectors",): settings.detectors}
    tables |= {("maps", name, "detectors"): kind.detectors for name, kind in settings.maps.items()}
    tables |= {("probes", name, "detectors"): probe.detectors for name, probe in settings.probes.items()}
    sound = True
    for at, overrides in tables.items():
        for symptom, options in overrides.items():
            for key, text in _check_options((*at, symptom), symptom, options):
                sound = False
                yield key, text
    if sound:
        yield from _check_merged(settings, {symptom for overrides in tables.values() for symptom in overrides})


def _check_options(at: Key, symptom: str, options: Mapping[str, Any]) -> Iterator[tuple[Key, str]]:
    if symptom not in SYMPTOMS:
        yield at, f"unknown symptom{did_you_mean(symptom, SYMPTOMS)}"
        return
    known = {field.name: _types(field.type) for field in fields(settings_class(symptom))}
    if symptom != EPISODES:  # those raise no alert of their own
        known |= ALERT_OPTIONS
    for option, value in options.items():
        if option not in known:
            yield (*at, option), f"unknown option{did_you_mean(option, known, few=20)}"
        elif not _fits(value, known[option]):
            yield (*at, option), f"got {shown(value)}, must be {_wanted(known[option])}"


def _check_merged(settings: Settings, symptoms: set[str]) -> Iterator[tuple[Key, str]]:
    told: set[tuple[Key, str]] = set()
    tried: set[tuple[Any, ...]] = set()
    for name, probe in settings.probes.items():
        if probe.map not in settings.maps:
            continue  # told elsewhere
        for symptom in sorted(symptoms):
            levels = [
                _Level(("probes", name, "detectors", symptom), probe.detectors.get(symptom, {})),
                _Level(("maps", probe.map, "detectors", symptom), settings.maps[probe.map].detectors.get(symptom, {})),
                _Level(("detectors", symptom), settings.detectors.get(symptom, {})),
            ]
            same = (symptom, probe.map, *sorted(levels[0].options.items()))
            if same in tried and not levels[0].options:
                continue
            tried.add(same)
            for fault in _build(settings, name, symptom, levels):
                if fault not in told:
                    told.add(fault)
                    yield fault


def _build(settings: Settings, probe: str, symptom: str, levels: list[_Level]) -> Iterator[tuple[Key, str]]:
    options = _options(settings, probe, symptom)
    try:
        settings_class(symptom)(**options)
        return
    except (ValueError, TypeError) as error:
        text = str(error)
    # The message names the field; the level that has the last word on it is where it must be put right.
    for level in levels:
        for option in level.options:
            if re.match(rf"{re.escape(option)}\b", text):
                yield (*level.key, option), _turned(text[len(option) :].strip(), options[option])
                return
    for level in levels:
        for option in level.options:
            if re.search(rf"\b{re.escape(option)}\b", text):
                yield (*level.key, option), text
                return
    yield next(level.key for level in levels if level.options), text


def _turned(text: str, value: object) -> str:
    """`must be above 0, got -1` in the order of every other message here: `got -1, must be above 0`."""
    found = _MUST.match(text)
    return f"got {shown(value)}, {found['must']}" if found else text


def _types(annotation: Any) -> tuple[type, ...]:
    return tuple(kind for kind in get_args(annotation) or (annotation,) if kind is not NoneType)


def _fits(value: object, kinds: tuple[type, ...]) -> bool:
    if isinstance(value, bool):
        return bool in kinds
    if isinstance(value, int):
        return int in kinds or float in kinds
    return isinstance(value, kinds) if all(isinstance(kind, type) for kind in kinds) else False


def _wanted(kinds: tuple[type, ...]) -> str:
    return " or ".join(_WORDS.get(kind, "something that only code can give") for kind in kinds)
