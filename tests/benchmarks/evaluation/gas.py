"""The gas: what the flue holds second by second, and what the cell behind its filter sees of it."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.benchmarks.evaluation.draws import Draw
from tests.benchmarks.evaluation.physics import AIR, Floats, ar1, decayed, lag
from tests.benchmarks.evaluation.probe_plan import ProbePlan
from tests.benchmarks.evaluation.schedule import BLOWBACK, Schedule
from tests.benchmarks.evaluation.unit import GRID_S, Unit

__all__ = ["Behind", "flue_blocks", "seen_behind", "unlike_twin"]


def flue_blocks(unit: Unit, draw: Draw, edges_s: Floats, step_s: float) -> Iterator[tuple[Floats, Floats]]:
    """(times, O2 fraction in the flue) of each block, every `step_s`; the block's ends are both in it."""
    plan = unit.plan
    sd, tau = plan.o2_sd * np.sqrt(plan.o2_shares[2]), plan.o2_taus_s[2]
    a = float(np.exp(-step_s / tau))
    last = draw.rng.normal(0.0, sd)
    for low, high in pairwise(edges_s):
        g = low + step_s * np.arange(round((high - low) / step_s) + 1)
        shape = np.interp(g, unit.time_s, unit.volatility)
        quick = ar1(draw.rng, g.size, sd, tau / step_s, shape)
        quick += (last - quick[0]) * a ** np.arange(g.size)  # goes on from where the last block ended
        last = float(quick[-1])
        o2 = np.interp(g, unit.time_s, unit.o2) + quick
        air, since_light = _air_share(unit, g)
        over = plan.overshoot * np.exp(-since_light / 500.0) * (1.0 - air)
        x = (1.0 - air) * np.maximum(o2 + over, 0.25) + air * 20.85
        yield g, np.clip(x, 0.05, 20.95) / 100.0


def _air_share(unit: Unit, g: Floats) -> tuple[Floats, Floats]:
    """How much of the furnace is air (0..1), and seconds since flames came on."""
    plan = unit.plan
    events = np.concatenate([unit.stop_s, unit.light_off_s])
    lit = np.concatenate([np.zeros(unit.stop_s.size), np.ones(unit.light_off_s.size)])
    order = np.argsort(events, kind="stable")
    events, lit = events[order], lit[order]
    share, since = np.zeros(g.size), np.full(g.size, 1e9)
    first_off = not bool(unit.firing[0])
    for k in range(-1, events.size):
        at = events[k] if k >= 0 else g[0] - 1e6
        until = events[k + 1] if k + 1 < events.size else np.inf
        if until < g[0] or at > g[-1]:
            continue
        i, j = np.searchsorted(g, at), np.searchsorted(g, until)
        u = g[i:j] - at
        if lit[k] if k >= 0 else not first_off:
            share[i:j] = np.exp(-u / plan.light_off_s) if k >= 0 else 0.0
            since[i:j] = u
        else:
            share[i:j] = 1.0 - np.exp(-u / plan.in_leak_s)
            purging = g[i:j] > until - plan.purge_s
            v = np.maximum(g[i:j] - (until - plan.purge_s), 0.0)
            share[i:j] = np.where(purging, 1.0 - (1.0 - share[i:j]) * np.exp(-v / 25.0), share[i:j])
    return share, since


def unlike_twin(draw: Draw, unit: Unit) -> Floats:
    """How the gas at one of two probes differs from the other's [% O2], on the unit's grid.

    FINDINGS section 1: B - A has sd 0.47 %, autocorrelation 0.61 at 1 h, and wanders by 0.2-0.3 % over weeks.
    """
    level = unit.plan.o2_full / 3.5 * draw.flat(0.5, 1.1)
    n, hours = unit.time_s.size, 3600.0 / GRID_S
    return ar1(draw.rng, n, 0.3 * level, 1.5 * hours) + ar1(draw.rng, n, 0.2 * level, 24.0 * 10 * hours)


