"""What was known of a probe at an instant of the last steps: a finding is told with the probe as it was at its time.

A step keeps its arrays and what was known before it; values are looked up in them only when somebody asks. What is
told between samples (a time constant, an offset, a symptom) carries its own time.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.known import Known
from agent.reconstruct.mode import CODES, MODES
from agent.reconstruct.now import Mode
from agent.reconstruct.probe import Reconstructed
from agent.reconstruct.trust import Remaining
from agent.signals import SIGNALS
from detectors.stretch import Floats

__all__ = ["KEEP_S", "Recall", "Scene"]

# How far behind the last judgement anybody asks: a recovery that waited a minute for its twin, a tick that waits for
# the slowest probe.
KEEP_S: Final = 150.0
_RECONSTRUCTED: Final = (
    ("emf_residual", "mV"),
    ("heater_duty", "0..1"),
    ("heater_demand", "0..1"),
    ("heater_watts", "W"),
    ("heater_resistance", "ohm"),
)


@dataclass(slots=True)
class Scene:
    """What is known at one instant. `active`: the symptoms that are there, of those asked for."""

    mode: Mode
    held: bool
    sample_s: float | None  # of the last sample with a value in it
    service_o2_pct: float | None  # the display when last in service
    known: Known
    remaining: Remaining | None
    active: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Step:
    before: Scene
    told: int  # how many things had been told before it
    done: Reconstructed
    valid_s: Floats

    @property
    def first_s(self) -> float:
        return self.done.stretch.time_s.item(0)

    @property
    def last_s(self) -> float:
        return self.done.stretch.time_s.item(-1)


@dataclass(frozen=True, slots=True)
class _Told:
    at_s: float
    known: Mapping[str, tuple[float, str, float | None] | None]  # by name value, unit, uncertainty; None: no longer
    remaining: tuple[Remaining | None] | None = None  # None: not spoken of
    symptom: tuple[str, bool] | None = None


class Recall:
    """Carries what is known of one probe.

    Parameters
    ----------
    emf_measured : bool
        Whether `cell_emf` is a signal of the transmitter, which then is not worked out.
    scene : Scene, optional
        What was known when the state was saved.
    """

    def __init__(self, *, emf_measured: bool, scene: Scene | None = None) -> None:
        self._emf_measured = emf_measured
        self._steps: deque[_Step] = deque()
        self._told: list[_Told] = []
        self._forgotten = 0  # of what was told
        self._latest = Scene(Mode.UNKNOWN, False, None, None, Known(), None, frozenset()) if scene is None else scene
        self._seen = True  # whether the last step is in `_latest`

    def take(self, done: Reconstructed, valid_s: Floats, judged_s: float) -> None:
        """A step, at least one sample. `valid_s`: when there was any value; `judged_s`: all before it is judged."""
        before = self.latest()
        while self._steps and self._steps[0].last_s < judged_s - KEEP_S:
            self._steps.popleft()
        if self._told:
            first = self._steps[0].told if self._steps else self._forgotten + len(self._told)
            del self._told[: first - self._forgotten]
            self._forgotten = first
        self._steps.append(_Step(before, self._forgotten + len(self._told), done, valid_s))
        self._seen = False

    def tell(self, at_s: float, **known: tuple[float, str, float | None] | None) -> None:
        """Values that an episode told, by signal: value, unit, standard uncertainty. None: it is known no longer."""
        self._tell(_Told(at_s, known))

    def tell_remaining(self, at_s: float, remaining: Remaining | None) -> None:
        """What is left of an offset from here on."""
        self._tell(_Told(at_s, {}, remaining=(remaining,)))

    def tell_symptom(self, at_s: float, symptom: str, *, active: bool) -> None:
        """A symptom is there, or no longer."""
        self._tell(_Told(at_s, {}, symptom=(symptom, active)))

    def latest(self) -> Scene:
        """Everything known; the same object until something changes."""
        if not self._seen:
            step = self._steps[-1]
            scene = _copy(step.before)
            self._apply(scene, step, len(step.done.stretch))
            for told in self._told[step.told - self._forgotten :]:
                _apply_told(scene, told)
            self._latest, self._seen = scene, True
        return self._latest

    def at(self, at_s: float) -> Scene:
        """What was known at an instant, with all that was found out of it later; before the kept steps, the oldest."""
        if not self._steps:
            return self.latest()
        step = self._steps[-1]
        if at_s >= step.last_s and all(told.at_s <= at_s for told in self._told):
            return self.latest()
        for earlier in reversed(self._steps):
            step = earlier
            if step.first_s <= at_s:
                break
        scene = _copy(step.before)
        self._apply(scene, step, int(step.done.stretch.time_s.searchsorted(at_s, side="right")))
        late = [told for told in self._told[step.told - self._forgotten :] if told.at_s <= at_s]
        for told in sorted(late, key=lambda one: one.at_s):
            _apply_told(scene, told)
        return scene

    def _tell(self, told: _Told) -> None:
        if self._steps:
            self._told.append(told)
        if self._seen:
            self._latest = _copy(self._latest)
            _apply_told(self._latest, told)

    def _apply(self, scene: Scene, step: _Step, n: int) -> None:
        """The first `n` samples of a step."""
        if n == 0:
            return
        done = step.done
        time_s, cell, heater = done.stretch.time_s[:n], done.cell, done.heater
        scene.mode = MODES[done.modes.code.item(n - 1)]
        scene.held = cell.held.item(n - 1)
        heard = int(step.valid_s.searchsorted(time_s.item(-1), side="right"))
        if heard:
            scene.sample_s = step.valid_s.item(heard - 1)
        take = scene.known.take
        for name, column in done.stretch.signals.items():
            take(name, SIGNALS[name].unit, time_s, column[:n])
        if not self._emf_measured:
            take("cell_emf", "mV", time_s, cell.emf_mv[:n], cell.emf_u_mv[:n], "reconstructed")
        columns = (cell.residual_mv, heater.duty, heater.demand, heater.watts, heater.resistance_ohm)
        for (name, unit), column in zip(_RECONSTRUCTED, columns, strict=True):
            take(name, unit, time_s, column[:n], None, "reconstructed")
        scene.service_o2_pct = _last_served(
            done.stretch.get("o2")[:n], done.modes.code, cell.held, scene.service_o2_pct
        )


def _last_served(
    o2_pct: Floats, code: NDArray[np.int8], held: NDArray[np.bool_], before_pct: float | None
) -> float | None:
    """The display when last in service, `before_pct` where it was not among these samples."""
    n, in_service = o2_pct.size, CODES[Mode.IN_SERVICE]
    last = o2_pct.item(-1)
    if code.item(n - 1) == in_service and last == last and not held.item(n - 1):  # as nearly always
        return last
    served = np.flatnonzero((code[:n] == in_service) & ~held[:n] & ~np.isnan(o2_pct))
    return o2_pct.item(served[-1]) if served.size else before_pct


def _copy(scene: Scene) -> Scene:
    return replace(scene, known=scene.known.copy())


def _apply_told(scene: Scene, told: _Told) -> None:
    for name, row in told.known.items():
        if row is None:
            scene.known.drop(name)
        else:
            scene.known.tell(name, *row, told.at_s)
    if told.remaining is not None:
        scene.remaining = told.remaining[0]
    if told.symptom is not None:
        name, active = told.symptom
        scene.active = scene.active | {name} if active else scene.active - {name}
