"""Checks and blowbacks of one probe: their timetable, and the gas at the cell while and after they run."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from math import exp

import numpy as np
from numpy.typing import NDArray

from agent.simulate.physics import AIR_O2, Floats, first_order, first_order_twice

__all__ = ["Episode", "GasAtCell", "Kind", "Stage", "Timetable"]

DAY_S = 86_400.0
DEAD_TIME_S = 1.0  # before the flue gas is back at the filter
COOLS_IN_S = 15.0  # the flow's small effect on the temperature of the cell, before the controller makes up for it
INTO_CELL_S = 0.35  # air or test gas comes straight to the cell, or through the filter under pressure


class Kind(IntEnum):
    """What the probe is made to see. The flag of a stage follows from it."""

    SERVICE = 0
    AIR_CHECK = 1
    BLOWBACK = 2
    TEST_GAS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One gas for some seconds."""

    kind: Kind
    lasts_s: float
    o2_frac: float = AIR_O2


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Stages one after another, from an instant."""

    start_s: float
    stages: tuple[Stage, ...]

    @property
    def end_s(self) -> float:
        """When the last gas is turned off."""
        return self.start_s + sum(stage.lasts_s for stage in self.stages)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timetable:
    """Episodes that come round: the same stages, every so many days, counted from `anchor_s` both ways."""

    anchor_s: float
    every_days: int
    stages: tuple[Stage, ...]

    def between(self, from_s: float, to_s: float) -> list[Episode]:
        """Every episode that starts in the span, in order."""
        step = self.every_days * DAY_S
        first = int(np.ceil((from_s - self.anchor_s) / step))
        last = int(np.ceil((to_s - self.anchor_s) / step))
        return [Episode(start_s=self.anchor_s + k * step, stages=self.stages) for k in range(first, last)]


class GasAtCell:
    """Oxygen at the cell and behind the display filter, as a closed form between the turns of valves.

    Each turn starts a segment in which the gas at the cell goes to a target, a constant or the process, as one mixed
    volume. The process is slow against the filter, so in service the cell sees it late by the time constant; the
    display filter is applied to the steps of gas only.

    Parameters
    ----------
    episodes : in order, not overlapping
    recovery_tau_s : float array (n,)
        Time constant of the way back from each episode.
    process : callable, time -> oxygen fraction in the duct
    damping_s : float
        Time constant of the display filter, 0 for none.
    """

    def __init__(
        self,
        episodes: Sequence[Episode],
        recovery_tau_s: Floats,
        process: Callable[[Floats], Floats],
        damping_s: float,
    ) -> None:
        self.damping_s = damping_s
        rows: list[tuple[float, float, Kind, float, float, int]] = [(0.0, np.inf, Kind.SERVICE, np.nan, 1.0, -1)]
        busy_until = -np.inf
        for index, (episode, tau) in enumerate(zip(episodes, recovery_tau_s, strict=True)):
            if episode.start_s < busy_until:
                raise ValueError(f"the episode at {episode.start_s} starts before the one before it has ended")
            at = episode.start_s
            for stage in episode.stages:
                rows.append((at, at + stage.lasts_s, stage.kind, stage.o2_frac, INTO_CELL_S, index))
                at += stage.lasts_s
            busy_until = at + DEAD_TIME_S
            rows.append((busy_until, np.inf, Kind.SERVICE, np.nan, float(tau), index))
        start_s, end_s, kind, target, taus, of_episode = zip(*rows, strict=True)
        self.start_s: Floats = np.array(start_s)
        self.end_s: Floats = np.array(end_s)  # of the gas; that of a way back has no end
        self.kind: NDArray[np.int64] = np.array(kind, dtype=np.int64)
        self.target: Floats = np.array(target)  # NaN is the process
        self.tau_s: Floats = np.array(taus)
        self.episode: NDArray[np.int64] = np.array(of_episode, dtype=np.int64)
        self.step, self.display_step = self._steps(process(self.start_s))
        self.cooled_to = np.isfinite(self.target).astype(np.float64)
        self.cooled_from = np.zeros_like(self.start_s)
        left = first_order(np.diff(self.start_s), COOLS_IN_S)
        for k in range(1, self.start_s.size):
            flowing = self.cooled_to[k - 1]
            self.cooled_from[k] = flowing + (self.cooled_from[k - 1] - flowing) * left[k - 1]

    def _steps(self, process_then: Floats) -> tuple[Floats, Floats]:
        """Distance to the target at the start of each segment, of the gas at the cell and of the display."""
        step, display = np.zeros_like(self.start_s), np.zeros_like(self.start_s)
        for k in range(1, self.start_s.size):
            lasted, tau, damping = float(self.start_s[k] - self.start_s[k - 1]), self.tau_s[k - 1], self.damping_s
            left = step[k - 1] * exp(-lasted / tau)
            left_display = left
            if damping > 0:
                left_display = display[k - 1] * exp(-lasted / damping)
                left_display += step[k - 1] * float(first_order_twice(lasted, tau, damping))
            came_from = process_then[k] if np.isnan(self.target[k - 1]) else self.target[k - 1]
            goes_to = process_then[k] if np.isnan(self.target[k]) else self.target[k]
            step[k] = came_from + left - goes_to
            display[k] = came_from + left_display - goes_to
        return step, display

    def segment(self, time_s: Floats) -> NDArray[np.int64]:
        """Which segment each instant is in."""
        return np.asarray(np.searchsorted(self.start_s, time_s, side="right") - 1)

    def at(self, time_s: Floats, segment: NDArray[np.int64], process: Floats) -> tuple[Floats, Floats]:
        """Oxygen at the cell and on the undistorted display; `process` is the duct as a clean filter passes it on."""
        elapsed, tau = time_s - self.start_s[segment], self.tau_s[segment]
        target = self.target[segment]
        base = np.where(np.isnan(target), process, target)
        step = self.step[segment]
        cell = base + step * first_order(elapsed, tau)
        if self.damping_s <= 0:
            return cell, cell
        own = self.display_step[segment] * first_order(elapsed, self.damping_s)
        return cell, base + own + step * first_order_twice(elapsed, tau, self.damping_s)

    def cooled(self, time_s: Floats, segment: NDArray[np.int64]) -> Floats:
        """Share of its full cooling that the flow of a check has on the cell, 0..1."""
        flowing = self.cooled_to[segment]
        left = first_order(time_s - self.start_s[segment], COOLS_IN_S)
        return flowing + (self.cooled_from[segment] - flowing) * left

    def running(self, time_s: Floats, segment: NDArray[np.int64], kind: Kind) -> Floats:
        """1 while a gas of that kind is on, else 0."""
        return np.where((self.kind[segment] == kind) & (time_s < self.end_s[segment]), 1.0, 0.0)
