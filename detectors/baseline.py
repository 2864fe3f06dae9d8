"""A frozen baseline: the level of a quantity in health, how conditions move it, and what it has seen.

A linear model of a logarithm, y = level + sum coef_j (x_j - centre_j), by least squares with Huber's weights and with a
prior for each coefficient. The prior does two things: a few days cannot overfit, and where the learning days did not
move a condition, the prior's width stays as the uncertainty of believing the baseline elsewhere.

[1] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., 2013, section 14.8: a prior as additional data in a regression.
[2] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., 2009, section 7.8: k = 1.345, weights min(1, k / |r|).
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from math import isfinite, sqrt
from typing import Any

import numpy as np

from detectors.stats.autocorrelation import ar1_inflation, lag1
from detectors.stats.robust import MAD_TO_SIGMA
from detectors.stretch import Floats

__all__ = ["Baseline", "Prior", "fit_baseline"]

HUBER_K = 1.345  # [2], 95 % efficient under normal errors
ROUNDS = 8
KNOWN_SHARE = 0.8  # of the learning points that must know a condition for it to be used
MOST_RHO = 0.95  # more cannot be told from a trend by so few points


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed of a coefficient before any data: its mean and standard deviation."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A fitted baseline. `cov` is the covariance of level and coefficients, in this order."""

    level: float
    names: tuple[str, ...]
    coef: tuple[float, ...]
    centre: tuple[float, ...]
    low: tuple[float, ...]  # the range of each condition that was seen
    high: tuple[float, ...]
    cov: tuple[tuple[float, ...], ...]
    scatter: float  # standard deviation of one point about the model
    rho: float  # autocorrelation at lag one that was counted
    points: int
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON-able data."""
        return asdict(self)

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> "Baseline":
        """The baseline back."""
        lists = {name: tuple(saved[name]) for name in ("names", "coef", "centre", "low", "high")}
        return cls(**{**saved, **lists, "cov": tuple(tuple(row) for row in saved["cov"])})

    def expect(self, conditions: Mapping[str, float]) -> tuple[float, float]:
        """Level under these conditions, and its standard uncertainty. One that is missing is taken as in learning."""
        off, unknown = self.away(conditions)
        away = np.array([1.0, *off])
        level = self.level + float(away[1:] @ np.array(self.coef))
        variance = float(away @ np.array(self.cov) @ away)
        return level, sqrt(max(0.0, variance) + unknown)

    def away(self, conditions: Mapping[str, float]) -> tuple[tuple[float, ...], float]:
        """Conditions minus the centre of learning, 0 for one that is missing; and the variance that those leave."""
        off: list[float] = []
        unknown = 0.0
        for j, name in enumerate(self.names):
            value = conditions.get(name, float("nan"))
            if isfinite(value):
                off.append(value - self.centre[j])
            else:
                # Anywhere in the range it was seen in: a uniform distribution.
                off.append(0.0)
                unknown += (self.coef[j] * (self.high[j] - self.low[j])) ** 2 / 12.0
        return tuple(off), unknown

    def slope(self, name: str) -> tuple[float, float]:
        """A condition's coefficient and its standard uncertainty; (0, 0) when it was not used."""
        if name not in self.names:
            return 0.0, 0.0
        j = self.names.index(name)
        return self.coef[j], sqrt(max(0.0, self.cov[j + 1][j + 1]))

    def fixed_at(self, name: str, value: float, note: str = "") -> "Baseline":
        """The baseline with one condition held at a value for good, as the time of a trend at its low end."""
        if name not in self.names:
            return replace(self, note=note)
        j = self.names.index(name)
        shift = np.eye(len(self.names) + 1)
        shift[0, j + 1] = value - self.centre[j]
        cov = np.delete(np.delete(shift @ np.array(self.cov) @ shift.T, j + 1, axis=0), j + 1, axis=1)

        def without(values: tuple[float, ...]) -> tuple[float, ...]:
            return values[:j] + values[j + 1 :]

        return replace(
            self,
            level=self.level + self.coef[j] * (value - self.centre[j]),
            names=self.names[:j] + self.names[j + 1 :],
            coef=without(self.coef),
            centre=without(self.centre),
            low=without(self.low),
            high=without(self.high),
            cov=tuple(tuple(row) for row in cov.tolist()),
            note=note,
        )

    def seen(self, name: str) -> tuple[float, float] | None:
        """The range of a condition in learning; None when it was not known."""
        if name not in self.names:
            return None
        j = self.names.index(name)
        return self.low[j], self.high[j]


