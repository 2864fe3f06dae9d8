"""Gas exchange through the filter: how fast the cell sees the process again after air.

First order in the O2 FRACTION (not in mV) after a dead time. Time constant, dead time, old level, and the process with
its own linear drift are fitted together, robustly; known display damping is part of the model, not divided out. A real
return is not one exponential on a constant floor, so short windows are refused rather than extrapolated.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from detectors.probe.domain import Floats
from detectors.probe.recovery_fit import DEAD_TIME_LIMIT_S, Fitted, fit_model, search
from detectors.probe.recovery_model import remaining_share
from detectors.probe.recovery_uncertainty import WANDER_SD_FRAC, tau_uncertainty_s
from detectors.stats.robust import mad_sigma, median

__all__ = ["RecoveryFit", "fit_recovery"]

FEWEST_SAMPLES = 8
FEWEST_IN_FALL = 4  # samples between 5 % and 95 % of the way
SHORTEST_WINDOW_TAUS = 1.5
LONGEST_WINDOW_TAUS = 8.0  # later samples tell of the process, not of the filter
SMALLEST_AMPLITUDE_FRAC = 0.005  # 0.5 % O2
WORST_RMS_SHARE = 0.05  # of the amplitude
WORST_TAU_U_SHARE = 0.3  # of tau
FARTHEST_RETURN_SHARE = 0.5  # of the amplitude, between the end and the process before
T90_TAUS = math.log(10.0)
WANDER_LEFT_BY_TWIN = 0.5
TWIN_EDGE_S = 30.0  # that it may begin late or end early
TWIN_LARGEST_GAP_S = 60.0
LEAST_TWIN_GAIN = 0.05
LARGEST_TWIN_GAIN = 1.5
TWIN_DOUBT_SHARE = 0.3  # of what it changed: its own lag and gain are not known
TWIN_MUST_LEAVE_SHARE = 0.8  # of the residual, or the twin is no help
_TRIMS = 3
_LEVEL_SHARE = 0.05  # of the step, that the old level may have moved and still be a level
_BEFORE_S = 20.0  # of the old level that is used


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryFit:
    """One fitted return. Where it is not accepted `why_not` says why, and the numbers are for the engineer only."""

    tau_s: float = math.nan
    tau_u_s: float = math.nan  # standard uncertainty, with the process's wander counted
    end_frac: float = math.nan  # the process at the end of the window
    drift_frac_per_s: float = math.nan
    dead_time_s: float = math.nan  # after start_s; a little below 0 where the start was seen late
    amplitude_frac: float = math.nan  # old level minus process at the start
    rms_frac: float = math.nan  # of what the fit leaves
    n: int = 0
    accepted: bool = False
    why_not: str = ""
    twin_used: bool = False

    @property
    def t90_s(self) -> float:
        """Time to 90 % of the step without damping: dead time and 2.303 tau. [s]"""
        return self.dead_time_s + T90_TAUS * self.tau_s


def fit_recovery(
    time_s: ArrayLike,
    o2_frac: ArrayLike,
    *,
    start_s: float,
    damping_s: float = 0.0,
    process_before_frac: float | None = None,
    twin_time_s: ArrayLike | None = None,
    twin_o2_frac: ArrayLike | None = None,
    wander_sd_frac: float = WANDER_SD_FRAC,
) -> RecoveryFit:
    """Fit one return from air (or any other step of the gas) to the process.

    Parameters
    ----------
    time_s, o2_frac : array_like, shape (n,)
        Rising time and displayed oxygen, with some seconds of the old level before `start_s` where there are any; NaN =
        missing. It may go on for as long as nothing else happens: what is not needed is left out. [s], [-]
    start_s : float
        When the air was taken away, same clock. [s]
    damping_s : float
        Time constant of the display, 0 for none, >= 0. [s]
    process_before_frac : float, optional
        Process level before the check; a return that ends far from it is refused. [-]
    twin_time_s, twin_o2_frac : array_like, shape (m,), optional
        A probe that shares the duct and saw no check; its changes are taken out with a fitted gain where that helps.
    wander_sd_frac : float
        Standard deviation of the process at steady load over hours, for the uncertainty only. [-]

    Returns
    -------
    RecoveryFit
        Never raises for what the data are; see `accepted` and `why_not`.

    Raises
    ------
    ValueError
        Arrays of unequal shape, a start that is not finite, negative or NaN damping.
    """
    time, o2 = np.asarray(time_s, dtype=np.float64), np.asarray(o2_frac, dtype=np.float64)
    if time.ndim != 1 or time.shape != o2.shape:
        raise ValueError(f"time_s and o2_frac must share one shape (n,), got {time.shape} and {o2.shape}")
    if not math.isfinite(start_s):
        raise ValueError(f"start_s must be finite, got {start_s!r}")
    if not (damping_s >= 0 and math.isfinite(damping_s)):
        raise ValueError(f"damping_s must be >= 0, got {damping_s!r}")
    use = np.isfinite(time) & np.isfinite(o2)
    elapsed, o2 = time[use] - start_s, o2[use]
    period = median(np.diff(elapsed)) if elapsed.size > 1 else 1.0
    keep = elapsed >= -max(_BEFORE_S, 5 * period)
    elapsed, o2 = elapsed[keep], o2[keep]
    if np.count_nonzero(elapsed >= 0) < FEWEST_SAMPLES:
        return RecoveryFit(n=int(elapsed.size), why_not=f"fewer than {FEWEST_SAMPLES} samples after the start")
    if float(np.ptp(o2)) < SMALLEST_AMPLITUDE_FRAC:
        return RecoveryFit(n=int(elapsed.size), why_not="moved less than 0.5 % O2")

    elapsed, o2, starts = _from_the_turn(elapsed, o2, period)
    for _ in range(_TRIMS):  # each time what remains tells better where the return ends
        rough = search(elapsed, o2, period, damping_s, starts)
        inside = elapsed <= rough.dead_s + LONGEST_WINDOW_TAUS * (rough.tau_s + damping_s)
        if inside.all() or np.count_nonzero(inside & (elapsed >= 0)) < FEWEST_SAMPLES:
            break
        elapsed, o2 = elapsed[inside], o2[inside]
    else:
        rough = search(elapsed, o2, period, damping_s, starts)
    fitted = fit_model(elapsed, o2, period, damping_s, starts, start=rough)
    twin = _twin_change(elapsed + start_s, twin_time_s, twin_o2_frac)
    plain = fitted
    if twin is not None:
        fitted = _with_twin(plain, elapsed, o2, twin, period, damping_s, starts)
    return _judge(fitted, plain, elapsed, damping_s, process_before_frac, wander_sd_frac)


def _from_the_turn(elapsed: Floats, o2: Floats, period: float) -> tuple[Floats, Floats, tuple[float, float] | None]:
    """Leave out what came before the display turned, where it had not yet come to rest on the air.

    A short blow-back ends while the display still rises. At its turn display and gas are equal, which is all the model
    asks of its beginning; the turn is then where the return starts.
    """
    before = elapsed <= 0
    if np.count_nonzero(before) < 3:
        return elapsed, o2, None
    old, end = o2[before], median(o2[-max(o2.size // 4, 1) :])
    first, last = median(old[: old.size // 2]), median(old[-3:])
    noise = mad_sigma(np.diff(o2))
    if abs(last - first) <= max(_LEVEL_SHARE * abs(last - end), 4 * noise):
        return elapsed, o2, None
    near = np.flatnonzero(elapsed <= min(DEAD_TIME_LIMIT_S, 0.4 * float(elapsed[-1])))
    turn = int(near[np.argmax(np.sign(last - end) * o2[near])])
    turn_s = float(elapsed[turn])
    return elapsed[turn:], o2[turn:], (turn_s - period, turn_s + period)


def _twin_change(time: Floats, twin_time_s: ArrayLike | None, twin_o2_frac: ArrayLike | None) -> Floats | None:
    """The twin's departure from its mean at our instants; None where it is not there throughout, or did not move."""
    if twin_time_s is None or twin_o2_frac is None:
        return None
    when, o2 = np.asarray(twin_time_s, dtype=np.float64), np.asarray(twin_o2_frac, dtype=np.float64)
    if when.ndim != 1 or when.shape != o2.shape:
        raise ValueError(f"twin_time_s and twin_o2_frac must share one shape (m,), got {when.shape} and {o2.shape}")
    use = np.isfinite(when) & np.isfinite(o2)
    when, o2 = when[use], o2[use]
    if when.size < FEWEST_SAMPLES or when[0] > time[0] + TWIN_EDGE_S or when[-1] < time[-1] - TWIN_EDGE_S:
        return None
    seen = when[(when >= time[0] - TWIN_LARGEST_GAP_S) & (when <= time[-1] + TWIN_LARGEST_GAP_S)]
    if np.max(np.diff(seen)) > TWIN_LARGEST_GAP_S:
        return None
    change = np.interp(time, when, o2)
    change = change - change.mean()
    return change if float(np.ptp(change)) > 0 else None


