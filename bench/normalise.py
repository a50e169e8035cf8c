"""Adaptive normalisation for pictures: level over its local mean. Never for measuring: it takes the level itself away."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

__all__ = ["normalised"]

_ACROSS_M = 1.0
"""The mean reaches as far across track: range is what level depends on most."""
_MOST = 4.0
"""Levels count up to so many medians of their distance across: a strong target must not darken its surroundings. Of one look's
speckle that leaves out 6 % of the power, of eight looks' nothing."""


def normalised(
    intensity: ArrayLike, *, along_m: float, pixel_along_m: float, pixel_across_m: float
) -> NDArray[np.float32]:
    """Divide each pixel by the mean of what is seen around it, ``along_m`` of track by one metre across.

    Parameters
    ----------
    intensity : array_like of float, shape (along, across)
        Linear level, NaN where not seen.
    along_m : float
        [m]

    Returns
    -------
    ndarray of float32, shape (along, across)
        1 where a pixel is as bright as its surroundings; NaN where not seen.

    Raises
    ------
    ParameterError
        If the length is not above the pixel's.
    """
    if not along_m > pixel_along_m:
        raise ParameterError(
            f"--normalise is {along_m:g} m; allowed: above the pixel of {pixel_along_m:g} m, some ten metres for a picture."
        )
    from scipy.ndimage import uniform_filter

    value = np.asarray(intensity, np.float64)
    seen = np.isfinite(value)
    size = [
        2 * max(1, round(length / pixel / 2)) + 1
        for length, pixel in ((along_m, pixel_along_m), (_ACROSS_M, pixel_across_m))
    ]
    # Sums of level and of pixels seen, over the same window, so that edges and gaps don't darken it.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # distances at which nothing was seen
        most = _MOST * np.nanmedian(value, axis=0)
    total = uniform_filter(np.where(seen, np.minimum(value, most), 0.0), size, mode="constant")
    share = uniform_filter(seen.astype(np.float64), size, mode="constant")
    mean = np.where(share > 0, total / np.maximum(share, 1e-12), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(seen & (mean > 0), value / mean, np.nan).astype(np.float32)
