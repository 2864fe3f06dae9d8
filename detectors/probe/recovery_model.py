"""What the display shows while the cell's gas goes back from air to process: the model that `gas_exchange` fits.

The gas behind the filter is one mixed volume (time constant tau), and the display adds its own damping (a second lag).
With s = t - t0 the time since the change, a the larger and b the smaller of the two lags, the share of the old gas
that the display still shows is

    f(s) = (a exp(-s/a) - b exp(-s/b)) / (a - b) = exp(-s/a) (1 + (s/a) phi(s (1/b - 1/a)))
    phi(u) = (1 - exp(-u)) / u

of which the second form knows no singularity at a = b and no overflow. A process that moves as e + d s shows as
e (1 - f) + d (s - F) with F the integral of f.
"""

import numpy as np

from detectors.probe.domain import Floats

__all__ = ["remaining_share", "remaining_share_rate", "responses"]


def responses(since_s: Floats, tau_s: Floats | float, damping_s: float) -> tuple[Floats, Floats]:
    """f(s) and s - F(s): share of the old gas [-], and what a process that rises by 1 a second adds [s].

    1 and 0 before the change. Broadcasts; no damping is 0.
    """
    s = np.maximum(since_s, 0.0)
    if damping_s <= 0:
        decayed = np.exp(-s / tau_s)
        return decayed, np.asarray(s + tau_s * (decayed - 1))
    slow, fast = np.maximum(tau_s, damping_s), np.minimum(tau_s, damping_s)
    decayed = np.exp(-s / slow)
    both = s * decayed * _phi(s * (1 / fast - 1 / slow))
    return np.asarray(decayed + both / slow), np.asarray(s - (slow + fast) * (1 - decayed) + fast / slow * both)


def remaining_share(since_s: Floats, tau_s: float, damping_s: float) -> Floats:
    """f(s) alone. [-]"""
    return responses(since_s, tau_s, damping_s)[0]


def remaining_share_rate(since_s: Floats, tau_s: float, damping_s: float) -> Floats:
    """df/ds, 0 before the change. [1/s]"""
    s = np.maximum(since_s, 0.0)
    after = since_s > 0
    if damping_s <= 0:
        return np.asarray(np.where(after, -np.exp(-s / tau_s) / tau_s, 0.0))
    slow, fast = max(tau_s, damping_s), min(tau_s, damping_s)
    return np.asarray(np.where(after, -np.exp(-s / slow) * s / (slow * fast) * _phi(s * (1 / fast - 1 / slow)), 0.0))


def _phi(u: Floats) -> Floats:
    """(1 - exp(-u)) / u for u >= 0, 1 at 0."""
    safe = np.maximum(u, 1e-9)
    return np.asarray(-np.expm1(-safe) / safe)
