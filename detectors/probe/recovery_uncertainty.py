"""How well a fitted time constant is known when the process wanders under it.

A least-squares parameter is linear in the noise near its solution, so its variance is g' S g with g its row of the
pseudo-inverse and S the covariance of the noise. White noise alone makes tau look far too certain: the process's own
wander is correlated over an hour, and five fitted parameters hide most of it from the residual. So S has two parts:
white noise, as seen between neighbours, and wander of a known kind, whose size is what boilers do or, if more, what the
residual shows.

[1] C. R. Rao, "Estimation of variance and covariance components: MINQUE theory", J. Multivariate Analysis 1,
    257-275, 1971.
"""

import math

import numpy as np

from detectors.probe.domain import Floats
from detectors.stats.robust import mad_sigma

__all__ = ["WANDER_SD_FRAC", "tau_uncertainty_s"]

# Flue-gas oxygen of one coal boiler at like load (an open record): sd 0.43 to 0.47 % O2, 1/e time 1.5 to 2 h.
WANDER_SD_FRAC = 0.004
WANDER_TIME_S = 5400.0
_BLOCKS = 64
_SMALLEST = 1e-6  # singular value, of the largest, that still determines anything
_FEW_DEGREES_OF_FREEDOM = 2.0  # the wander seen rests on two or three: nu / (nu - 2), the variance of Student's t


def tau_uncertainty_s(
    elapsed_s: Floats,
    residual: Floats,
    jacobian: Floats,
    tau_s: float,
    process_share: Floats,
    *,
    wander_sd_frac: float = WANDER_SD_FRAC,
) -> float:
    """Standard uncertainty of tau from a fit whose first parameter is log(tau). [s]

    Parameters
    ----------
    elapsed_s, residual, process_share : ndarray, shape (n,)
        Rising time, what the fit left (O2 fraction), and how much of each sample is process (0 old level .. 1).
    jacobian : ndarray, shape (n, k)
    tau_s : float
        The fitted value.
    wander_sd_frac : float
        The least wander that is believed, as a standard deviation over hours. [-]

    Returns
    -------
    float
        Infinite where the data do not determine tau.
    """
    n, k = jacobian.shape
    norms = np.linalg.norm(jacobian, axis=0)
    if n <= k or not norms[0] > 0:
        return math.inf
    scaled = jacobian / np.where(norms > 0, norms, 1.0)
    # The first row of the pseudo-inverse, from the eigenvectors of the little matrix J'J.
    size, vectors = np.linalg.eigh(scaled.T @ scaled)
    kept = size > _SMALLEST**2 * size[-1]
    gain = scaled @ (vectors[:, kept] @ (vectors[0, kept] / size[kept])) / norms[0]
    differences = np.diff(residual)
    # The MAD is 0 where a coarse register repeats itself, the mean square large where something jumped.
    white = max(mad_sigma(differences), 0.5 * float(np.sqrt(np.mean(differences**2)))) / math.sqrt(2.0)

    blocks = min(n, _BLOCKS)
    edges = np.arange(blocks + 1) * n // blocks
    count = np.diff(edges).astype(np.float64)
    starts = edges[:-1]
    centre = np.add.reduceat(elapsed_s, starts) / count
    share = np.add.reduceat(process_share, starts) / count
    late = (centre[:, np.newaxis] - centre) / WANDER_TIME_S
    kernel = np.exp(-np.abs(late, out=late))
    kernel *= share[:, np.newaxis] * share[np.newaxis, :]
    gain_blocks = np.add.reduceat(gain, starts)
    wander = max(
        wander_sd_frac**2,
        _FEW_DEGREES_OF_FREEDOM
        * _seen_wander(
            np.add.reduceat(residual, starts) / count,
            np.add.reduceat(scaled, starts, axis=0) / count[:, np.newaxis],
            kernel,
            white**2 / float(count.mean()),
        ),
    )
    variance = white**2 * float(gain @ gain) + wander * float(gain_blocks @ kernel @ gain_blocks)
    return tau_s * math.sqrt(variance)


def _seen_wander(residual: Floats, jacobian: Floats, kernel: Floats, white_variance: float) -> float:
    """Variance of the wander from what is left of it in the residual: one step of MINQUE [1]. May be negative."""
    left, size, _ = np.linalg.svd(jacobian, full_matrices=False)
    taken = left[:, size > _SMALLEST * size[0]]
    seen = kernel - taken @ (taken.T @ kernel)  # P K P, with P = 1 - U U' of low rank
    seen -= (seen @ taken) @ taken.T
    strength = float(np.vdot(seen, seen))
    if strength <= 0:
        return 0.0
    return (float(residual @ seen @ residual) - white_variance * float(np.trace(seen))) / strength
