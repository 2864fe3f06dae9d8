"""The settled value of a check: what cell and temperature came to rest at, or why they did not."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.autocorrelation import median_with_error
from detectors.stats.robust import hampel_outliers, mad_sigma, median
from detectors.stretch import Floats

__all__ = ["Settled", "settled_value"]

FEWEST_SAMPLES = 5
_GAP_SHARE = 0.5  # of the window that may pass without a sample
_SPIKE_SIGMA = 8.0
_LONGEST_WINDOWS = 10.0  # more adds little to a median


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A settled value with its standard uncertainty, or the reason why there is none (`why_not`, value NaN)."""

    value: float = math.nan
    u: float = math.nan
    start_s: float = math.nan
    end_s: float = math.nan
    n: int = 0
    slope_per_min: float = math.nan
    temp_c: float = math.nan
    why_not: str = ""

    @property
    def accepted(self) -> bool:
        """Whether there is a value."""
        return not self.why_not


def settled_value(
    time_s: ArrayLike,
    value: ArrayLike,
    temp_c: ArrayLike | None = None,
    *,
    skip_s: float,
    flat_limit_per_min: float,
    min_window_s: float,
    temp_band_c: float,
    resolution: float = 0.0,
) -> Settled:
    """The last flat window of a check, extended back for as long as it stays flat; its median.

    Parameters
    ----------
    time_s, value : array_like, shape (n,)
        Rising time, and the signal (mV, or anything else); NaN = missing. Only the check, nothing after it.
    temp_c : array_like, shape (n,), optional
        Cell temperature. Where it is missing for a sample, that sample is not judged by it. [degC]
    skip_s : float
        What to drop at the start, >= 0. [s]
    flat_limit_per_min : float
        Largest slope of a flat window, > 0. [unit of value / min]
    min_window_s : float
        Shortest window, > 0. [s]
    temp_band_c : float
        How far temperature may be from the window's median, > 0. [K]
    resolution : float
        Step of the register, 0 if fine. [unit of value]

    Returns
    -------
    Settled
        The median; `u` joins its standard error under autocorrelation, the resolution (step / sqrt 12) and what is left
        of the slope over half the window. Without a flat window `why_not` says what was in the way.

    Raises
    ------
    ValueError
        A setting out of range, or arrays of unequal shape.
    """
    for name, setting, lowest in (
        ("flat_limit_per_min", flat_limit_per_min, "above"),
        ("min_window_s", min_window_s, "above"),
        ("temp_band_c", temp_band_c, "above"),
        ("skip_s", skip_s, "from"),
        ("resolution", resolution, "from"),
    ):
        if not (setting > 0 if lowest == "above" else setting >= 0):
            raise ValueError(f"{name} must be {'> 0' if lowest == 'above' else '>= 0'}, got {setting!r}")
    time, signal, temp = _columns(time_s, value, temp_c)
    begin = float(time[0]) if time.size else math.nan
    use = np.isfinite(signal) & np.isfinite(time)
    use &= time >= begin + skip_s
    time, signal, temp = time[use], signal[use], temp[use]
    if time.size < FEWEST_SAMPLES:
        return Settled(why_not=f"{time.size} samples after the first {skip_s:g} s, {FEWEST_SAMPLES} are needed")
    if time[-1] - time[0] < min_window_s * (1 - 1e-9):
        return Settled(
            why_not=f"{time[-1] - time[0]:.0f} s after the first {skip_s:g} s, {min_window_s:g} s are needed"
        )
    spikes = hampel_outliers(signal, limit_sigma=_SPIKE_SIGMA, floor=max(2 * resolution, flat_limit_per_min / 10))
    time, signal, temp = time[~spikes], signal[~spikes], temp[~spikes]

    # The last sample that is a whole window earlier, so that a gap before the window is a gap inside it.
    first = np.maximum(np.searchsorted(time, time - min_window_s * (1 - 1e-9), side="right") - 1, 0)
    last = np.arange(time.size)
    slope = 60.0 * _window_slopes(time, signal, first, last)
    whole = (time - time[0] >= min_window_s * (1 - 1e-9)) & (last - first + 1 >= FEWEST_SAMPLES)
    flat = whole & (np.abs(slope) <= flat_limit_per_min)
    gap = _GAP_SHARE * min_window_s
    reason = "too few samples in any window, or gaps in it"
    if whole.any():
        reason = f"never flat: {float(np.min(np.abs(slope[whole]))):.3g} per min at best, limit {flat_limit_per_min:g}"
    for end in np.flatnonzero(flat)[::-1]:
        begin_at = int(first[end])
        if np.max(np.diff(time[begin_at : end + 1])) > gap:
            reason = f"a gap of more than {gap:g} s in every flat window"
            continue
        if not _level(time[begin_at : end + 1], signal[begin_at : end + 1], flat_limit_per_min):
            reason = "flat only where it turns, or around a step"
            continue
        if not _temperature_rests(temp[begin_at : end + 1], temp_band_c):
            reason = f"flat, but the cell temperature moved more than {temp_band_c:g} K"
            continue
        begin_at = _extend(time, signal, temp, begin_at, int(end), flat_limit_per_min, min_window_s, temp_band_c)
        return _settle(time, signal, temp, begin_at, int(end), resolution)
    return Settled(why_not=reason)


