"""The practical bound: who knows the fault's shape, the noise and its autocorrelation, and every covariate.

It sees the same things as Flueward, as often and with the same scatter: daily log demand, each air check, each return.
It knows the level before the fault (nothing to learn), what load, flue, head and supply do (exactly), and the shape of
this very fault's course after its onset; only onset and size are unknown. Its statistic is the generalised likelihood
ratio of "began at t0" over "has not begun", largest over t0 and size [1], on the whitened series: a matched filter. The
threshold is that which this very noise, drawn 400 times at this very case's instants without a fault, passes at the
asked rate of false alerts a year.

`limit` is another question: when does it know that the agreed limit (10 % demand, 2 mV, tau doubled) is crossed? An
alert by agreement is not due before; so it waits for its detection and until its best course is at the limit.

[1] M. Basseville, I. V. Nikiforov, "Detection of Abrupt Changes", Prentice Hall, 1993, section 2.4 (GLR).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, log

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from tests.benchmarks.evaluation.case import Fault
from tests.benchmarks.scoring.records import DAY_S, YEAR_S, Played

__all__ = ["Bound", "Series", "bound_of", "detect", "series_of"]

Floats = NDArray[np.float64]
DRAWS = 400
ONSET_STEP_DAYS = 3.0
LIMITS = {"heater_duty_creep": log(1.10), "cell_offset_drift": 2.0, "slow_recovery": log(2.0)}
LEAST_RATE = 0.01  # a year; less cannot be told from 400 draws


@dataclass(frozen=True, slots=True)
class Series:
    """What the oracle looks at: instants, values less everything known, their covariance, and the fault's course."""

    at_s: Floats
    y: Floats  # about 0 in health
    cov: Floats  # (n, n)
    course_s: Floats  # since onset
    course: Floats  # the fault's effect then, 0 at 0
    level: float = 0.0  # what stood there before the fault, counted towards an absolute limit
    both_sides: bool = False


@dataclass(frozen=True, slots=True)
class Bound:
    """When the oracle speaks (UTC, inf when never), and when the agreed limit is crossed in truth."""

    change_s: float
    limit_s: float
    crossed_s: float


def bound_of(played: Played, fault: Fault, arrays: Mapping[str, Floats], rate_per_year: float) -> Bound | None:
    """The bound for a fault of a slow kind; None for the sudden ones and where there is no observation."""
    series = series_of(played, fault, arrays)
    if series is None or series.at_s.size < 3:
        return None
    rng = np.random.default_rng((played.seed, played.number, 0x0AC1E))
    change_s, limit_s = detect(series, LIMITS[fault.kind], max(rate_per_year, LEAST_RATE), fault.onset_s, rng)
    effect = np.abs(series.level + series.course) if series.both_sides else series.course
    crossed = np.flatnonzero(effect >= LIMITS[fault.kind])
    crossed_s = fault.onset_s + float(series.course_s[crossed[0]]) if crossed.size else inf
    return Bound(change_s, limit_s, crossed_s)


def series_of(played: Played, fault: Fault, arrays: Mapping[str, Floats]) -> Series | None:
    """The series on which this kind of fault shows."""
    if fault.kind not in LIMITS:
        return None
    noise = played.noise
    day_s = arrays["truth.day_s"]
    if fault.kind == "heater_duty_creep":
        ln_r = np.log(arrays["truth.r_factor"])
        ok = np.isfinite(ln_r + arrays["truth.demand_noise"])
        ok &= (arrays["truth.in_service"] > 0.1) & (arrays["truth.alive"] > 0.1)
        at_s = day_s[ok] + DAY_S  # a day is known when it is over
        course = _course(day_s + DAY_S, ln_r, fault.onset_s)
        y = ln_r[ok] - np.interp(fault.onset_s, day_s + 0.5 * DAY_S, ln_r) + arrays["truth.demand_noise"][ok]
        rho = min(max(noise["demand_day_rho"], 0.0), 0.999)
        cov = _ar1(at_s / DAY_S, noise["demand_day_sd"], rho, noise.get("duty_day_sd", 0.0))
        if noise.get("duty_day_sd", 0.0) > 0.0:
            y = y + _noise_of(played, 1).normal(0.0, noise["duty_day_sd"], y.size)
        return Series(at_s, y, cov, *course)
    if fault.kind == "cell_offset_drift":
        at_s, shown = _known(arrays["events.air_check_s"], arrays["events.air_check_mv"])
        truth = arrays["truth.offset_mv"]
        before = float(np.interp(fault.onset_s, day_s, truth))
        course = _course(day_s, truth, fault.onset_s)
        constant = float(np.median(shown - np.interp(at_s, day_s, truth))) if at_s.size else 0.0
        cov = _ar1(at_s / DAY_S, noise.get("offset_wander_sd_mv", 0.0), 0.95, noise["offset_check_sd_mv"])
        return Series(at_s, shown - constant - before, cov, *course, level=before, both_sides=True)
    at_s, _ = _known(arrays["events.recovery_s"], arrays["events.recovery_tau_s"])
    factor = np.log(arrays["truth.tau_factor"] if "truth.tau_factor" in arrays else arrays["truth.tau_s"])
    before = float(np.interp(fault.onset_s, day_s, factor))
    sd = max(noise["tau_log_sd"], 1e-3)
    y = np.interp(at_s, day_s, factor) - before + _noise_of(played, 2).normal(0.0, sd, at_s.size)
    # Means of a day: thousands of returns a year need no larger matrix.
    day = np.floor(at_s / DAY_S)
    days, start, count = np.unique(day, return_index=True, return_counts=True)
    mean = np.add.reduceat(y, start) / count if days.size else y
    cov = np.diag(sd**2 / count)
    return Series(at_s[start + count - 1] if days.size else at_s, mean, cov, *_course(day_s, factor, fault.onset_s))


