"""Exponential fits against the certified values of NIST's Statistical Reference Datasets, from both official starts.

https://www.itl.nist.gov/div898/strd/: Misra1a, BoxBOD (saturation), MGH17 (floor and two decays), Lanczos2 and 3
(three decays). Certified to 11 digits; six are asked for here, of parameters and of their standard deviations.
"""

import numpy as np
import pytest

from detectors.stats.exponential import fit_decays, fit_saturation

SIX_DIGITS = 1e-6

MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47, 81.78],
)
BOXBOD = ([1.0, 2.0, 3.0, 5.0, 7.0, 10.0], [109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
MGH17_Y = [
    0.844,
    0.908,
    0.932,
    0.936,
    0.925,
    0.908,
    0.881,
    0.85,
    0.818,
    0.784,
    0.751,
    0.718,
    0.685,
    0.658,
    0.628,
    0.603,
    0.58,
    0.558,
    0.538,
    0.522,
    0.506,
    0.49,
    0.478,
    0.467,
    0.457,
    0.448,
    0.438,
    0.431,
    0.424,
    0.42,
    0.414,
    0.411,
    0.406,
]
LANCZOS2_Y = [
    2.5134,
    2.04433,
    1.6684,
    1.36642,
    1.12323,
    0.92689,
    0.767934,
    0.638878,
    0.533784,
    0.447936,
    0.377585,
    0.319739,
    0.272013,
    0.232497,
    0.199659,
    0.17227,
    0.149341,
    0.13007,
    0.113812,
    0.100042,
    0.0883321,
    0.0783354,
    0.0697669,
    0.0623931,
]
LANCZOS3_Y = [
    2.5134,
    2.0443,
    1.6684,
    1.3664,
    1.1232,
    0.9269,
    0.7679,
    0.6389,
    0.5338,
    0.4479,
    0.3776,
    0.3197,
    0.272,
    0.2325,
    0.1997,
    0.1723,
    0.1493,
    0.1301,
    0.1138,
    0.1,
    0.0883,
    0.0783,
    0.0698,
    0.0624,
]


# data; starts of b2; certified b1, sd, b2, sd, residual sum of squares
@pytest.mark.parametrize(
    ("data", "starts", "certified"),
    [
        (MISRA1A, (1e-4, 5e-4), (2.3894212918e02, 2.7070075241, 5.5015643181e-04, 7.2668688436e-06, 1.2455138894e-01)),
        (BOXBOD, (1.0, 0.75), (2.1380940889e02, 1.2354515176e01, 5.4723748542e-01, 1.0455993237e-01, 1.1680088766e03)),
    ],
)
def test_saturation(
    data: tuple[list[float], list[float]], starts: tuple[float, float], certified: tuple[float, ...]
) -> None:
    for start in (*starts, None):
        fit = fit_saturation(*data, start_rate=start)
        assert fit.accepted, fit.why_not
        found = (fit.floor, fit.u_floor, fit.rates[0], fit.u_rates[0], fit.rss)
        assert found == pytest.approx(certified, rel=SIX_DIGITS)


@pytest.mark.parametrize("starts", [(1.0, 2.0), (0.01, 0.02), None])
def test_two_decays_on_a_floor(starts: tuple[float, float] | None) -> None:
    fit = fit_decays(np.arange(33) * 10.0, MGH17_Y, terms=2, start_rates=starts)
    assert fit.accepted, fit.why_not
    assert (fit.floor, *fit.amplitudes, *fit.rates) == pytest.approx(
        (3.7541005211e-01, 1.9358469127, -1.4646871366, 1.2867534640e-02, 2.2122699662e-02), rel=SIX_DIGITS
    )
    assert (fit.u_floor, *fit.u_amplitudes, *fit.u_rates) == pytest.approx(
        (2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04, 8.9471996575e-04), rel=SIX_DIGITS
    )
    assert fit.rss == pytest.approx(5.4648946975e-05, rel=SIX_DIGITS)


# b2, b4, b6; b1, b3, b5; standard deviations in the same order.
LANCZOS2 = (
    (1.0057332849, 3.0078283915, 5.0028798100, 9.6251029939e-02, 8.6424689056e-01, 1.5529016879),
    (3.3989646176e-03, 4.1707005856e-03, 1.3958787284e-03, 6.6770575477e-04, 1.7185846685e-03, 2.3744381417e-03),
)
LANCZOS3 = (
    (9.5498101505e-01, 2.9515951832, 4.9863565084, 8.6816414977e-02, 8.4400777463e-01, 1.5825685901),
    (9.7041624475e-02, 1.0766312506e-01, 3.4436403035e-02, 1.7197908859e-02, 4.1488663282e-02, 5.8371576281e-02),
)


@pytest.mark.parametrize(("y", "certified"), [(LANCZOS2_Y, LANCZOS2), (LANCZOS3_Y, LANCZOS3)])
@pytest.mark.parametrize("starts", [(0.3, 5.5, 7.6), (0.7, 4.2, 6.3), None])
def test_three_decays(
    y: list[float], certified: tuple[tuple[float, ...], tuple[float, ...]], starts: tuple[float, float, float] | None
) -> None:
    fit = fit_decays(np.arange(24) * 0.05, y, terms=3, floor=0.0, start_rates=starts)
    assert fit.accepted, fit.why_not
    assert (*fit.rates, *fit.amplitudes) == pytest.approx(certified[0], rel=SIX_DIGITS)
    assert (*fit.u_rates, *fit.u_amplitudes) == pytest.approx(certified[1], rel=SIX_DIGITS)