@dataclass(slots=True, kw_only=True)
class Behind:
    """What the cell and the display see at some times."""

    x: Floats  # O2 fraction at the cell
    x_damped: Floats  # the same behind the display's filter
    gas: Floats  # share 0..1 of our own gas, for what comes with its flow
    episode: np.ndarray  # the last episode begun, -1 for none
    since_start_s: Floats
    since_end_s: Floats
    base_last: float  # what the process alone left behind the filter at the block's end


def seen_behind(
    plan: ProbePlan,
    schedule: Schedule,
    tau_s: Floats,
    own_tau_s: float,
    t: Floats,
    g: Floats,
    flue: Floats,
    start: float,
) -> Behind:
    """The gas behind the filter at times `t`, from the flue's at `g`; `tau_s` is that of each episode's return, and
    `own_tau_s` that of the block in between.

    First order in O2 fraction is linear, so what we blow in is added to what the process alone would give: an
    exponential back to the process (Crank, diffusion into a well-mixed volume; two lags where there is a dead volume).
    """
    step = float(g[1] - g[0])
    base_g = lag(flue, own_tau_s / step, start)
    damped_g = lag(base_g, plan.o2_damping_s / step)
    base, damped = np.interp(t - plan.dead_s, g, base_g), np.interp(t - plan.dead_s, g, damped_g)
    k = np.searchsorted(schedule.seg_start_s, t, side="right") - 1
    if not schedule.seg_start_s.size or k.max(initial=-1) < 0:
        none = np.full(t.size, 1e9)
        return Behind(
            x=base,
            x_damped=damped,
            gas=np.zeros(t.size),
            episode=np.full(t.size, -1),
            since_start_s=none,
            base_last=float(base_g[-1]),
            since_end_s=none,
        )
    kk = np.maximum(k, 0)
    episode = schedule.seg_episode[kk]
    blown = schedule.kind[episode] == BLOWBACK
    fill = np.where(blown, np.minimum(plan.fill_s, 0.35 * plan.blow_s), plan.fill_s)
    gas, before = schedule.seg_gas[kk], schedule.seg_before[kk]
    s = t - schedule.seg_start_s[kk] - 0.5
    length = schedule.seg_end_s[kk] - schedule.seg_start_s[kk]
    begin = np.where(np.isnan(before), base, before)
    inside = (k >= 0) & (t < schedule.seg_end_s[kk])
    d = plan.o2_damping_s
    x_in = gas + (begin - gas) * np.exp(-np.maximum(s, 0.0) / fill)
    xd_in = gas + (begin - gas) * decayed(s, fill, d)
    # The return: what is left of our gas decays through the filter.
    tau = tau_s[episode]
    u = t - schedule.seg_end_s[kk] - plan.dead_s
    late = np.where(blown, 0.0, plan.second_tau_s * tau)
    x_end = gas + (begin - gas) * np.exp(-length / fill)
    xd_end = gas + (begin - gas) * decayed(length, fill, d)
    left = decayed(u, tau, late)
    x_out = base + (x_end - base) * left
    seen = (
        decayed(u, tau + late, d) if d > 0.0 else left
    )  # one lag stands for both where the display has one of its own
    settled = np.exp(-np.maximum(u, 0.0) / max(d, 1e-3)) if d > 0.0 else 0.0
    xd_out = damped + (x_end - damped) * seen + (xd_end - x_end) * settled
    out = (k >= 0) & ~inside
    # A quiet while between blowing in and the return's first sign: dead time.
    x = np.where(inside, x_in, np.where(out, x_out, base))
    xd = np.where(inside, xd_in, np.where(out, xd_out, damped))
    flow = np.where(inside, 1.0 - np.exp(-np.maximum(s, 0.0) / 8.0), 0.0)
    since_start = np.where(k >= 0, t - schedule.start_s[episode], 1e9)
    since_end = np.where(k >= 0, t - schedule.end_s[episode], 1e9)
    return Behind(
        x=np.clip(x, 1e-5, AIR), x_damped=np.clip(xd, 1e-5, AIR), gas=flow, episode=np.where(k >= 0, episode, -1),
        since_start_s=since_start, since_end_s=since_end, base_last=float(base_g[-1]),
    )  # fmt: skip
