"""Detection in speckle and noise: what contrast, or what signal to noise, a decision needs.

Probabilities of detection and false alarm are per resolution cell; signal to noise is the mean of one look,
before averaging.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pingloom.imaging.errors import ParameterError

from ._check import fraction, not_negative, positive

__all__ = [
    "albersheim_snr_db",
    "contrast_to_noise",
    "pd_bright",
    "pd_shadow",
    "pd_square_law",
    "pd_swerling_2",
    "pd_weighted_looks",
    "rose_factor",
    "shnidman_snr_db",
    "square_law_snr_db",
    "swerling_2_snr_db",
    "weighted_looks_snr_db",
]


def contrast_to_noise(
    target_mean: ArrayLike, target_std: ArrayLike, background_mean: ArrayLike, background_std: ArrayLike
) -> Any:
    """Difference of two means over the root of the sum of their variances."""
    spread = np.hypot(*not_negative(target_std=target_std, background_std=background_std))
    return np.abs(np.subtract(target_mean, background_mean)) / positive(spread=spread)[0]


def rose_factor(relative_contrast: ArrayLike, looks: ArrayLike, cells: ArrayLike) -> Any:
    """Contrast over the speckle of its own area: |C| sqrt(looks cells); seen reliably from about 5 on.

    Rose, A. (1948), J. Opt. Soc. Am. 38, 196-208 (the 5 from memory, the form derived).
    """
    n, a = positive(looks=looks, cells=cells)
    return np.abs(relative_contrast) * np.sqrt(n * a)


def albersheim_snr_db(pd: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Signal to noise of a steady target for a linear detector whose outputs are averaged. [dB]

    Albersheim, W. J. (1981), Proc. IEEE 69, 839. Within 0.3 dB of the exact square law.
    """
    pd, pfa = fraction(pd=pd, pfa=pfa)
    (n,) = positive(looks=looks)
    a = np.log(0.62 / pfa)
    b = np.log(pd / (1 - pd))
    return -5 * np.log10(n) + (6.2 + 4.54 / np.sqrt(n + 0.44)) * np.log10(a + 0.12 * a * b + 1.7 * b)


