"""The numbers behind `gas_exchange`: a coarse search that cannot miss, and a robust polish.

[1] G. H. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares problems whose
    variables separate", SIAM J. Numer. Anal. 10, 413-432, 1973: the linear parameters drop out of the search.
[2] D. W. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", J. SIAM 11, 431-441, 1963.

Written out instead of calling scipy.optimize: five parameters need no general solver, this one is
quicker, and an agent at the edge is spared loading it (about 40 MB).
"""

import math
from dataclasses import dataclass

import numpy as np

from detectors.probe.domain import Floats
from detectors.probe.recovery_model import remaining_share_rate, responses
from detectors.stats.robust import mad_sigma

__all__ = ["DEAD_TIME_LIMIT_S", "Fitted", "Rough", "fit_model", "search"]

_GRID_TAUS = 24
_GRID_STARTS = 8
_SEARCH_SAMPLES = 64
DEAD_TIME_LIMIT_S = 120.0
_ITERATIONS = 40
_SOFT_SIGMAS = 2.0  # beyond this many sigma a residual counts by its size, not by its square
_FINEST_FRAC = 1e-5  # no display is quieter
_LOG_TAU_STEP = 1e-4  # for a central difference, good to 1e-8 of the value


@dataclass(frozen=True, slots=True)
class Fitted:
    """Parameters log(tau), dead time, old level, process at the start, drift; what is left; and the Jacobian."""

    parameters: Floats
    residual: Floats
    jacobian: Floats

    @property
    def tau_s(self) -> float:
        """Time constant. [s]"""
        return math.exp(float(self.parameters[0]))

    @property
    def dead_s(self) -> float:
        """Dead time. [s]"""
        return float(self.parameters[1])


@dataclass(frozen=True, slots=True)
class Rough:
    """What the search alone finds: parameters as in `Fitted`."""

    parameters: Floats

    @property
    def tau_s(self) -> float:
        """Time constant. [s]"""
        return math.exp(float(self.parameters[0]))

    @property
    def dead_s(self) -> float:
        """Dead time. [s]"""
        return float(self.parameters[1])


def search(
    elapsed_s: Floats,
    o2_frac: Floats,
    period_s: float,
    damping_s: float,
    starts_s: tuple[float, float] | None = None,
) -> Rough:
    """Rough parameters, from the search alone. Arguments as for `fit_model`."""
    return Rough(_search(elapsed_s, o2_frac, damping_s, *_bounds(elapsed_s, period_s, starts_s)))


def fit_model(
    elapsed_s: Floats,
    o2_frac: Floats,
    period_s: float,
    damping_s: float,
    starts_s: tuple[float, float] | None = None,
    *,
    start: Rough | None = None,
) -> Fitted:
    """Search, then Levenberg-Marquardt [2] in all five parameters with soft-L1 loss.

    Parameters
    ----------
    elapsed_s, o2_frac : ndarray, shape (n,)
        Finite; time since the start, rising.
    period_s : float
        Usual time between samples.
    damping_s : float
        Known time constant of the display, 0 for none.
    starts_s : (float, float), optional
        Where the dead time may lie; default from a poll and a half before the start to two minutes after.
    start : Rough, optional
        What `search` gave of the same, where somebody has it already.
    """
    taus, starts = _bounds(elapsed_s, period_s, starts_s)
    p = _search(elapsed_s, o2_frac, damping_s, taus, starts) if start is None else start.parameters
    low = np.array([math.log(taus[0]), starts[0], -1.0, -1.0, -0.01])
    high = np.array([math.log(taus[1]), starts[1], 2.0, 2.0, 0.01])
    p = np.clip(p, low, high)
    residual, jacobian = _linearise(p, elapsed_s, o2_frac, damping_s)
    knee = _SOFT_SIGMAS * max(mad_sigma(residual), _FINEST_FRAC)
    cost = _soft_cost(residual, knee)
    stiffness = 1e-3
    for _ in range(_ITERATIONS):
        weight = 1.0 / np.sqrt(1.0 + (residual / knee) ** 2)
        weighted = jacobian * weight[:, np.newaxis]
        normal, pull = weighted.T @ jacobian, weighted.T @ residual
        diagonal = np.diag(normal).copy()
        diagonal += 1e-12 * diagonal.max()
        step = np.linalg.solve(normal + np.diag(stiffness * diagonal + 1e-300), pull)
        tried = np.clip(p + step, low, high)
        new_residual, new_jacobian = _linearise(tried, elapsed_s, o2_frac, damping_s)
        new_cost = _soft_cost(new_residual, knee)
        if new_cost <= cost:
            gained = cost - new_cost
            p, residual, jacobian, cost = tried, new_residual, new_jacobian, new_cost
            stiffness = max(stiffness / 5, 1e-9)
            if gained <= 1e-8 * cost:
                break
        else:
            stiffness *= 5
            if stiffness > 1e8:
                break
    return Fitted(p, residual, jacobian)


