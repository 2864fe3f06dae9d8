"""How a fault grows, on the unit's grid of five minutes, and from when on it matters."""

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import Floats

__all__ = ["FaultPath", "draw_fault", "first_sustained"]

_DAY = 86400.0


@dataclass(slots=True, kw_only=True)
class FaultPath:
    """A fault before it is known when it matters."""

    kind: str
    shape: str
    part: str
    parts: tuple[str, ...]
    onset_s: float
    path: Floats  # resistance factor, mV, tau factor or 0/1, by kind


def first_sustained(time_s: Floats, hit: np.ndarray, for_s: float) -> float:
    """The first time from which `hit` holds for `for_s`; inf when it never does. What does not last until the record's
    end does not count."""
    if not hit.any():
        return float("inf")
    need = max(1, round(for_s / (time_s[1] - time_s[0])))
    total = np.cumsum(np.concatenate([[0], hit.astype(np.int64)]))
    full = np.flatnonzero(total[need:] - total[:-need] >= 0.95 * need)
    return float(time_s[full[0]]) if full.size else float("inf")


def draw_fault(
    kind: str,
    draw: Draw,
    time_s: Floats,
    *,
    exhausted_at: float,
    check_every_d: float,
    tau_every_d: float,
    misread_mv: float,
    hidden: bool,
) -> FaultPath:
    """A fault of a kind.

    `exhausted_at`: resistance factor at which a cold start at low supply no longer succeeds. `check_every_d`,
    `tau_every_d`: days between two chances to see it; its speed leaves a few of them before it matters, for what no
    check could have shown in time says nothing about who looks. `misread_mv`: offset that moves the reading by 0.2 %
    O2. `hidden`: each check calibrates, so that the reading is off only by what came since.
    """
    days = (time_s - time_s[0]) / _DAY
    length = days[-1]
    onset = draw.flat(min(60.0, 0.35 * length), 0.55 * length)
    if kind == "heater_duty_creep":
        return _heater(draw, time_s, days, onset, exhausted_at)
    if kind == "cell_offset_drift":
        # From memory: a cell drifts by some mV a year in good gas, in a month in bad.
        until = max(draw.wide(15.0, max(16.0, 1.1 * (length - onset))), 4.5 * check_every_d)
        speed = until if hidden else until / min(1.0, misread_mv / 5.0)
        if hidden:
            speed = max(speed, 2.0 * check_every_d * 5.0 / misread_mv)
        path = _wandering(draw, days, onset, speed) * 5.0 * draw.one(-1.0, 1.0, 1.0)
        return FaultPath(kind=kind, shape="creep", part="cell", parts=("cell",), onset_s=_at(time_s, onset), path=path)
    if kind == "slow_recovery":
        until = max(draw.wide(15.0, max(16.0, 1.1 * (length - onset))), 5.0 * tau_every_d)
        path = _closing(draw, days, onset, until, draw.flat(2.0, 6.0))
        return FaultPath(
            kind=kind, shape="creep", part="filter", parts=("filter",), onset_s=_at(time_s, onset), path=path
        )
    onset = draw.flat(min(20.0, 0.3 * length), 0.92 * length)
    part, parts = ("heater", ("heater", "wiring")) if kind == "heater_open" else _silent(draw)
    path = (days >= onset).astype(np.float64)
    return FaultPath(kind=kind, shape="sudden", part=part, parts=parts, onset_s=_at(time_s, onset), path=path)


def _silent(draw: Draw) -> tuple[str, tuple[str, ...]]:
    # With one probe on a line, nobody can tell the two apart from the silence.
    return draw.one("line", "transmitter"), ("line", "transmitter", "wiring", "supply")


def _at(time_s: Floats, onset_d: float) -> float:
    return float(time_s[0] + onset_d * _DAY)


def _heater(draw: Draw, time_s: Floats, days: Floats, onset: float, exhausted_at: float) -> FaultPath:
    if draw.chance(0.2):  # a terminal that has come loose, or one strand of several
        size = draw.flat(0.13, 0.6)
        unsteady = 1.0 + 0.15 * np.sin(2 * np.pi * days / draw.flat(0.7, 4.0)) * draw.flat(0.0, 1.0)
        path = 1.0 + np.where(days >= onset, size * unsteady, 0.0)
        return FaultPath(
            kind="heater_duty_creep", shape="step", part="wiring", parts=("wiring", "heater"),
            onset_s=_at(time_s, onset), path=path,
        )  # fmt: skip
    until = draw.wide(14.5, min(365.0, max(15.0, 1.15 * (days[-1] - onset))))
    power = draw.flat(0.7, 2.0)  # an alloy near its end grows faster and faster: from memory
    grown = np.maximum(days - onset, 0.0) / until
    path = 1.0 + (exhausted_at - 1.0) * np.minimum(grown**power, 1.35)
    return FaultPath(
        kind="heater_duty_creep", shape="creep", part="heater", parts=("heater",), onset_s=_at(time_s, onset), path=path
    )


def _wandering(draw: Draw, days: Floats, onset: float, speed_d: float) -> Floats:
    """A path that reaches 1 after about `speed_d`. FINDINGS section 3: a rate that changes threefold between intervals
    and now and then its sign."""
    edges, rates, at = [0.0], [0.0], onset
    while at < days[-1] + 60.0:
        edges.append(at)
        rates.append(float(np.exp(draw.near(0.0, 0.5))) * (-0.4 if draw.chance(0.07) and len(rates) > 1 else 1.0))
        at += draw.flat(10.0, 50.0)
    rate = np.array(rates)[np.searchsorted(edges, days, side="right") - 1]
    step = days[1] - days[0]
    path = np.cumsum(rate) * step / speed_d
    return np.asarray(np.clip(path, -0.5, 3.0))


def _closing(draw: Draw, days: Floats, onset: float, until_d: float, worst: float) -> Floats:
    """A factor on tau: dust that a blowback or a load swing shakes off in part, doubled about `until_d` after onset."""
    step = days[1] - days[0]
    grow = np.exp(np.repeat(draw.rng.normal(0.0, 0.5, days.size // 2016 + 1), 2016)[: days.size])  # by the week
    power = draw.flat(0.8, 1.8)
    drive = np.where(days >= onset, grow * power * np.maximum((days - onset) / until_d, 1e-3) ** (power - 1.0), 0.0)
    shaken = np.sort(
        draw.rng.uniform(onset, days[-1], int(draw.rng.poisson((days[-1] - onset) / draw.wide(6.0, 60.0))))
    )
    cuts = np.searchsorted(days, shaken)
    keep = draw.rng.uniform(0.6, 0.97, shaken.size)
    path, level = np.zeros(days.size), 0.0
    for a, b, k in zip([0, *cuts], [*cuts, days.size], [1.0, *keep], strict=True):
        if b > a:
            path[a:b] = level * k + np.cumsum(drive[a:b]) * step
            level = path[b - 1]
    end = min(int(np.searchsorted(days, onset + until_d)), days.size - 1)
    # In proportion to what it would have been: the record may end before it has doubled.
    reach = min(1.0, ((days[end] - onset) / until_d) ** power)
    return np.asarray(1.0 + np.minimum(path * reach / max(path[end], 1e-9), worst - 1.0 + 0.05))