def pd_square_law(snr_db: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Detection of a steady target in complex Gaussian noise by the mean of squared envelopes, exact.

    Noncentral chi-square with 2N degrees of freedom (Marcum, J. I. (1960), IRE Trans. Inf. Theory 6, 59-267).
    """
    from scipy.special import chdtri, chndtr

    (pfa,) = fraction(pfa=pfa)
    (n,) = positive(looks=looks)
    snr = 10 ** (np.asarray(snr_db, dtype=np.float64) / 10)
    threshold = chdtri(2 * n, pfa)
    return 1 - chndtr(threshold, 2 * n, 2 * n * snr)


def square_law_snr_db(pd: float, pfa: float, looks: float = 1) -> float:
    """Signal to noise at which :func:`pd_square_law` reaches ``pd``. [dB]"""
    fraction(pd=pd)
    if pd <= pfa:
        raise ParameterError(f"pd is {pd:g}; allowed: above pfa={pfa:g}. No signal gives pd = pfa.")
    low, high = -60.0, 60.0
    for _ in range(60):  # halves down to rounding
        middle = (low + high) / 2
        low, high = (low, middle) if pd_square_law(middle, pfa, looks) > pd else (middle, high)
    return (low + high) / 2


def pd_swerling_2(snr_db: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Detection of a target that speckles from look to look (Swerling's second case), exact."""
    return pd_bright(1 + 10 ** (np.asarray(snr_db, dtype=np.float64) / 10), pfa, looks)


def swerling_2_snr_db(pd: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Signal to noise at which :func:`pd_swerling_2` reaches ``pd``. [dB]"""
    from scipy.special import gammainccinv

    pd, pfa = fraction(pd=pd, pfa=pfa)
    (n,) = positive(looks=looks)
    ratio = gammainccinv(n, pfa) / gammainccinv(n, pd)
    return 10 * np.log10(positive(excess_of_pd_over_pfa=ratio - 1)[0])


def pd_bright(ratio: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Detection of a cell whose mean is ``ratio`` times its surroundings', both speckled: gamma laws.

    With one look ``pfa**(1/ratio)``.
    """
    from scipy.special import gammaincc, gammainccinv

    (pfa,) = fraction(pfa=pfa)
    r, n = positive(ratio=ratio, looks=looks)
    return gammaincc(n, gammainccinv(n, pfa) / r)


def pd_shadow(ratio: ArrayLike, pfa: ArrayLike, looks: ArrayLike = 1) -> Any:
    """Detection of a cell that is ``ratio`` (below 1) times its surroundings, by being low."""
    from scipy.special import gammainc, gammaincinv

    (pfa,) = fraction(pfa=pfa)
    r, n = positive(ratio=ratio, looks=looks)
    return gammainc(n, gammaincinv(n, pfa) / r)


def shnidman_snr_db(pd: float, pfa: float, looks: int = 1, *, fluctuating: bool = False) -> float:
    """Closed form for a square law; steady target, or Swerling's second case. [dB]

    Shnidman, D. A. (2002), IEEE Trans. Aerosp. Electron. Syst. 38, 1059-1062 (coefficients from memory; within
    0.25 dB of exact for Pd 0.5 and 0.9, Pfa 1e-6..1e-3, up to 100 looks). Stated for Pd 0.1..0.99.
    """
    fraction(pd=pd, pfa=pfa)
    positive(looks=looks)
    if not 0.1 <= pd <= 0.99:
        raise ParameterError(f"pd is {pd:g}; allowed: from 0.1 to 0.99. Use the exact law outside.")
    inverse_k = 1 / looks if fluctuating else 0.0
    alpha = 0.25 if looks >= 40 else 0.0
    eta = np.sqrt(-0.8 * np.log(4 * pfa * (1 - pfa))) + np.copysign(
        np.sqrt(-0.8 * np.log(4 * pd * (1 - pd))), pd - 0.5
    )
    steady = eta * (eta + 2 * np.sqrt(looks / 2 + (alpha - 0.25)))
    c_db = inverse_k * (((17.7006 * pd - 18.4496) * pd + 14.5339) * pd - 3.525)
    if pd > 0.872:
        high = np.exp(27.31 * pd - 25.14) + (pd - 0.8) * (0.7 * np.log(1e-5 / pfa) + (2 * looks - 20) / 80)
        c_db += inverse_k * high
    return float(c_db + 10 * np.log10(steady / looks))


def pd_weighted_looks(snr_db: float, pfa: float, gain: ArrayLike, weight: ArrayLike) -> float:
    """Detection of a steady target by a weighted sum of looks of unequal gain, in noise of equal power.

    Parameters
    ----------
    snr_db : float
        Mean signal to noise of a look of gain 1. [dB]
    pfa : float
        At least 1e-5: the quadrature errs by up to 1e-7.
    gain : array_like, shape (n,)
        Two-way power gain of each look; 5 looks or more.
    weight : array_like, shape (n,)
        Of each look's intensity: 1 for a plain sum, 1/gain for equalised looks, gain for the best.

    Returns
    -------
    float

    Notes
    -----
    Imhof, J. P. (1961), Biometrika 48, 419-426: inversion of the characteristic function of a quadratic form.
    """
    scale, g = _unequal(gain, weight)
    return _imhof(_threshold(pfa, scale), scale, 2 * 10 ** (snr_db / 10) * g)


def _unequal(gain: ArrayLike, weight: ArrayLike) -> tuple[Any, Any]:
    """Scales of the chi-squares, relative to the mean weight, and gains."""
    g, w = positive(gain=np.atleast_1d(gain), weight=np.atleast_1d(weight))
    if g.ndim != 1 or g.shape != w.shape or g.size < 5:
        raise ParameterError(
            f"gain has shape {g.shape} and weight {w.shape}; allowed: two equal rows of 5 or more looks."
        )
    return w / w.mean() / 2, g


def _threshold(pfa: float, scale: Any) -> float:
    fraction(pfa=pfa)
    if pfa < 1e-5:
        raise ParameterError(
            f"pfa is {pfa:g}; allowed: from 1e-5 for looks of unequal weight. Use equal weights below."
        )
    silent = np.zeros_like(scale)
    return _halved(lambda x: _imhof(x, scale, silent) - pfa, 0.0, 100.0 * scale.size * scale.max())


def weighted_looks_snr_db(pd: float, pfa: float, gain: ArrayLike, weight: ArrayLike) -> float:
    """Signal to noise, of a look of gain 1, at which :func:`pd_weighted_looks` reaches ``pd``. [dB]"""
    fraction(pd=pd)
    if pd <= pfa:
        raise ParameterError(f"pd is {pd:g}; allowed: above pfa={pfa:g}. No signal gives pd = pfa.")
    scale, g = _unequal(gain, weight)
    threshold = _threshold(pfa, scale)
    return _halved(lambda snr_db: pd - _imhof(threshold, scale, 2 * 10 ** (snr_db / 10) * g), -40.0, 40.0)


def _halved(falling: Callable[[float], float], low: float, high: float, steps: int = 50) -> float:
    """Zero of a function that falls from positive at ``low`` to negative at ``high``."""
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2


def _imhof(x: float, scale: Any, noncentrality: Any) -> float:
    """P(sum of scale times chi-square of 2 degrees > x)."""
    # The integrand falls as u^-(1 + n) beyond 1/scale; logarithmic steps serve both its ends.
    u = np.exp(np.linspace(np.log(1e-12), np.log(1e3), 5001)) / scale.max()
    z = np.multiply.outer(u, scale)
    phase = (np.arctan(z) + noncentrality * z / (1 + z**2) / 2).sum(axis=1) - x * u / 2
    fall = np.log1p(z**2).sum(axis=1) / 2 + (noncentrality * z**2 / (1 + z**2)).sum(axis=1) / 2
    # du = u d(log u) cancels the u below the sine
    integral = np.trapezoid(np.sin(phase) * np.exp(-fall), np.log(u))
    return float(0.5 + integral / np.pi)
