"""Speckle laws: what one look and the mean of many do to level, spread and decibels.

Goodman, J. W. (1976), J. Opt. Soc. Am. 66, 1145-1150; Ulaby, F. T., Moore, R. K. and Fung, A. K. (1986), *Microwave
Remote Sensing* III; Oliver, C. and Quegan, S. (2004), *Understanding Synthetic Aperture Radar Images* (citations
from memory; every formula is derived and checked by simulation).

A number of looks is that of the gamma law with the same contrast, and need not be whole.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ._check import not_negative, positive

__all__ = [
    "AMPLITUDE_ENL_FACTOR",
    "amplitude_contrast",
    "amplitude_enl_reading",
    "contrast",
    "db_mean_bias",
    "db_std",
    "enl_relative_bias",
    "enl_relative_std",
    "enl_with_few_scatterers",
    "enl_with_texture",
    "texture_second_moment",
]

_DB_PER_NEPER = 10 / np.log(10)

AMPLITUDE_ENL_FACTOR = 4 / np.pi - 1
"""Times (mean/std)^2 of *averaged amplitudes* gives their number of looks; wrong for a root of mean intensity."""


def contrast(looks: ArrayLike) -> Any:
    """Standard deviation over mean of intensity: 1/sqrt(looks)."""
    (n,) = positive(looks=looks)
    return 1 / np.sqrt(n)


def db_std(looks: ArrayLike) -> Any:
    """Standard deviation of intensity in decibels: (10/ln 10) sqrt(trigamma(looks)). [dB]"""
    from scipy.special import polygamma

    (n,) = positive(looks=looks)
    return _DB_PER_NEPER * np.sqrt(polygamma(1, n))


def db_mean_bias(looks: ArrayLike) -> Any:
    """Mean of decibels minus decibels of the mean, negative: (10/ln 10)(digamma(looks) - ln looks). [dB]"""
    from scipy.special import digamma

    (n,) = positive(looks=looks)
    return _DB_PER_NEPER * (digamma(n) - np.log(n))


def _root_moment_ratio(n: Any) -> Any:
    """Squared mean over mean square of the root of a gamma variable of shape n."""
    from scipy.special import gammaln

    return np.exp(2 * (gammaln(n + 0.5) - gammaln(n))) / n


def amplitude_contrast(looks: ArrayLike) -> Any:
    """Standard deviation over mean of the *root* of a mean of intensities; one look: 0.5227."""
    (n,) = positive(looks=looks)
    return np.sqrt(1 / _root_moment_ratio(n) - 1)


def amplitude_enl_reading(looks: ArrayLike) -> Any:
    """What ``AMPLITUDE_ENL_FACTOR`` would wrongly read on the root of a mean of intensities."""
    return AMPLITUDE_ENL_FACTOR / amplitude_contrast(looks) ** 2


def enl_relative_std(looks: ArrayLike, n_sample: ArrayLike) -> Any:
    """Standard error of mean^2/variance over its value: sqrt(2 (1 + 1/looks)/n_sample).

    Parameters
    ----------
    n_sample : array_like
        Independent resolution cells in the patch, not pixels; the form holds from a hundred on.
    """
    n, m = positive(looks=looks, n_sample=n_sample)
    return np.sqrt(2 * (1 + 1 / n) / m)


def enl_relative_bias(looks: ArrayLike, n_sample: ArrayLike) -> Any:
    """Mean excess of mean^2/variance over its value: (2 + 3/looks)/n_sample, to first order.

    From the second-order terms of the estimator in the sample mean and variance of a gamma law (derived).
    """
    n, m = positive(looks=looks, n_sample=n_sample)
    return (2 + 3 / n) / m


def texture_second_moment(order: ArrayLike, looks: ArrayLike) -> Any:
    """<I^2>/<I>^2 of K-distributed intensity: (1 + 1/order)(1 + 1/looks).

    Jakeman, E. and Pusey, P. N. (1976), IEEE Trans. Antennas Propag. 24, 806-814 (citation from memory).
    """
    nu, n = positive(order=order, looks=looks)
    return (1 + 1 / nu) * (1 + 1 / n)


def enl_with_texture(order: ArrayLike, looks: ArrayLike) -> Any:
    """Mean^2/variance of looks on gamma-distributed texture; never above ``order``, however many the looks."""
    return 1 / (texture_second_moment(order, looks) - 1)


def enl_with_few_scatterers(looks: ArrayLike, scatterers_per_cell: ArrayLike, kappa: ArrayLike = 2.0) -> Any:
    """Equivalent looks of a scene made of few scatterers, the same ones in every look.

    ``1/ENL = 1/looks + kappa/n`` with n effective scatterers, 2.87 times those in a half-power cell (along times
    across, of a sinc response each way): their local power fluctuates, and averaging looks does not remove that.

    Parameters
    ----------
    kappa : array_like
        At random places E|a|^4/(E|a|^2)^2: 2 for complex Gaussian amplitudes, 1 for equal moduli; near 0 for
        equal moduli on a jittered grid.

    Notes
    -----
    A cell's power is a sum over scatterers of |a|^2 weighted by the response h, so with places at random its
    relative variance is kappa (integral h^2)/(integral h)^2/density. For sinc^2 each way the integral of h^2 is
    2/3 of a bin, and a half-power cell is 0.886 bins: n = (3/2)^2/0.886^2 = 2.87 per scatterer in the cell.
    """
    n, count = positive(looks=looks, scatterers_per_cell=scatterers_per_cell)
    (k,) = not_negative(kappa=kappa)
    per_cell = (1.5 / 0.885893) ** 2  # = 2.867
    return 1 / (1 / n + k / (per_cell * count))
