"""What every rule on raw samples is put through: any cut, any restart, and input that means nothing."""

import json
from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import strategies as st

T0 = 1_760_000_400.0  # on the grid of an hour

Make = Callable[[Any], Any]  # a state, or None -> the detector
Columns = Mapping[str, Any]


def feed(make: Make, columns: Columns, cuts=(), *, restart=False, ticks=False):
    """Findings of a detector over columns cut at these places, and the detector."""
    detector, found = make(None), []
    n = len(columns["time_s"])
    for a, b in pairwise([0, *sorted({min(max(c, 0), n) for c in cuts}), n]):
        found += detector.update(**{name: column[a:b] for name, column in columns.items()})
        if ticks and b > a:
            found += detector.advance(float(columns["time_s"][b - 1]))
        if restart:
            saved = json.loads(json.dumps(detector.state.to_dict(), allow_nan=False))
            detector = make(type(detector.state).from_dict(saved))
    return found, detector


def found(make: Make, columns: Columns, cuts=(), **how):
    return feed(make, columns, cuts, **how)[0]


def same_however_cut(make: Make, columns: Columns, cuts) -> None:
    """The findings do not depend on the cut, on restarts, on ticks; they come in time order and turn about."""
    whole, last = feed(make, columns)
    for how in ({}, {"restart": True}, {"ticks": True}):
        pieces, end = feed(make, columns, cuts, **how)
        assert pieces == whole
        assert end.state.to_dict() == last.state.to_dict()
        assert end.report() == last.report()
    assert all(a.at_s <= b.at_s for a, b in pairwise(whole))


def bad_input_is_harmless(make: Make, quiet: Columns) -> None:
    """`quiet` is healthy service: whatever is done to it of what means nothing, nothing is found and nothing raised."""
    n = len(quiet["time_s"])
    assert found(make, quiet) == []
    for value in (np.nan, np.inf, -np.inf):
        gone = {k: v if k == "time_s" or v.dtype == bool else np.full(n, value) for k, v in quiet.items()}
        assert found(make, gone) == []
        assert make(None).update(**{k: np.full(n, value) if k == "time_s" else v for k, v in quiet.items()}) == []
    for size in (0, 1, 2):
        assert found(make, {k: v[:size] for k, v in quiet.items()}) == []
    order = np.random.default_rng(1).permutation(n)
    assert found(make, {k: v[order] for k, v in quiet.items()}) == []
    assert found(make, {k: v[::-1] for k, v in quiet.items()}) == []
    assert found(make, {k: np.repeat(v, 2) for k, v in quiet.items()}) == []
    holed = dict(quiet)
    holed["time_s"] = quiet["time_s"] + np.where(np.arange(n) > n // 2, 40 * 86400.0, 0.0)
    assert found(make, holed) == []
    extreme = {
        k: v if k == "time_s" or v.dtype == bool else np.where(np.arange(n) % 97 == 50, 1e300, v)
        for k, v in quiet.items()
    }
    found(make, extreme)  # no exception; what it means is the detector's own affair
    one = {
        k: v if k == "time_s" or v.dtype == bool else np.where(np.arange(n) == n // 2, 1e300, v)
        for k, v in quiet.items()
    }
    assert found(make, one) == []


def one_bad_value_does_not_silence(make: Make, sick: Columns, at: int = 3) -> None:
    """`sick` is found; with one value or one row spoilt early it still is."""
    assert any(f.active for f in found(make, sick))
    for value in (np.nan, np.inf, -1e300, 1e300):
        spoilt = {}
        for k, v in sick.items():
            spoilt[k] = v.copy()
            if k != "time_s" and v.dtype != bool:
                spoilt[k][at] = value
        assert any(f.active for f in found(make, spoilt)), value
    spoilt = {k: v.copy() for k, v in sick.items()}
    spoilt["time_s"][at] = np.nan
    assert any(f.active for f in found(make, spoilt))


def naive_held(rule, time_s, on, off, breaks=None):
    """The definition of `detectors.held`, a sample at a time: (time, active, since) of each change."""
    votes, active, since, found = [], False, None, []
    runs = {True: None, False: None}  # of the condition, of the release: [start, samples]
    last = None
    for i, t in enumerate(time_s):
        gap = last is None or t - last > rule.max_gap_s
        votes = [] if gap else votes[-2:]
        votes.append((bool(on[i]), active and bool(off[i]) and not on[i]))
        for which, column in ((True, 0), (False, 1)):
            yes = sum(v[column] for v in votes) >= 2
            if not yes or gap or (which and breaks is not None and breaks[i]):
                runs[which] = None
            if yes:
                runs[which] = [t, 1] if runs[which] is None else [runs[which][0], runs[which][1] + 1]
        last = t
        now = runs[not active]
        wanted = (rule.hold_s, rule.least) if not active else (rule.release_s, 1)
        if now is not None and t - now[0] >= wanted[0] and now[1] >= wanted[1]:
            since = now[0] if not active else since
            active = not active
            found.append((t, active, since))
    return found


def naive_two_sided(rule, time_s, value, limit, clear):
    """The same for a value beyond a limit on either side; active is whether any side holds."""
    events = []
    for side in (1.0, -1.0):
        off = (np.abs(value) < clear) | (side * value < 0.0)
        events += [(t, side, active, since) for t, active, since in naive_held(rule, time_s, side * value > limit, off)]
    holds, found = {1.0: False, -1.0: False}, []
    for t, side, active, since in sorted(events):
        holds[side] = active
        found.append((t, any(holds.values()), since))
    return found


def cuts():
    return st.lists(st.integers(0, 400), max_size=12)


def spoil(rng, columns: Columns, share: float = 0.03):
    """Columns with values missing, infinite and wild here and there."""
    out = {}
    for name, column in columns.items():
        out[name] = np.array(column)
        if name == "time_s" or out[name].dtype == bool:
            continue
        out[name][rng.random(out[name].size) < share] = np.nan
        out[name][rng.random(out[name].size) < 0.1 * share] = np.inf
        out[name][rng.random(out[name].size) < 0.1 * share] = -1e9
    return out


def times(rng, n: int):
    return T0 + np.cumsum(rng.choice([1.0, 5.0, 10.0, 60.0, 400.0, 4000.0], n, p=[0.2, 0.3, 0.3, 0.17, 0.02, 0.01]))
