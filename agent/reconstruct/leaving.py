"""Where the gas of a check left the cell while its flag still stood.

Many transmitters keep the flag, and the hold of their outputs, until the process is back: a set time, or by hand. The
way back then lies inside the check. Taken for part of it, its end would be read as what the cell shows on air, and the
way back would be over before it is looked for.
"""

from typing import Final

import numpy as np

from detectors.stats.robust import mad_sigma, median
from detectors.stretch import Floats

__all__ = ["left_at"]

_LEAST_WAY_FRAC: Final = 0.01  # of O2 between process and check gas: less cannot be told from the process's own moves
_NOISES: Final = 8.0  # standard deviations of the samples that the way must be as well
_STAYED: Final = 0.9  # of the way that counts as still at the check gas
_BACK: Final = 0.5  # of the way that counts as left; the process may stand elsewhere than before
_OF: Final = 3  # samples that must agree: one odd sample is no way back


def left_at(o2_frac: Floats, before_frac: float) -> int | None:
    """Index of the last sample of a check with the check gas still at the cell; None where it stayed to the end.

    Parameters
    ----------
    o2_frac : ndarray, shape (n,)
        The check's samples, NaN = missing.
    before_frac : float
        The process before it, NaN unknown.
    """
    known = np.flatnonzero(~np.isnan(o2_frac))
    if known.size < 2 * _OF or not np.isfinite(before_frac):
        return None
    away = o2_frac[known] - before_frac
    smooth = np.sort(np.lib.stride_tricks.sliding_window_view(away, _OF), axis=1)[:, _OF // 2]
    top = float(smooth[np.argmax(np.abs(smooth))])
    noise = mad_sigma(np.diff(away)) / np.sqrt(2.0)
    if abs(top) < max(_LEAST_WAY_FRAC, _NOISES * noise):
        return None
    share = away / top
    if median(share[-_OF:]) > _BACK:
        return None
    stayed = np.flatnonzero((share[:-1] >= _STAYED) & (share[1:] >= _STAYED))
    last = int(stayed[-1]) + 1 if stayed.size else int(np.argmax(share))
    return int(known[last])
