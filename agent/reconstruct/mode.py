"""What a probe is doing, sample by sample: flags first, then temperature, then what the gas itself shows.

A vectorised step over a stretch; what it carries from one stretch to the next is in `state`, so the cut never matters.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from agent.reconstruct.carry import last_time_of, storable, unstorable
from agent.reconstruct.flags import CHECK_FLAGS, Raised, any_raised, raised
from agent.reconstruct.now import Mode
from agent.reconstruct.options import EpisodeOptions
from detectors.stretch import Floats, Stretch

__all__ = ["CHECKS", "CODES", "MODES", "ModeTrack", "ModeTracker"]

MODES: Final = tuple(Mode)
CODES: Final = {mode: code for code, mode in enumerate(MODES)}
CHECKS: Final = (Mode.AIR_CHECK, Mode.TEST_GAS, Mode.BLOWBACK, Mode.FURNACE_PURGE)  # gas of our own at the cell
_CHECK_SET: Final = frozenset(CODES[mode] for mode in CHECKS)
_FIRST_CHECK: Final = min(_CHECK_SET)
_MODE_OF: Final = (
    ("warming_up", Mode.WARMING_UP),
    ("calibrating", Mode.TEST_GAS),
    ("furnace_purge_active", Mode.FURNACE_PURGE),
    ("blowback_active", Mode.BLOWBACK),
    ("test_gas_active", Mode.TEST_GAS),
    ("air_check_active", Mode.AIR_CHECK),
)
_WARM_RISE_K: Final = 10.0  # above the coldest point of a cold spell a probe is heating up
_OFF_DUTY: Final = 0.02


@dataclass(frozen=True, slots=True)
class ModeTrack:
    """One code of `MODES` a sample, and whether it is only presumed, both of shape (n,)."""

    code: NDArray[np.int8]
    presumed: NDArray[np.bool_]

    def is_(self, *modes: Mode) -> NDArray[np.bool_]:
        """Where the mode is one of these."""
        found: NDArray[np.bool_] = self.code == CODES[modes[0]]
        for mode in modes[1:]:
            found |= self.code == CODES[mode]
        return found


@dataclass(slots=True)
class _State:
    base: int = CODES[Mode.UNKNOWN]  # of the last sample, before recovery is laid over it
    time_s: float = -np.inf
    presumed_since_s: float = np.nan
    check_ended_s: float = -np.inf
    flagged_s: float = -np.inf  # last sample with a flag of a check
    left_air_s: float = -np.inf  # last sample that was neither flagged nor air
    cold: bool = False
    cold_from_hot: bool = False
    cold_min_c: float = np.inf
    ever_hot: bool = False


class ModeTracker:
    """Carries the mode of one probe through its stretches."""

    def __init__(self, options: EpisodeOptions, state: dict[str, Any] | None = None) -> None:
        self._options = options
        self._state = _State() if state is None else _State(**{k: unstorable(v) for k, v in state.items()})

    def to_dict(self) -> dict[str, Any]:
        """State as JSON-able data."""
        names = _State.__slots__
        return {name: storable(getattr(self._state, name)) for name in names}

    def run(
        self, stretch: Stretch, o2_frac: Floats, duty: Floats, set_point_c: Floats, flags: Raised | None = None
    ) -> ModeTrack:
        """Name the mode of every sample.

        `o2_frac`: the gas at the cell, (n,), NaN where the display is held. `duty`: 0..1, `set_point_c`: degC, (n,).
        `flags`: what `raised` gives of the stretch, where somebody has it already.
        """
        n = len(stretch)
        if n == 0:
            return ModeTrack(np.zeros(0, np.int8), np.zeros(0, np.bool_))
        flags = raised(stretch) if flags is None else flags
        time_s, state, options = stretch.time_s, self._state, self._options
        if self._nothing_happens(stretch, o2_frac, set_point_c, flags):
            return self._in_service(time_s)
        base, presumed = self._base(stretch, o2_frac, duty, set_point_c, flags)
        checking = _checking(base)
        ended = (np.flatnonzero(checking[:-1] > checking[1:]) + 1).tolist()
        ended = [i for i in ended if time_s.item(i) - time_s.item(i - 1) <= options.gap_s]
        if not checking[0] and state.base in _CHECK_SET and time_s.item(0) - state.time_s <= options.gap_s:
            ended.insert(0, 0)
        state.base, state.time_s = int(base[-1]), time_s.item(-1)
        code = base.copy()
        if not ended or ended[0] > 0:
            self._recovering(code, time_s, 0)
        for i in ended:
            state.check_ended_s = max(time_s.item(i), state.check_ended_s)
            self._recovering(code, time_s, i)
        return ModeTrack(code, presumed)

    def _recovering(self, code: NDArray[np.int8], time_s: Floats, first: int) -> None:
        """Lay recovery over the service from `first` on that is near enough to the end of the last check."""
        ended_s, lasts_s = self._state.check_ended_s, self._options.recovery_s
        end = int(time_s.searchsorted(ended_s + lasts_s, side="right"))
        near = slice(first, max(first, end) + 1)  # and one more, whatever the sum was rounded to
        part = code[near]
        part[(part == CODES[Mode.IN_SERVICE]) & (time_s[near] - ended_s < lasts_s)] = CODES[Mode.RECOVERY]

    def _nothing_happens(self, stretch: Stretch, o2_frac: Floats, set_point_c: Floats, flags: Raised) -> bool:
        """Whether every sample is plain service, as nearly always; the rules of `_base` then need no look."""
        state, n = self._state, len(stretch)
        if state.cold or state.base in _CHECK_SET or not np.isnan(state.presumed_since_s):
            return False
        if any(name != "output_held" for name in flags):
            return False
        firing = stretch.signals.get("firing")
        if firing is not None and np.count_nonzero(firing == 0.0):
            return False
        if np.count_nonzero(o2_frac * 100.0 > self._options.air_from_o2_pct):
            return False
        hot = stretch.get("cell_temp") >= set_point_c - self._options.below_set_point_k
        return bool(np.count_nonzero(hot) == n)  # and so all are known

    def _in_service(self, time_s: Floats) -> ModeTrack:
        """The track of plain service, and what it leaves in the state."""
        state = self._state
        n, first_s, last_s = time_s.size, float(time_s[0]), float(time_s[-1])
        code = np.full(n, CODES[Mode.IN_SERVICE], np.int8)
        if first_s - state.check_ended_s < self._options.recovery_s:
            code[time_s - state.check_ended_s < self._options.recovery_s] = CODES[Mode.RECOVERY]
        state.base, state.time_s, state.ever_hot = CODES[Mode.IN_SERVICE], last_s, True
        state.left_air_s = max(last_s, state.left_air_s)
        return ModeTrack(code, np.zeros(n, np.bool_))

    def _base(
        self, stretch: Stretch, o2_frac: Floats, duty: Floats, set_point_c: Floats, flags: Raised
    ) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
        n = len(stretch)
        temp_c = stretch.get("cell_temp")
        near_air = o2_frac * 100.0 > self._options.air_from_o2_pct
        code = np.full(n, CODES[Mode.IN_SERVICE], np.int8)
        flagged = any_raised(flags, CHECK_FLAGS, n)
        air = near_air & ~flagged
        if "firing" in stretch.signals:
            idle = stretch.signals["firing"] == 0.0
            code[idle] = CODES[Mode.IDLE_HOT]
            air &= ~idle
        air &= ~self._cold(temp_c, set_point_c, duty, code)
        presumed = self._presumed(stretch.time_s, flagged, air)
        self._presume(stretch.time_s, presumed, code)
        # Later rows win: a gas flag says more than 'calibrating', and air is named before test gas.
        for name, mode in _MODE_OF:
            if name in flags:
                code[flags[name]] = CODES[mode]
                if name == "calibrating":
                    code[flags[name] & near_air] = CODES[Mode.AIR_CHECK]
        blank = np.isnan(temp_c)
        if np.count_nonzero(blank):
            blank &= np.isnan(o2_frac) & np.isnan(stretch.get("o2")) & ~flagged
            code[blank] = CODES[Mode.UNKNOWN]
        return code, presumed & (code == CODES[Mode.AIR_CHECK])

    def _presumed(self, time_s: Floats, flagged: NDArray[np.bool_], air: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Where air is let in, and not still on its way out after a flagged check.

        On its way out it is from the flag's end until it has once been left.
        """
        state, options = self._state, self._options
        stayed = flagged | air
        fresh = air
        at = np.flatnonzero(air)
        if at.size and (np.count_nonzero(flagged) or time_s.item(0) - state.flagged_s <= options.recovery_s):
            flags = np.flatnonzero(flagged)
            flagged_s = _before(at, flags, time_s, state.flagged_s)
            run = np.flatnonzero(stayed)
            heads = run[np.append(True, run[1:] - run[:-1] > 1)]
            left_s = _before(heads[heads.searchsorted(at, side="right") - 1], None, time_s, state.left_air_s)
            returning = at[(flagged_s > left_s) & (time_s[at] - flagged_s <= options.recovery_s)]
            fresh = air.copy()
            fresh[returning] = False
        state.flagged_s = last_time_of(flagged, time_s, state.flagged_s)
        state.left_air_s = last_time_of(~stayed, time_s, state.left_air_s)
        return fresh

    def _presume(self, time_s: Floats, presumed: NDArray[np.bool_], code: NDArray[np.int8]) -> None:
        """Unflagged air is a check as long as it may be one; for longer, nobody knows what it is."""
        state = self._state
        at = np.flatnonzero(presumed)
        if not at.size:
            state.presumed_since_s = np.nan
            return
        heads = np.append(True, at[1:] - at[:-1] > 1)
        began_s = time_s[at[heads]]
        if at[0] == 0 and not np.isnan(state.presumed_since_s):
            began_s[0] = state.presumed_since_s
        since_s = began_s[np.cumsum(heads) - 1]
        code[at] = CODES[Mode.AIR_CHECK]
        code[at[time_s[at] - since_s > self._options.presumed_max_s]] = CODES[Mode.UNKNOWN]
        state.presumed_since_s = since_s.item(-1) if presumed[-1] else np.nan

    def _cold(self, temp_c: Floats, set_point_c: Floats, duty: Floats, code: NDArray[np.int8]) -> NDArray[np.bool_]:
        """Spells well below the set point: heating up, switched off, or nobody knows."""
        state = self._state
        low = temp_c < set_point_c - self._options.below_set_point_k
        known = ~np.isnan(temp_c)
        missing = np.count_nonzero(known) < known.size
        if not state.cold and not np.count_nonzero(low):
            state.ever_hot |= not missing or bool(np.count_nonzero(known))
            return low
        index = np.flatnonzero(known) if missing else np.arange(low.size)
        of_known = low[index] if missing else low
        # Each run of known samples that are all low, or all not, is looked at as one.
        turns = np.flatnonzero(of_known[1:] != of_known[:-1]) + 1
        if missing:  # a sample without temperature lies in the spell that it interrupts
            spell = np.concatenate(([state.cold], of_known))[np.cumsum(known)]
            code[spell & ~known] = CODES[Mode.UNKNOWN]
            low = spell
        for head, end in pairwise([0, *turns.tolist(), index.size]):
            if head == end:
                break
            if not of_known[head]:
                state.cold, state.ever_hot = False, True
                continue
            if not state.cold:
                state.cold, state.cold_from_hot, state.cold_min_c = True, state.ever_hot, np.inf
            rows = index[head:end]
            at_c = temp_c[rows]
            least_c = np.minimum(np.minimum.accumulate(at_c), state.cold_min_c)
            state.cold_min_c = least_c.item(-1)
            of_spell = np.full(rows.size, CODES[Mode.UNKNOWN], np.int8)
            if state.cold_from_hot:
                of_spell[at_c > least_c + _WARM_RISE_K] = CODES[Mode.WARMING_UP]
            else:
                of_spell[:] = CODES[Mode.WARMING_UP]
            of_spell[duty[rows] < _OFF_DUTY] = CODES[Mode.OFF]
            code[rows] = of_spell
        return low


def _before(at: NDArray[np.intp], of: NDArray[np.intp] | None, time_s: Floats, carried_s: float) -> Floats:
    """The time of the last sample before each of `at`, of those in `of` where given; `carried_s` where it is later."""
    last = at - 1 if of is None else np.append(-1, of)[of.searchsorted(at)]
    return np.maximum(np.where(last >= 0, time_s[last], -np.inf), carried_s)


def _checking(base: NDArray[np.int8]) -> NDArray[np.bool_]:
    """Where a code is one of `CHECKS`, whose codes follow each other."""
    found: NDArray[np.bool_] = (base - np.int8(_FIRST_CHECK)).view(np.uint8) < len(CHECKS)
    return found


assert frozenset(range(_FIRST_CHECK, _FIRST_CHECK + len(CHECKS))) == _CHECK_SET