def detect(
    series: Series, limit: float, rate_per_year: float, from_s: float, rng: np.random.Generator
) -> tuple[float, float]:
    """First instants at or after `from_s` at which it knows of a change, and of the limit being crossed."""
    root = np.linalg.cholesky(series.cov)
    onsets = np.arange(series.at_s[0] - DAY_S, series.at_s[-1], ONSET_STEP_DAYS * DAY_S)
    onsets = np.unique(np.append(onsets, from_s))
    since = series.at_s[:, None] - onsets[None, :]
    shapes = np.where(since > 0.0, np.interp(since, series.course_s, series.course), 0.0)
    white = solve_triangular(root, shapes, lower=True)
    y = solve_triangular(root, series.y, lower=True)
    power = np.cumsum(white**2, axis=0)
    match = np.cumsum(white * y[:, None], axis=0)
    ratio = _ratio(match, power, both_sides=series.both_sides)
    threshold = _threshold(
        white, power, (series.at_s[-1] - series.at_s[0]) / YEAR_S, rate_per_year, rng, both_sides=series.both_sides
    )
    row = np.arange(ratio.shape[0])
    best = ratio.argmax(axis=1)
    speaks = (ratio[row, best] > threshold) & (series.at_s >= from_s)
    size = match[row, best] / np.maximum(power[row, best], 1e-300)
    effect = size * shapes[row, best]
    effect = np.abs(series.level + effect) if series.both_sides else effect
    return _first(series.at_s, speaks), _first(series.at_s, speaks & (effect >= limit))


def _ratio(match: Floats, power: Floats, *, both_sides: bool) -> Floats:
    """Log-likelihood ratio at the best size; where the fault can only go one way, a size the other way is none."""
    match = match if both_sides else np.maximum(match, 0.0)
    return np.divide(match**2, 2.0 * power, out=np.zeros_like(match), where=power > 1e-12)


def _threshold(
    white: Floats, power: Floats, years: float, rate_per_year: float, rng: np.random.Generator, *, both_sides: bool
) -> float:
    """Passed by noise alone in a share 1 - exp(-rate x years) of records."""
    peaks = []
    for _ in range(DRAWS // 40):
        w = rng.standard_normal((white.shape[0], 40))
        peak = np.zeros(40)
        match = np.zeros((white.shape[1], 40))
        for i in range(white.shape[0]):
            match += white[i][:, None] * w[i]
            ratio = _ratio(match, np.broadcast_to(power[i][:, None], match.shape), both_sides=both_sides)
            np.maximum(peak, ratio.max(axis=0), out=peak)
        peaks.append(peak)
    return float(np.quantile(np.concatenate(peaks), np.exp(-rate_per_year * max(years, 0.1))))


def _course(at_s: Floats, truth: Floats, onset_s: float) -> tuple[Floats, Floats]:
    """The effect since onset; it goes on as it went for onsets that are assumed earlier."""
    begin = float(np.interp(onset_s, at_s, truth))
    later = at_s > onset_s
    since = np.concatenate([[0.0], at_s[later] - onset_s])
    effect = np.concatenate([[0.0], truth[later] - begin])
    ok = np.isfinite(effect)
    since, effect = since[ok], effect[ok]
    if since.size > 2:
        n = min(30, since.size - 1)
        slope = (effect[-1] - effect[-1 - n]) / (since[-1] - since[-1 - n])
        since = np.append(since, since[-1] + 2.0 * YEAR_S)
        effect = np.append(effect, effect[-1] + slope * 2.0 * YEAR_S)
    return since, effect


def _ar1(day: Floats, sd: float, rho: float, white_sd: float) -> Floats:
    lag = np.abs(day[:, None] - day[None, :])
    return sd**2 * rho**lag + np.eye(day.size) * max(white_sd**2, (0.05 * sd) ** 2, 1e-12)


def _known(at_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    ok = np.isfinite(at_s + value)
    return at_s[ok], value[ok]


def _first(at_s: Floats, spoken: NDArray[np.bool_]) -> float:
    hit = np.flatnonzero(spoken)
    return float(at_s[hit[0]]) if hit.size else inf


def _noise_of(played: Played, what: int) -> np.random.Generator:
    return np.random.default_rng((played.seed, played.number, what))