def _with_twin(
    plain: Fitted,
    elapsed: Floats,
    o2: Floats,
    twin: Floats,
    period: float,
    damping_s: float,
    starts: tuple[float, float] | None,
) -> Fitted:
    """Take the twin's change out with the gain that fits best, where that leaves markedly less; else leave it."""
    share = 1 - remaining_share(elapsed - plain.dead_s, plain.tau_s, damping_s)
    best = plain
    # A twin as slow as this probe shows the process as this one does; a faster one shows it before our filter's lag.
    for change in (twin, _lagged(twin, elapsed, plain.tau_s)):
        regressor = share * change
        projected = _project_out(plain.jacobian, np.column_stack((regressor, plain.residual)))
        spread = float(projected[:, 0] @ projected[:, 0])
        gain = float(projected[:, 0] @ projected[:, 1]) / spread if spread > 0 else 0.0
        if gain <= LEAST_TWIN_GAIN:
            continue
        corrected = o2 - min(gain, LARGEST_TWIN_GAIN) * regressor
        tried = fit_model(elapsed, corrected, period, damping_s, starts)
        if float(np.std(tried.residual)) < float(np.std(best.residual)):
            best = tried
    if float(np.std(best.residual)) > TWIN_MUST_LEAVE_SHARE * float(np.std(plain.residual)):
        return plain
    return best