def _columns(time_s: ArrayLike, value: ArrayLike, temp_c: ArrayLike | None) -> tuple[Floats, Floats, Floats]:
    time, signal = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    temp = np.full(time.shape, np.nan) if temp_c is None else np.asarray(temp_c, dtype=np.float64)
    if time.ndim != 1 or signal.shape != time.shape or temp.shape != time.shape:
        raise ValueError(
            f"time_s, value, temp_c must share one shape (n,), got {time.shape}, {signal.shape}, {temp.shape}"
        )
    return time, signal, temp


def _window_slopes(
    time: Floats,
    signal: Floats,
    first: np.ndarray[tuple[int], np.dtype[np.intp]],
    last: np.ndarray[tuple[int], np.dtype[np.intp]],
) -> Floats:
    """Least-squares slope of every window first..last, by running sums. [unit/s]"""
    t, y = time - time.mean(), signal - signal.mean()
    sums = [np.concatenate(([0.0], np.cumsum(column))) for column in (t, y, t * t, t * y)]
    n = (last - first + 1).astype(np.float64)
    st, sy, stt, sty = (column[last + 1] - column[first] for column in sums)
    spread = stt - st * st / n
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (sty - st * sy / n) / spread
    return np.where(spread > 1e-9 * (1 + np.abs(stt)), slope, np.inf)


def _slope(time: Floats, signal: Floats) -> float:
    """Least-squares slope of one window. [unit/s]"""
    t = time - time.mean()
    return float(t @ signal) / float(t @ t)


def _level(time: Floats, signal: Floats, limit: float) -> bool:
    """Whether the thirds of a window lie as near as its slope allows: a turning point is flat on average only."""
    edges = np.searchsorted(time, time[0] + np.array([1, 2]) / 3 * (time[-1] - time[0]))
    thirds = [part for part in np.split(signal, edges) if part.size]
    noise = mad_sigma(np.diff(signal)) / math.sqrt(2.0)
    margin = 3 * noise * math.sqrt(math.pi / 2 * 3 / signal.size)
    medians = [median(part) for part in thirds]
    return bool(max(medians) - min(medians) <= limit * (time[-1] - time[0]) / 60 * 2 / 3 + margin)


def _temperature_rests(temp: Floats, band_c: float) -> bool:
    known = temp[np.isfinite(temp)]
    return known.size == 0 or bool(np.max(np.abs(known - median(known))) <= band_c)


def _extend(
    time: Floats, signal: Floats, temp: Floats, begin: int, end: int, limit: float, window_s: float, band_c: float
) -> int:
    """Move the beginning back by half windows for as long as the whole stays flat, level and at rest."""
    level, error = median_with_error(signal[begin : end + 1])
    near = limit * window_s / 60 / 2 + 2 * error
    while begin > 0 and time[end] - time[begin] < _LONGEST_WINDOWS * window_s:
        earlier = int(np.searchsorted(time, time[begin] - window_s / 2, side="left"))
        if earlier >= begin or time[begin] - time[earlier] < window_s / 2 * 0.8:
            break
        if np.max(np.diff(time[earlier : begin + 1])) > _GAP_SHARE * window_s:
            break
        slope = 60.0 * _slope(time[earlier : end + 1], signal[earlier : end + 1])
        apart = abs(median(signal[earlier:begin]) - level)
        if abs(slope) > limit or apart > near or not _temperature_rests(temp[earlier : end + 1], band_c):
            break
        begin = earlier
    return begin


def _settle(time: Floats, signal: Floats, temp: Floats, begin: int, end: int, resolution: float) -> Settled:
    part, when = signal[begin : end + 1], time[begin : end + 1]
    slope = _slope(when, part)
    middle, error = median_with_error(part)
    left = abs(slope) * (when[-1] - when[0]) / 2 / math.sqrt(3.0)
    known = temp[begin : end + 1][np.isfinite(temp[begin : end + 1])]
    return Settled(
        value=middle,
        u=math.sqrt(error**2 + resolution**2 / 12 + left**2),
        start_s=float(when[0]),
        end_s=float(when[-1]),
        n=int(part.size),
        slope_per_min=60 * slope,
        temp_c=median(known) if known.size else math.nan,
    )
