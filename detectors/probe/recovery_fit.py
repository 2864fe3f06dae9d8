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
from detectors.probe.recovery_model import responses, slopes
from detectors.stats.robust import mad_sigma

__all__ = ["DEAD_TIME_LIMIT_S", "Fitted", "Rough", "fit_model", "search"]

_GRID_TAUS = 24
_GRID_STARTS = 8
_SEARCH_SAMPLES = 64
DEAD_TIME_LIMIT_S = 120.0
_ITERATIONS = 40
_SOFT_SIGMAS = 2.0  # beyond this many sigma a residual counts by its size, not by its square
_FINEST_FRAC = 1e-5  # no display is quieter
_TAU_STEPS = np.linspace(0.0, 1.0, _GRID_TAUS)
_START_STEPS = np.linspace(0.0, 1.0, _GRID_STARTS)
_RIDGE = 1e-9  # of the number of samples: what a flat shape is worth at least, so that nothing is divided by 0


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
    p = np.minimum(np.maximum(p, low), high)
    residual, jacobian = _linearise(p, elapsed_s, o2_frac, damping_s)
    knee = _SOFT_SIGMAS * max(mad_sigma(residual), _FINEST_FRAC)
    cost, weighted = _soft_cost(residual, jacobian, knee)
    normal, pull = weighted @ jacobian.T, weighted @ residual
    stiffness = 1e-3
    for _ in range(_ITERATIONS):
        diagonal = normal.diagonal()
        stiffened = normal.copy()
        stiffened.flat[::6] += stiffness * (diagonal + 1e-12 * diagonal.max()) + 1e-300
        tried = np.minimum(np.maximum(p + np.linalg.solve(stiffened, pull), low), high)
        new_residual, new_jacobian = _linearise(tried, elapsed_s, o2_frac, damping_s)
        new_cost, weighted = _soft_cost(new_residual, new_jacobian, knee)
        if new_cost <= cost:
            gained = cost - new_cost
            p, residual, jacobian, cost = tried, new_residual, new_jacobian, new_cost
            normal, pull = weighted @ jacobian.T, weighted @ residual
            stiffness = max(stiffness / 5, 1e-9)
            if gained <= 1e-8 * cost:
                break
        else:
            stiffness *= 5
            if stiffness > 1e8:
                break
    return Fitted(p, residual, jacobian.T)


def _bounds(
    elapsed: Floats, period: float, starts: tuple[float, float] | None
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Of tau and of the start: seen up to a poll late, and not so late that the window tells nothing."""
    span = max(float(elapsed[-1]), 4 * period)
    if starts is None:
        starts = (-1.5 * period, min(DEAD_TIME_LIMIT_S, 0.4 * span))
    return (max(0.2 * period, 1e-3), 3.0 * span), starts


def _linearise(p: Floats, elapsed: Floats, o2: Floats, damping_s: float) -> tuple[Floats, Floats]:
    """Residual, shape (n,), and Jacobian of the model, shape (5, n)."""
    log_tau, start, old, process, drift = p.tolist()
    step = old - process
    model = slopes(elapsed - start, math.exp(log_tau), damping_s)
    jacobian = np.empty((5, elapsed.size))
    jacobian[0] = step * model.share_by_log_tau + drift * model.ramp_by_log_tau
    jacobian[2] = model.share
    jacobian[3] = 1.0 - model.share
    jacobian[1] = -step * model.share_by_s - drift * jacobian[3]
    jacobian[4] = model.ramp
    return o2 - (process + step * model.share + drift * model.ramp), jacobian


def _soft_cost(residual: Floats, jacobian: Floats, knee: float) -> tuple[float, Floats]:
    """Soft-L1 cost, and the Jacobian with each sample's weight."""
    root = np.sqrt(1.0 + (residual / knee) ** 2)
    return float(np.add.reduce(root - 1.0)), jacobian / root


def _search(
    elapsed: Floats, o2: Floats, damping_s: float, taus: tuple[float, float], starts: tuple[float, float]
) -> Floats:
    """Best of a grid over (tau, start), by plain least squares in the rest [1]: level, step and drift of each point."""
    kept = _spread_out(elapsed)
    elapsed, o2 = elapsed[kept], o2[kept]
    tau = (taus[0] * (taus[1] / taus[0]) ** _TAU_STEPS)[np.newaxis, :, np.newaxis]
    start = (starts[0] + (starts[1] - starts[0]) * _START_STEPS)[:, np.newaxis, np.newaxis]
    left, ramp = (shape.reshape(-1, elapsed.size) for shape in responses(elapsed - start, tau, damping_s))
    span, n = max(float(elapsed[-1]), 1.0), float(elapsed.size)
    # Centred, the level drops out; then the drift is judged by what of its ramp the step does not explain already.
    level = float(o2.mean())
    wanted = np.stack((np.full(elapsed.size, 1.0 / n), o2 - level), axis=1)
    left_mean, left_o2 = (left @ wanted).T
    ramp_mean, ramp_o2 = (ramp @ wanted).T / span
    left_left = np.einsum("ij,ij->i", left, left) - n * left_mean**2 + _RIDGE * n
    ramp_left = np.einsum("ij,ij->i", ramp, left) / span - n * ramp_mean * left_mean
    ramp_ramp = np.einsum("ij,ij->i", ramp, ramp) / span**2 - n * ramp_mean**2 + _RIDGE * n
    slant = ramp_left / left_left
    own = np.maximum(ramp_ramp - slant * ramp_left, _RIDGE * n)
    drift = (ramp_o2 - slant * left_o2) / own
    best = int(np.argmax(left_o2**2 / left_left + drift**2 * own))
    by_drift = float(drift[best])
    step = float(left_o2[best] / left_left[best]) - by_drift * float(slant[best])
    process = level - step * float(left_mean[best]) - by_drift * float(ramp_mean[best])
    at_start, at_tau = divmod(best, _GRID_TAUS)
    return np.array([math.log(tau.item(at_tau)), start.item(at_start), process + step, process, by_drift / span])


def _spread_out(elapsed: Floats) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Indices of at most some 64 samples: a few before the start, then ever farther apart."""
    if elapsed.size <= _SEARCH_SAMPLES:
        return np.arange(elapsed.size, dtype=np.intp)
    first = int(np.searchsorted(elapsed, 0.0))
    before = np.arange(max(first - 8, 0), first)
    after = np.unique(np.geomspace(1, elapsed.size - first, _SEARCH_SAMPLES).round().astype(np.intp)) - 1 + first
    return np.asarray(np.concatenate((before, after)), dtype=np.intp)