def _bounds(
    elapsed: Floats, period: float, starts: tuple[float, float] | None
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Of tau and of the start: seen up to a poll late, and not so late that the window tells nothing."""
    span = max(float(elapsed[-1]), 4 * period)
    if starts is None:
        starts = (-1.5 * period, min(DEAD_TIME_LIMIT_S, 0.4 * span))
    return (max(0.2 * period, 1e-3), 3.0 * span), starts


def _linearise(p: Floats, elapsed: Floats, o2: Floats, damping_s: float) -> tuple[Floats, Floats]:
    """Residual, shape (n,), and Jacobian of the model, shape (n, 5)."""
    since, tau = elapsed - p[1], math.exp(float(p[0]))
    step, drift = p[2] - p[3], p[4]
    left, ramp = responses(since, tau, damping_s)
    rate = remaining_share_rate(since, tau, damping_s)
    left_up, ramp_up = responses(since, tau * math.exp(_LOG_TAU_STEP), damping_s)
    left_down, ramp_down = responses(since, tau * math.exp(-_LOG_TAU_STEP), damping_s)
    by_log_tau = (step * (left_up - left_down) + drift * (ramp_up - ramp_down)) / (2 * _LOG_TAU_STEP)
    by_start = -step * rate - drift * np.where(since > 0, 1 - left, 0.0)
    residual = o2 - (p[3] + step * left + drift * ramp)
    jacobian = np.empty((elapsed.size, 5))
    jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = by_log_tau, by_start, left
    jacobian[:, 3], jacobian[:, 4] = 1 - left, ramp
    return np.asarray(residual), jacobian


def _soft_cost(residual: Floats, knee: float) -> float:
    return float(np.sum(np.sqrt(1.0 + (residual / knee) ** 2) - 1.0))


def _search(
    elapsed: Floats, o2: Floats, damping_s: float, taus: tuple[float, float], starts: tuple[float, float]
) -> Floats:
    """Best of a grid over (tau, start), by plain least squares in the rest [1]: one batch of 3 x 3 systems."""
    kept = _spread_out(elapsed)
    elapsed, o2 = elapsed[kept], o2[kept]
    tau, start = (
        grid.ravel()[:, np.newaxis]
        for grid in np.meshgrid(np.geomspace(*taus, _GRID_TAUS), np.linspace(*starts, _GRID_STARTS))
    )
    left, ramp = responses(elapsed[np.newaxis, :] - start, tau, damping_s)
    span, n = max(float(elapsed[-1]), 1.0), float(elapsed.size)
    ramp = ramp / span
    # The basis is (left, 1 - left, ramp): what of its products is a sum of others is not worked out again.
    one, other = left.sum(axis=1), ramp.sum(axis=1)
    both, cross, own = (np.einsum("ij,ij->i", a, b) for a, b in ((left, left), (left, ramp), (ramp, ramp)))
    normal = np.empty((tau.size, 3, 3))
    normal[:, 0, 0], normal[:, 1, 1], normal[:, 2, 2] = both, n - 2 * one + both, own
    normal[:, 0, 1] = normal[:, 1, 0] = one - both
    normal[:, 0, 2] = normal[:, 2, 0] = cross
    normal[:, 1, 2] = normal[:, 2, 1] = other - cross
    normal += 1e-9 * n * np.eye(3)
    by_left = left @ o2
    right = np.stack((by_left, float(o2.sum()) - by_left, ramp @ o2), axis=1)
    linear = np.linalg.solve(normal, right[:, :, np.newaxis])[:, :, 0]
    best = int(np.argmax(np.sum(linear * right, axis=1)))
    old, process, drift = linear[best]
    return np.array([math.log(float(tau[best, 0])), float(start[best, 0]), old, process, drift / span])


def _spread_out(elapsed: Floats) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Indices of at most some 64 samples: a few before the start, then ever farther apart."""
    if elapsed.size <= _SEARCH_SAMPLES:
        return np.arange(elapsed.size, dtype=np.intp)
    first = int(np.searchsorted(elapsed, 0.0))
    before = np.arange(max(first - 8, 0), first)
    after = np.unique(np.geomspace(1, elapsed.size - first, _SEARCH_SAMPLES).round().astype(np.intp)) - 1 + first
    return np.asarray(np.concatenate((before, after)), dtype=np.intp)