def fit_baseline(
    y: Floats,
    conditions: Mapping[str, Floats],
    priors: Mapping[str, Prior],
    *,
    rho_floor: float,
    rho_prior_points: float = 0.0,
    least_scatter: float,
    point_u: Floats | None = None,
    start: Mapping[str, float] | None = None,
) -> Baseline:
    """Fit a baseline.

    Parameters
    ----------
    y : ndarray, shape (n,), n >= 1, finite
        The quantity, usually a logarithm, in order of time.
    conditions : mapping of ndarrays, shape (n,)
        What may move it; NaN where unknown. One that most points do not know is left out.
    priors : mapping
        One for each condition.
    rho_floor : float
        Autocorrelation of neighbouring points that is counted whatever so few points say. 0 <= rho_floor < 1.
    rho_prior_points : float
        How many points of data that floor is worth where more than it is found. An autocorrelation of n points is
        uncertain by about 1 / sqrt(n): of 20 it alone would often come out at 0.9, and count one day where ten are.
    least_scatter : float
        The scatter is never believed to be smaller.
    point_u : ndarray, shape (n,), optional
        Standard uncertainty of each point beside the common scatter; weights follow it.
    start : mapping, optional
        Coefficients to start from instead of their prior means. A trend needs one: from zero, its own residuals look
        so alike that nothing is left to tell it from.

    Raises
    ------
    ValueError
        No points, or points that are not finite.
    """
    n = y.size
    if n == 0 or not bool(np.isfinite(y).all()):
        raise ValueError(f"y must hold finite points, got {n} with {int(np.count_nonzero(~np.isfinite(y)))} not finite")
    names = tuple(k for k, x in conditions.items() if np.count_nonzero(np.isfinite(x)) >= max(2.0, KNOWN_SHARE * n))
    columns = [np.where(np.isfinite(conditions[k]), conditions[k], np.nanmedian(conditions[k])) for k in names]
    centre = [float(np.mean(x)) for x in columns]
    design = np.stack([np.ones(n), *(x - c for x, c in zip(columns, centre, strict=True))], axis=1)
    mean = np.array([0.0, *(priors[k].mean for k in names)])
    precision = np.diag([0.0, *(1.0 / priors[k].sd ** 2 for k in names)])
    point_u = np.zeros(n) if point_u is None else point_u

    huber, inflation, rho, scatter = np.ones(n), 1.0, rho_floor, least_scatter
    # From the prior with the median, so that the first residuals already know an outlier.
    begin = {} if start is None else start
    beta = np.array([0.0, *(begin.get(k, priors[k].mean) for k in names)])
    beta[0] = np.median(y - design @ beta)
    cov = precision
    for _ in range(ROUNDS):
        relative = np.hypot(1.0, point_u / scatter)
        residual = (y - design @ beta) / relative
        # Points that are alike share their errors, which their spread then misses: hence inflation and not 1.
        used = min(0.75 * n, inflation + _degrees(design, precision, scatter**2 * inflation))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(residual)))
        scatter = max(least_scatter, spread * sqrt(n / (n - used)))
        huber = np.minimum(1.0, HUBER_K * scatter / np.maximum(np.abs(residual), 1e-300))
        found = lag1(residual * huber)
        rho = min(MOST_RHO, rho_floor + max(0.0, found - rho_floor) * n / (n + rho_prior_points))
        inflation = ar1_inflation(rho, n)
        weight = huber / (relative**2 * scatter**2 * inflation)
        information = design.T @ (weight[:, None] * design) + precision
        cov = np.linalg.inv(information)
        beta = cov @ (design.T @ (weight * y) + precision @ mean)
    return Baseline(
        level=float(beta[0]),
        names=names,
        coef=tuple(beta[1:].tolist()),
        centre=tuple(centre),
        low=tuple(float(np.min(x)) for x in columns),
        high=tuple(float(np.max(x)) for x in columns),
        cov=tuple(tuple(row) for row in cov.tolist()),
        scatter=scatter,
        rho=rho,
        points=n,
    )


def _degrees(design: Floats, precision: Floats, variance: float) -> float:
    """Effective number of coefficients beyond the level that the data, not the prior, decide."""
    gram = design.T @ design / max(variance, 1e-300)
    return float(np.trace(np.linalg.solve(gram + precision, gram))) - 1.0