def _lagged(change: Floats, elapsed: Floats, tau_s: float) -> Floats:
    """First-order lag of uneven samples, held between them."""
    keep = np.exp(-np.diff(elapsed) / tau_s)
    result, value = np.empty(change.size), float(change[0])
    result[0] = value
    for at, (kept, new) in enumerate(zip(keep.tolist(), change[1:].tolist(), strict=True), start=1):
        value = new + (value - new) * kept
        result[at] = value
    return result


def _project_out(jacobian: Floats, columns: Floats) -> Floats:
    """What of the columns the fit cannot take up."""
    scaled = jacobian / np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    solution = np.linalg.lstsq(scaled, columns, rcond=1e-8)[0]
    return np.asarray(columns - scaled @ solution)


def _judge(
    fitted: Fitted,
    plain: Fitted,
    elapsed: Floats,
    damping_s: float,
    process_before_frac: float | None,
    wander_sd_frac: float,
) -> RecoveryFit:
    tau, dead, twin_used = fitted.tau_s, fitted.dead_s, fitted is not plain
    _, _, old, process, drift = (float(value) for value in fitted.parameters)
    amplitude = old - process
    rms = float(np.sqrt(np.mean(fitted.residual**2)))
    after = float(elapsed[-1]) - dead
    share = 1 - remaining_share(elapsed - dead, tau, damping_s)
    wander = wander_sd_frac * (WANDER_LEFT_BY_TWIN if twin_used else 1.0)
    tau_u = tau_uncertainty_s(elapsed, fitted.residual, fitted.jacobian, tau, share, wander_sd_frac=wander)
    tau_u = math.hypot(tau_u, TWIN_DOUBT_SHARE * (tau - plain.tau_s))
    result = RecoveryFit(
        tau_s=tau,
        tau_u_s=tau_u,
        end_frac=process + drift * after,
        drift_frac_per_s=drift,
        dead_time_s=dead,
        amplitude_frac=amplitude,
        rms_frac=rms,
        n=int(elapsed.size),
        twin_used=twin_used,
    )
    why = _why_not(result, elapsed, after, damping_s, process_before_frac)
    return replace(result, accepted=not why, why_not=why)


def _why_not(
    fit: RecoveryFit, elapsed: Floats, after_s: float, damping_s: float, process_before_frac: float | None
) -> str:
    left = remaining_share(elapsed - fit.dead_time_s, fit.tau_s, damping_s)
    falling: NDArray[np.bool_] = (left < 0.95) & (left > 0.05)
    if abs(fit.amplitude_frac) < SMALLEST_AMPLITUDE_FRAC:
        return "moved less than 0.5 % O2"
    if after_s < SHORTEST_WINDOW_TAUS * (fit.tau_s + damping_s):
        return f"window of {after_s:.0f} s is under {SHORTEST_WINDOW_TAUS:g} time constants of {fit.tau_s:.0f} s"
    if np.count_nonzero(falling) < FEWEST_IN_FALL:
        return f"{np.count_nonzero(falling)} samples while it moved, {FEWEST_IN_FALL} are needed"
    if fit.rms_frac > WORST_RMS_SHARE * abs(fit.amplitude_frac):
        return f"poor fit: {100 * fit.rms_frac:.2f} % O2 left of a step of {100 * abs(fit.amplitude_frac):.1f} % O2"
    if process_before_frac is not None and math.isfinite(process_before_frac):
        far = abs(fit.end_frac - process_before_frac)
        if far > FARTHEST_RETURN_SHARE * abs(fit.amplitude_frac):
            return f"incomplete return: ends {100 * far:.1f} % O2 from the process before"
    if not fit.tau_u_s <= WORST_TAU_U_SHARE * fit.tau_s:
        return f"too uncertain: {fit.tau_s:.1f} s within {fit.tau_u_s:.1f} s"
    return ""
