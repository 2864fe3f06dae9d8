"""One look at a probe carried through the agent's own reconstruction: what its parts are doing now."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any, Final

from agent.acquire.once import Look
from agent.commands.saved import Saved
from agent.commands.uncertain import duty_u, uncertainty_of
from agent.config.model import Settings
from agent.intake import Intake
from agent.reconstruct.heater import DutySource, duty_source
from agent.reconstruct.now import ProbeNow, Value
from detectors.finding import Report

__all__ = ["LEARNT", "SHOWN", "Seen", "counters_of", "see"]

SHOWN: Final = (
    "cell_emf", "emf_residual", "heater_duty", "heater_demand", "heater_watts", "heater_resistance",
)  # fmt: skip
LEARNT: Final = ("raw_offset", "remaining_offset", "tau")
_BY_DUTY: Final = ("heater_duty", "heater_demand", "heater_watts")
_COUNTERS: Final = ("heater_on_time", "heater_energy")


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of a probe after a look.

    `values`: reconstructed, of this look only. `learnt`: from earlier episodes, of the saved state. `notes`: what could
    not be told and why. `reports` are None where nothing is saved.
    """

    now: ProbeNow
    answered: bool
    values: Mapping[str, Value]
    learnt: Mapping[str, Value]
    notes: Sequence[str]
    reports: Mapping[str, Report] | None
    saved_at_s: float | None
    alerts: Sequence[Mapping[str, Any]]


def counters_of(settings: Settings, probe: str) -> bool:
    """Whether one look is not enough: a counter tells only between two."""
    return any(name in settings.maps[settings.probes[probe].map].signals for name in _COUNTERS)


def see(settings: Settings, probe: str, looks: Sequence[Mapping[str, Look]], saved: Saved) -> Seen:
    """Carry one or two looks at the probe and its feeds through the pipeline's own steps."""
    intake, last_s = Intake(settings), -inf
    for look in looks:
        for feed in settings.probes[probe].feeds:
            if feed in look:
                intake.feed(look[feed].sample)
        sample = look[probe].sample
        if sample.values and sample.time_s > last_s:  # a probe without a counter was looked at once
            last_s = sample.time_s
            intake.sample(sample)
    at_s = looks[-1][probe].sample.time_s
    stretch = intake.drain(probe)
    watcher, was_saved = saved.watcher(settings, probe)
    saved_at_s = watcher.now(at_s).sample_at_s if was_saved else None
    reports = watcher.reports() if was_saved else None
    notes: list[str] = []
    if len(stretch) and watcher.feed(stretch):  # the clock was set back since the state was saved
        notes.append("the saved state is from later than now: it was left aside for the values above")
        watcher, _ = Saved().watcher(settings, probe)
        watcher.feed(stretch)
    now = watcher.now(at_s)
    fresh = {name: value for name, value in now.signals.items() if value.at_s == at_s and isfinite(value.value)}
    values: dict[str, Value] = {name: fresh[name] for name in SHOWN if name in fresh}
    span_s = float(stretch.time_s[-1] - stretch.time_s[0]) if len(stretch) else 0.0
    _honest_duty(settings, probe, values, span_s, notes)
    register_map = settings.maps[settings.probes[probe].map]
    if len(stretch) and "cell_emf" not in values and "o2" in register_map.signals:
        notes.append("no cell_emf now: the display is missing, held, corrected to dry gas, or moving under its damping")
    plain = {name: value.value for name, value in fresh.items()}
    for name, value in list(values.items()):
        if value.uncertainty is None and (u := uncertainty_of(name, plain, register_map)) is not None:
            values[name] = Value(value.value, value.unit, u, value.source, value.at_s)
    learnt = {name: now.signals[name] for name in LEARNT if name in now.signals}
    return Seen(now, len(stretch) > 0, values, learnt, notes, reports, saved_at_s, saved.alerts.get(probe, []))


def _honest_duty(settings: Settings, probe: str, values: dict[str, Value], span_s: float, notes: list[str]) -> None:
    """A duty with what two polls can say of it; none from a relay that was seen once."""
    register_map = settings.maps[settings.probes[probe].map]
    mapped = frozenset(register_map.signals)
    source = duty_source(mapped, register_map.conventions)
    if source is DutySource.NONE:
        notes.append("no heater duty: no signal is mapped that tells it")
    if source is DutySource.RELAY:
        for name in _BY_DUTY:
            values.pop(name, None)
        notes.append("no heater duty: a relay seen once tells none, the running agent counts it over an hour")
    if source is DutySource.ON_TIME:
        duty = values.get("heater_duty")
        if duty is None or span_s <= 0:
            for name in _BY_DUTY:
                values.pop(name, None)
            notes.append("no heater duty: its counter tells it only between two polls that both answer")
            return
        u = duty_u(duty.value, register_map, span_s)
        for name in _BY_DUTY:
            if name in values and duty.value > 0:
                at = values[name]
                values[name] = Value(at.value, at.unit, at.value * u / duty.value, at.source, at.at_s)
            elif name in values:
                values[name] = Value(0.0, values[name].unit, u, values[name].source, values[name].at_s)
        if register_map.conventions.heater_cycle_s is None:
            notes.append(
                f"the duty is over {span_s:.0f} s only, perhaps a part of one cycle: heater_cycle_s is not set"
            )
