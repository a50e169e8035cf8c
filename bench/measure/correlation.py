"""Correlation of intensity between pixels: how many of them share one independent value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

from .trend import check_degree, normalised

__all__ = ["CorrelationCell", "autocovariance", "correlation_cell"]

_LOW_CORRELATION = 0.05
"""A lag at which intensity correlates less than this ends the main part of the correlation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrelationCell:
    """How many pixels share one independent value."""

    along_pixels: float
    """Sum of the intensity correlation over lags along track. [pixels]"""
    across_pixels: float
    """The same across track. [pixels]"""
    along_pixels_squared: float
    """Sum of the squared intensity correlation over lags along track. [pixels]"""
    across_pixels_squared: float
    """The same across track. [pixels]"""

    @property
    def area_pixels(self) -> float:
        """Pixels per independent value when a mean is estimated."""
        return self.along_pixels * self.across_pixels

    @property
    def variance_area_pixels(self) -> float:
        """Pixels per independent value when the ENL is estimated."""
        return self.along_pixels_squared * self.across_pixels_squared


def autocovariance(
    patch: ArrayLike,
    *,
    max_lag: tuple[int, int] | None = None,
    exclude: ArrayLike | None = None,
    trend_degree: tuple[int, int] = (0, 0),
) -> NDArray[np.float64]:
    """Autocovariance of intensity relative to its squared mean, over lags in pixels.

    Parameters
    ----------
    patch : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    max_lag : tuple of int, optional
        Largest lag along and across; default: a quarter of each axis.
    exclude : array_like of bool, shape (along, across), optional
        True where a pixel must not count (targets).
    trend_degree : tuple of int
        Degrees of the level divided out first, see :func:`pingloom.bench.measure.trend.level_trend`.

    Returns
    -------
    ndarray of float64, shape (2 max_lag[0] + 1, 2 max_lag[1] + 1)
        Lag zero, the variance over the squared mean, in the middle. Each lag is divided by its own number of pixel
        pairs; NaN where there are none. The patch's own mean is removed, which lowers all lags by the variance
        over the number of cells.

    Raises
    ------
    ParameterError
        If a lag reaches beyond the patch.
    DataError
        If fewer than four pixels are usable, all are equal, or their mean is not positive.
    """
    fluctuation, use, _ = normalised(patch, exclude, trend_degree)
    shape = fluctuation.shape
    lag = tuple(n // 4 for n in shape) if max_lag is None else tuple(int(k) for k in max_lag)
    if len(lag) != 2 or any(not 0 <= k < n for k, n in zip(lag, shape, strict=True)):
        raise ParameterError(f"max_lag is {max_lag}; allowed: 0 or more and below the patch's shape {shape}.")
    total = _self_correlation(fluctuation, lag, (0, 1))
    pairs = np.rint(_self_correlation(use.astype(np.float64), lag, (0, 1)))
    return np.where(pairs > 0, total / np.maximum(pairs, 1), np.nan)


def _self_correlation(
    values: NDArray[np.float64], lag: tuple[int, ...], axes: tuple[int, ...]
) -> NDArray[np.float64]:
    """Correlate ``values`` with itself along ``axes`` by FFT, linearly, lag zero in the middle."""
    from scipy import fft

    size = [fft.next_fast_len(values.shape[a] + k, real=True) for a, k in zip(axes, lag, strict=True)]
    spectrum = fft.rfftn(values, size, axes=axes)
    full = fft.irfftn(np.abs(spectrum) ** 2, size, axes=axes)
    for axis, k in zip(axes, lag, strict=True):
        full = np.take(full, np.arange(-k, k + 1), axis=axis)
    return full


def correlation_cell(
    patch: ArrayLike, *, exclude: ArrayLike | None = None, trend_degree: tuple[int, int] = (0, 0)
) -> CorrelationCell:
    """Measure how far intensity stays correlated along each axis.

    Sums run to twice the first lag at which the correlation falls under 0.05: of the sinc^2 correlation of a
    rectangular spectrum that is 95 % of the whole for the plain sum and all for the squared one. The two axes are
    taken as separable. Removing the mean (and a trend) lowers every lag a little; this is put back.

    Parameters
    ----------
    patch, exclude, trend_degree
        As for :func:`autocovariance`.

    Returns
    -------
    CorrelationCell

    Raises
    ------
    DataError
        If the patch is too small to see where its correlation ends.
    """
    fluctuation, use, _ = normalised(patch, exclude, trend_degree)
    n_trend = 1 + sum(check_degree(trend_degree))
    curves = [_axis_correlation(fluctuation, use, axis) for axis in (0, 1)]
    cells = np.inf
    for _ in range(20):
        removed = min(n_trend / cells, 0.5)
        widths = [_widths(removed + (1 - removed) * curve, axis) for axis, curve in enumerate(curves)]
        previous, cells = cells, use.sum() / (widths[0][0] * widths[1][0])
        if abs(cells - previous) < 1e-3 * cells:
            break
    if cells < 2 * n_trend:
        raise DataError(
            f"patch holds {cells:.1f} independent cells; allowed: at least {2 * n_trend} for {n_trend} level "
            "parameters. Take a larger patch, or give cell_pixels."
        )
    return CorrelationCell(
        along_pixels=widths[0][0],
        across_pixels=widths[1][0],
        along_pixels_squared=widths[0][1],
        across_pixels_squared=widths[1][1],
    )


def _axis_correlation(
    fluctuation: NDArray[np.float64], use: NDArray[np.bool_], axis: int
) -> NDArray[np.float64]:
    """Correlation coefficient at lags 0 ... half the axis, averaged over the other axis."""
    lag = fluctuation.shape[axis] // 2
    total = _self_correlation(fluctuation, (lag,), (axis,)).sum(axis=1 - axis)[lag:]
    pairs = np.rint(_self_correlation(use.astype(np.float64), (lag,), (axis,)).sum(axis=1 - axis))[lag:]
    covariance = np.where(pairs > 0, total / np.maximum(pairs, 1), 0.0)
    return covariance / covariance[0]


def _widths(correlation: NDArray[np.float64], axis: int) -> tuple[float, float]:
    """Sum the correlation and its square over positive and negative lags."""
    if correlation.size == 1:
        return 1.0, 1.0
    low = np.flatnonzero(correlation < _LOW_CORRELATION)
    if low.size == 0:
        name = ("along", "across")[axis]
        raise DataError(
            f"patch is correlated over its whole {name} axis; allowed: several correlation lengths. Take a larger "
            "patch, give a trend degree, or give cell_pixels."
        )
    tail = correlation[1 : min(2 * int(low[0]), correlation.size - 1) + 1]
    return max(1.0, 1 + 2 * float(tail.sum())), max(1.0, 1 + 2 * float(np.sum(tail**2)))
