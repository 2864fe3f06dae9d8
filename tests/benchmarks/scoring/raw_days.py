"""What an engineer would put on a trend page: one row a day of the raw signals, and what each flagged check showed.

The comparators see this. Nothing of Flueward's reconstruction is used: flags and registers only.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from detectors.stretch import Stretch

__all__ = ["Check", "RawDays"]

Floats = NDArray[np.float64]
DAY_S = 86400.0
HOUR_S = 3600.0
LOOK_AHEAD_S = 1800.0  # after a check, for the way back
MV_PER_E = 20.965  # kT/4F at 700 degC, to turn a display in air into mV where no mV is mapped
OWN = ("o2", "cell_emf", "cell_temp")


@dataclass(frozen=True, slots=True)
class Check:
    """One spell of air at the cell: when it ended, what the cell showed at its end, how long the way back took."""

    end_s: float
    air_mv: float  # NaN for a blowback or purge, or where held
    return_s: float  # to within 10 % of the step of the level before; NaN where not seen


@dataclass(slots=True)
class RawDays:
    """Fed with rows in order, a day or so at a time."""

    checks: list[Check] = field(default_factory=list)
    hours: list[tuple[float, float, float]] = field(default_factory=list)  # start, duty 0..1, lowest cell temperature
    _days: dict[int, dict[str, float]] = field(default_factory=dict)
    _tail: Stretch | None = None
    _done_s: float = -np.inf
    _count: tuple[float, float] | None = None  # time and value of the on-time counter

    def feed(self, stretch: Stretch) -> None:
        """Take rows (within one UTC day, or nearly)."""
        if not len(stretch):
            return
        duty = self._duty(stretch)
        hour = np.floor(stretch.time_s / HOUR_S)
        temp = stretch.get("cell_temp")
        for h in np.unique(hour):
            at = hour == h
            self.hours.append((h * HOUR_S, _mean_over_time(stretch.time_s[at], duty[at]), _min(temp[at])))
        day = np.floor(stretch.time_s / DAY_S).astype(int)
        known = ~np.all([np.isnan(stretch.get(name)) for name in OWN], axis=0)
        for d in np.unique(day):
            at = day == d
            self._days[int(d)] = {
                "duty": _mean_over_time(stretch.time_s[at], duty[at]),
                "cell_temp": _median(temp[at]),
                "stored_offset": _median(stretch.get("stored_offset")[at]),
                "valid_share": float(np.mean(known[at])),
            }
        self._look_for_checks(stretch)

    def table(self) -> dict[str, Floats]:
        """Daily columns, NaN where nothing was seen; `day` is days since 1970."""
        by_day: dict[int, list[Check]] = {}
        for check in self.checks:
            by_day.setdefault(int(check.end_s // DAY_S), []).append(check)
        days = sorted(set(self._days) | set(by_day))
        out = {"day": np.array(days, dtype=np.float64)}
        for name in ("duty", "cell_temp", "stored_offset", "valid_share"):
            out[name] = np.array([self._days.get(d, {}).get(name, np.nan) for d in days])
        out["air_mv"] = np.array([_median(np.array([c.air_mv for c in by_day.get(d, [])])) for d in days])
        out["return_s"] = np.array([_median(np.array([c.return_s for c in by_day.get(d, [])])) for d in days])
        return out

    def _duty(self, stretch: Stretch) -> Floats:
        signals = stretch.signals
        if "heater_output" in signals:
            return signals["heater_output"] / 100.0
        if "heater_on_time" in signals:
            value, time_s = signals["heater_on_time"], stretch.time_s
            ok = np.flatnonzero(np.isfinite(value))
            out = np.full(time_s.size, np.nan)
            if ok.size == 0:
                return out
            before = self._count if self._count is not None else (time_s[ok[0]], value[ok[0]])
            dt = np.diff(np.concatenate([[before[0]], time_s[ok]]))
            dv = np.diff(np.concatenate([[before[1]], value[ok]]))
            share = np.divide(dv, dt, out=np.full(ok.size, np.nan), where=dt > 0.0)
            share[(share < 0.0) | (share > 1.2)] = np.nan  # wrapped or reset
            out[ok] = share
            self._count = (float(time_s[ok[-1]]), float(value[ok[-1]]))
            return out
        if "heater_on" in signals:
            return signals["heater_on"]
        return np.full(len(stretch), np.nan)

    def _look_for_checks(self, stretch: Stretch) -> None:
        rows = stretch if self._tail is None else _joined(self._tail, stretch)
        time_s = rows.time_s
        air = _flag(rows, "air_check_active")
        other = _flag(rows, "blowback_active") | _flag(rows, "furnace_purge_active")
        flagged = any(f"{name}_active" in rows.signals for name in ("air_check", "blowback", "furnace_purge"))
        if not flagged:
            air = _near_air(rows)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (air | other).astype(int), [0]])))
        for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            last_s = float(time_s[end - 1])
            if last_s <= self._done_s or time_s[-1] < last_s + LOOK_AHEAD_S:
                continue
            self._done_s = last_s
            if flagged or last_s - time_s[first] >= 60.0:
                self.checks.append(_check(rows, first, end, is_air=bool(air[first:end].any())))
        keep = int(np.searchsorted(time_s, time_s[-1] - 4.0 * LOOK_AHEAD_S))
        self._tail = Stretch(time_s[keep:], {name: x[keep:] for name, x in rows.signals.items()})


def _check(rows: Stretch, first: int, end: int, *, is_air: bool) -> Check:
    time_s, o2, emf = rows.time_s, rows.get("o2"), rows.get("cell_emf")
    third = slice(end - max(1, (end - first) // 3), end)
    air_mv = np.nan
    if is_air:
        air_mv = _median(emf[third])
        shown = _median(o2[third])
        if np.isnan(air_mv) and shown > 15.0:
            air_mv = MV_PER_E * float(np.log(20.95 / shown))
    signal = o2 if np.isfinite(o2).any() else -emf
    before = _median(signal[max(0, first - 60) : first])
    top = _max(signal[first : end + 1])
    after = slice(end, int(np.searchsorted(time_s, time_s[end - 1] + LOOK_AHEAD_S)))
    back = np.flatnonzero(signal[after] <= before + 0.1 * (top - before))
    moved = top - before > 0.3 * abs(before)
    return_s = float(time_s[after][back[0]] - time_s[end - 1]) if moved and back.size else np.nan
    return Check(float(time_s[end - 1]), air_mv, return_s)


def _near_air(rows: Stretch) -> NDArray[np.bool_]:
    emf = rows.get("cell_emf")
    hot = ~(rows.get("cell_temp") < 600.0)
    return hot & np.where(np.isfinite(emf), np.abs(emf) < 12.0, rows.get("o2") > 17.0)


def _flag(rows: Stretch, name: str) -> NDArray[np.bool_]:
    return rows.get(name) > 0.5


def _joined(a: Stretch, b: Stretch) -> Stretch:
    return Stretch(
        np.concatenate([a.time_s, b.time_s]),
        {name: np.concatenate([a.get(name), x]) for name, x in b.signals.items()},
    )


def _known(x: Floats) -> Floats:
    return x[np.isfinite(x)]


def _mean_over_time(time_s: Floats, x: Floats) -> float:
    """Each value for the time up to it, five minutes at most: a burst of polls weighs no more than its time."""
    ok = np.isfinite(x)
    if not ok.any():
        return np.nan
    step = np.minimum(np.diff(time_s[ok], prepend=time_s[ok][0] - 1.0), 300.0)
    return float(np.average(x[ok], weights=step))


def _median(x: Floats) -> float:
    x = _known(x)
    return float(np.median(x)) if x.size else np.nan


def _min(x: Floats) -> float:
    x = _known(x)
    return float(x.min()) if x.size else np.nan


def _max(x: Floats) -> float:
    x = _known(x)
    return float(x.max()) if x.size else np.nan
