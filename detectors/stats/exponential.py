"""Exponential approach and decay, fitted with the rates as logarithms and inside bounds.

A rate that is a logarithm cannot turn negative and overflow on the way, which a plain fit does from a poor start. The
amplitudes and the floor enter linearly and are solved for exactly at every step [1], so only the rates are searched.

[1] G. H. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares problems whose
    variables separate", SIAM J. Numer. Anal. 10, 413-432, 1973.
[2] L. Kaufman, "A variable projection method for solving separable nonlinear least squares problems", BIT 15, 49-57,
    1975.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from detectors.stretch import Floats

__all__ = ["ExponentialFit", "fit_decays", "fit_saturation"]

_ITERATIONS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class ExponentialFit:
    """y = floor + sum amplitude_i exp(-rate_i (t - origin)), rates rising; `why_not` says why there is none."""

    origin: float = math.nan  # the first time, or 0 for a saturation
    floor: float = math.nan
    amplitudes: tuple[float, ...] = ()
    rates: tuple[float, ...] = ()
    u_rates: tuple[float, ...] = ()  # standard uncertainties for white noise
    u_amplitudes: tuple[float, ...] = ()
    u_floor: float = math.nan
    rss: float = math.nan
    n: int = 0
    why_not: str = ""

    @property
    def accepted(self) -> bool:
        """Whether there is a fit."""
        return not self.why_not


def fit_decays(
    time: ArrayLike,
    values: ArrayLike,
    *,
    terms: int = 1,
    floor: float | None = None,
    start_rates: Sequence[float] | None = None,
    rate_bounds: tuple[float, float] | None = None,
) -> ExponentialFit:
    """Least-squares fit of one to three decays on a floor.

    Parameters
    ----------
    time, values : array_like, shape (n,)
        NaN = missing.
    terms : int
        1 to 3.
    floor : float, optional
        The known end value; None fits it. Fix it where it is known: on a short record a free floor is worthless.
    start_rates : sequence of float, optional
        Where to start, > 0; None searches. [1 / unit of time]
    rate_bounds : (float, float), optional
        Default: one thousandth of 1 / span, to ten over the closest spacing.

    Returns
    -------
    ExponentialFit

    Raises
    ------
    ValueError
        A setting out of range, arrays of unequal shape.
    """
    if terms not in (1, 2, 3):
        raise ValueError(f"terms must be 1, 2 or 3, got {terms!r}")
    t, y = np.asarray(time, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape:
        raise ValueError(f"time and values must share one shape (n,), got {t.shape} and {y.shape}")
    known = np.isfinite(t) & np.isfinite(y)
    t, y = t[known], y[known]
    unknowns = 2 * terms + (floor is None)
    if np.unique(t).size <= unknowns:
        return ExponentialFit(n=int(t.size), why_not=f"{np.unique(t).size} times for {unknowns} unknowns")
    if float(np.ptp(y)) == 0.0:
        return ExponentialFit(n=int(t.size), why_not="the values do not change")
    origin = float(t.min())
    since = t - origin
    span, closest = float(since.max()), float(np.min(np.diff(np.unique(since))))
    low, high = rate_bounds if rate_bounds is not None else (1e-3 / span, 10.0 / closest)
    if not 0 < low < high:
        raise ValueError(f"rate_bounds must satisfy 0 < low < high, got {low!r} and {high!r}")
    if start_rates is not None and (len(start_rates) != terms or not all(rate > 0 for rate in start_rates)):
        raise ValueError(f"start_rates must be {terms} values > 0, got {start_rates!r}")
    problem = _Problem(since, y - (floor or 0.0), free_floor=floor is None, saturating=False)
    return _solve(problem, terms, start_rates, (low, high), origin, floor)


def fit_saturation(time: ArrayLike, values: ArrayLike, *, start_rate: float | None = None) -> ExponentialFit:
    """Least-squares fit of a rise from zero at time 0, y = A (1 - exp(-rate t)): amplitude and rate only.

    The result carries floor = A and amplitude = -A. Arguments and errors as for `fit_decays`.
    """
    t, y = np.asarray(time, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape:
        raise ValueError(f"time and values must share one shape (n,), got {t.shape} and {y.shape}")
    known = np.isfinite(t) & np.isfinite(y) & (t > 0)
    t, y = t[known], y[known]
    if np.unique(t).size < 3 or not np.any(y):
        return ExponentialFit(n=int(t.size), why_not=f"{np.unique(t).size} times after 0 for 2 unknowns")
    bounds = (1e-4 / float(t.max()), 30.0 / float(t.min()))
    problem = _Problem(t, y, free_floor=False, saturating=True)
    return _solve(problem, 1, None if start_rate is None else (start_rate,), bounds, 0.0, None)


@dataclass(frozen=True, slots=True)
class _Problem:
    """The data and the columns that the linear coefficients multiply, as functions of the logarithms of the rates."""

    t: Floats
    y: Floats
    free_floor: bool
    saturating: bool

    def columns(self, logs: Floats) -> Floats:
        decays = np.exp(-np.exp(logs)[np.newaxis, :] * self.t[:, np.newaxis])
        if self.saturating:
            return -np.expm1(-np.exp(logs)[np.newaxis, :] * self.t[:, np.newaxis])
        return np.column_stack((decays, np.ones(self.t.size))) if self.free_floor else decays

    def derivatives(self, logs: Floats) -> Floats:
        """Of each decay or saturation by its own log rate, shape (n, terms)."""
        x = np.exp(logs)[np.newaxis, :] * self.t[:, np.newaxis]
        return np.asarray(x * np.exp(-x) if self.saturating else -x * np.exp(-x))

    def solve(self, logs: Floats) -> tuple[Floats, Floats]:
        """Best linear coefficients and what they leave."""
        columns = self.columns(logs)
        coefficients = np.asarray(np.linalg.lstsq(columns, self.y, rcond=1e-13)[0], dtype=np.float64)
        return coefficients, self.y - columns @ coefficients


def _solve(
    problem: _Problem,
    terms: int,
    start_rates: Sequence[float] | None,
    rate_bounds: tuple[float, float],
    origin: float,
    floor: float | None,
) -> ExponentialFit:
    low, high = math.log(rate_bounds[0]), math.log(rate_bounds[1])
    if start_rates is not None:
        start = np.clip(np.log(np.sort(np.asarray(start_rates, dtype=np.float64))), low, high)
    else:
        start = _search(problem, terms, low, high)
    logs = _refine(problem, start, low, high)
    order = np.argsort(logs)
    logs = logs[order]
    linear, residual = problem.solve(logs)
    rss = float(residual @ residual)
    amplitudes = linear[:terms]
    jacobian = np.column_stack((problem.derivatives(logs) * amplitudes, problem.columns(logs)))
    u = _standard_uncertainties(jacobian, rss)
    rates = np.exp(logs)
    at_bound = np.any((logs <= low + 1e-9) | (logs >= high - 1e-9))
    if problem.saturating:
        level, u_level = float(amplitudes[0]), float(u[terms])
        amplitudes = -amplitudes
    else:
        level = float(linear[terms]) if problem.free_floor else float(floor or 0.0)
        u_level = float(u[2 * terms]) if problem.free_floor else 0.0
    return ExponentialFit(
        origin=origin,
        floor=level,
        amplitudes=tuple(float(a) for a in amplitudes),
        rates=tuple(float(rate) for rate in rates),
        u_rates=tuple(float(rate * share) for rate, share in zip(rates, u[:terms], strict=True)),
        u_amplitudes=tuple(float(v) for v in u[terms : 2 * terms]),
        u_floor=u_level,
        rss=rss,
        n=int(problem.t.size),
        why_not="the rate ran to a bound: the record does not show an exponential" if at_bound else "",
    )


def _search(problem: _Problem, terms: int, low: float, high: float) -> Floats:
    """Best of a grid of log rates, each combination solved for its coefficients."""
    grid = np.linspace(low, high, {1: 60, 2: 24, 3: 16}[terms])
    best, best_rss = np.full(terms, 0.5 * (low + high)), math.inf
    for combination in combinations(grid, terms):
        logs = np.asarray(combination)
        _, residual = problem.solve(logs)
        rss = float(residual @ residual)
        if rss < best_rss:
            best, best_rss = logs, rss
    return best


def _refine(problem: _Problem, logs: Floats, low: float, high: float) -> Floats:
    """Levenberg-Marquardt in the log rates alone, with the Jacobian of the projected problem as Kaufman cut it [2]."""
    linear, residual = problem.solve(logs)
    cost, stiffness = float(residual @ residual), 1e-3
    for _ in range(_ITERATIONS):
        slope = problem.derivatives(logs) * linear[: logs.size]
        basis, size, _ = np.linalg.svd(problem.columns(logs), full_matrices=False)
        basis = basis[:, size > 1e-13 * size[0]]
        jacobian = slope - basis @ (basis.T @ slope)
        normal, pull = jacobian.T @ jacobian, jacobian.T @ residual
        damping = stiffness * (np.diag(normal) + 1e-15 * (float(np.max(np.diag(normal))) + 1e-300))
        step = np.clip(np.linalg.lstsq(normal + np.diag(damping), pull, rcond=None)[0], -2.0, 2.0)
        tried = np.clip(logs + step, low, high)
        new_linear, new_residual = problem.solve(tried)
        new_cost = float(new_residual @ new_residual)
        if new_cost <= cost:
            moved = float(np.max(np.abs(tried - logs)))
            logs, linear, residual, cost = tried, new_linear, new_residual, new_cost
            stiffness = max(stiffness / 5, 1e-12)
            if moved < 1e-10:
                break
        else:
            stiffness *= 5
            if stiffness > 1e12:
                break
    return logs


def _standard_uncertainties(jacobian: Floats, rss: float) -> Floats:
    n, k = jacobian.shape
    if n <= k:
        return np.full(k, np.inf)
    norms = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / np.where(norms > 0, norms, 1.0)
    inverse = np.linalg.pinv(scaled, rcond=1e-12)
    spread = np.sqrt(np.sum(inverse**2, axis=1) * rss / (n - k))
    return np.asarray(np.where(norms > 0, spread / np.where(norms > 0, norms, 1.0), np.inf))
