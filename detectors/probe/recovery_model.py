"""What the display shows while the cell's gas goes back from air to process: the model that `gas_exchange` fits.

The gas behind the filter is one mixed volume (time constant tau), and the display adds its own damping (a second lag).
With s = t - t0 the time since the change, a the larger and b the smaller of the two lags, the share of the old gas
that the display still shows is

    f(s) = (a exp(-s/a) - b exp(-s/b)) / (a - b) = exp(-s/a) (1 + (s/a) phi(s (1/b - 1/a)))
    phi(u) = (1 - exp(-u)) / u

of which the second form knows no singularity at a = b and no overflow. A process that moves as e + d s shows as
e (1 - f) + d (s - F) with F the integral of f.
"""

from typing import NamedTuple

import numpy as np

from detectors.probe.domain import Floats

__all__ = ["Slopes", "remaining_share", "responses", "slopes"]


def responses(since_s: Floats, tau_s: Floats | float, damping_s: float) -> tuple[Floats, Floats]:
    """f(s) and s - F(s): share of the old gas [-], and what a process that rises by 1 a second adds [s].

    1 and 0 before the change. Broadcasts; no damping is 0.
    """
    s = np.maximum(since_s, 0.0)
    if damping_s <= 0:
        decayed = s / -tau_s
        np.exp(decayed, out=decayed)
        ramp = decayed - 1.0
        ramp *= tau_s
        ramp += s
        return decayed, ramp
    slow, fast = np.maximum(tau_s, damping_s), np.minimum(tau_s, damping_s)
    decayed = np.exp(-s / slow)
    both = s * decayed * _phi(s * (1 / fast - 1 / slow))
    return np.asarray(decayed + both / slow), np.asarray(s - (slow + fast) * (1 - decayed) + fast / slow * both)


def remaining_share(since_s: Floats, tau_s: float, damping_s: float) -> Floats:
    """f(s) alone. [-]"""
    return responses(since_s, tau_s, damping_s)[0]


class Slopes(NamedTuple):
    """f(s) and s - F(s) of `responses`, and how they change: all of shape (n,)."""

    share: Floats
    ramp: Floats
    share_by_log_tau: Floats  # df / d log(tau) [-]
    ramp_by_log_tau: Floats  # [s]
    share_by_s: Floats  # df/ds, 0 before the change [1/s]


def slopes(since_s: Floats, tau_s: float, damping_s: float) -> Slopes:
    """The model with all that a least-squares fit asks of it, exact at tau = damping too.

    With r = 1/tau and o = 1/damping, df/d log(tau) = r o M, where M is the integral from 0 to s of
    x exp(-r x - o (s - x)) dx: s^2 exp(-s/a) times (phi - psi)(u) where tau is the larger lag, psi(u) where it is not,
    with u = s (1/b - 1/a) and psi(u) = -phi'(u).
    """
    s = np.maximum(since_s, 0.0)
    if damping_s <= 0:
        q = s / tau_s
        share = np.exp(-q)
        by_log_tau = share * q
        rate = share / -tau_s
        rate[since_s <= 0] = 0.0
        ramp_by = tau_s * (share - 1.0)
        return Slopes(share, s + ramp_by, by_log_tau, ramp_by + s * share, rate)
    slow, fast = max(tau_s, damping_s), min(tau_s, damping_s)
    decayed = np.exp(-s / slow)
    u = s * (1 / fast - 1 / slow)
    phi = _phi(u)
    both = s * decayed * phi
    share = decayed + both / slow
    weight = _psi(u, phi) if tau_s < damping_s else phi - _psi(u, phi)
    by_log_tau = s * s * decayed * weight / (slow * fast)
    ramp = s - (slow + fast) * (1 - decayed) + fast / slow * both
    return Slopes(share, ramp, by_log_tau, tau_s * (share - 1.0 + by_log_tau), both / (-slow * fast))


def _phi(u: Floats) -> Floats:
    """(1 - exp(-u)) / u for u >= 0, 1 at 0."""
    safe = np.maximum(u, 1e-9)
    return np.asarray(-np.expm1(-safe) / safe)


def _psi(u: Floats, phi: Floats) -> Floats:
    """(1 - (1 + u) exp(-u)) / u^2 for u >= 0, 1/2 at 0; `phi` is that of the same u."""
    series = 1 / 2 - u * (1 / 3 - u * (1 / 8 - u / 30))  # good to 1e-14 where the quotient would lose digits
    return np.where(u < 1e-3, series, (phi * (1 + u) - 1) / np.maximum(u, 1e-3))
