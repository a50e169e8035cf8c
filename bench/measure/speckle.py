"""Speckle of a uniform patch: equivalent number of looks (ENL), independent cells, agreement with a gamma law.

Everything is measured on the patch itself. Neighbouring pixels are correlated, so a patch holds fewer independent
values than pixels, and how many depends on what is estimated. Let r be the correlation coefficient of intensity at
a lag. A mean averages down with the sum of r over lags; the ENL averages down with the sum of r^2. The reason:
for speckle that follows a gamma law of shape N the first-order error of mean^2/variance is the second Laguerre
polynomial of the intensity, and two correlated gamma values have correlation r^2 there (Kibble's bivariate gamma,
W. F. Kibble, Sankhya 5, 1941, 137-150, citation from memory; the tests check it by simulation). Both counts are
reported. For a rectangular spectrum on both axes the second is 2.25 times the first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

from ._checks import as_image, as_positive, usable

__all__ = [
    "CorrelationCell",
    "Enl",
    "GammaAgreement",
    "GammaHistogram",
    "autocovariance",
    "correlation_cell",
    "enl",
    "gamma_agreement",
    "gamma_histogram",
    "level_trend",
    "pool_enl",
]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Enl:
    """Equivalent number of looks of a patch, and how well it is known."""

    enl: float
    """mean^2/variance of intensity, freed of the small-sample bias."""
    standard_error: float
    """One standard deviation of ``enl``, if the speckle follows a gamma law."""
    enl_raw: float
    """mean^2/variance before the correction for bias."""
    bias_relative: float
    """``enl_raw`` is on average this fraction too high."""
    mean: float
    """Mean intensity, before any trend was divided out."""
    standard_deviation: float
    """Of the intensity divided by its trend, relative to its mean."""
    n_pixel: int
    """Pixels used."""
    cells: float
    """Independent values as far as a mean is concerned."""
    variance_cells: float
    """Independent values as far as the ENL is concerned."""
    n_trend: int
    """Parameters of the level that was divided out, the mean included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GammaAgreement:
    """Kolmogorov-Smirnov comparison with a gamma law of unit mean."""

    distance: float
    """Largest difference of the distribution functions, all pixels."""
    thinned_distance: float
    """The same over pixels that lie a correlation cell apart."""
    p_value: float
    """Probability of a greater ``thinned_distance`` under the gamma law. The mean comes from the same patch, so
    it is on the high side: a small value is evidence against the law, a large one is none for it."""
    n_independent: int
    """Pixels behind ``thinned_distance``."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GammaHistogram:
    """Density of intensity over its mean, beside the gamma density."""

    edges: NDArray[np.float64]
    density: NDArray[np.float64]
    gamma_density: NDArray[np.float64]
    """Mean of the gamma density over each bin."""


def level_trend(
    patch: ArrayLike, *, degree: tuple[int, int] = (1, 1), exclude: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Fit a slowly varying mean level, the exponential of a polynomial in each axis.

    The fit maximises the likelihood of gamma-distributed intensities (log link), so a few bright pixels don't pull
    it as they would a fit to intensity, and the logarithm of speckle never enters. Negative intensities, as noise
    subtraction leaves them, are allowed.

    Parameters
    ----------
    patch : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    degree : tuple of int
        Degree along and across, each 0 to 8.
    exclude : array_like of bool, shape (along, across), optional
        True where a pixel must not count.

    Returns
    -------
    ndarray of float64, shape (along, across)
        Fitted mean intensity, also where the patch is NaN.

    Raises
    ------
    ParameterError
        If a degree is out of range.
    DataError
        If too few pixels are left, or their mean is not positive.
    """
    image = as_image("patch", patch)
    use = usable("patch", image, exclude)
    degree_along, degree_across = _check_degree(degree)
    n_parameter = 1 + degree_along + degree_across
    if use.sum() < 10 * n_parameter:
        raise DataError(
            f"patch has {int(use.sum())} usable pixels; allowed: at least {10 * n_parameter} for a trend of "
            f"{n_parameter} parameters. Take a larger patch or a lower degree."
        )
    values = image[use]
    _positive_mean(values)
    basis = _basis(image.shape, (degree_along, degree_across))
    return np.exp(_fit_log_level(values, basis[:, use], basis))


def _check_degree(degree: tuple[int, int]) -> tuple[int, int]:
    along, across = degree
    if int(along) != along or int(across) != across or not (0 <= along <= 8 and 0 <= across <= 8):
        raise ParameterError(f"degree is {degree}; allowed: two whole numbers from 0 to 8 (along, across).")
    return int(along), int(across)


def _positive_mean(values: NDArray[np.float64]) -> float:
    mean = float(values.mean())
    if mean <= 0:
        raise DataError(
            f"patch has mean intensity {mean:g}; allowed: above 0. Take a patch where the echo exceeds the noise."
        )
    return mean


def _basis(shape: tuple[int, int], degree: tuple[int, int]) -> NDArray[np.float64]:
    """Return Legendre polynomials (parameter, along, across): the constant, then each axis alone."""
    layers = [np.ones(shape)]
    for axis in (0, 1):
        x = np.linspace(-1, 1, shape[axis]) if shape[axis] > 1 else np.zeros(1)
        for order in range(1, degree[axis] + 1):
            column = np.polynomial.legendre.Legendre.basis(order)(x)
            layers.append(np.broadcast_to(np.expand_dims(column, 1 - axis), shape))
    return np.array(layers)


def _fit_log_level(
    values: NDArray[np.float64], basis: NDArray[np.float64], everywhere: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fisher scoring for a gamma law with log link: its weights are all one, so one inverse serves all steps."""
    coefficient = np.zeros(basis.shape[0])
    coefficient[0] = np.log(values.mean())
    inverse = np.linalg.pinv(basis @ basis.T)
    for _ in range(50):
        residual = values * np.exp(-np.tensordot(coefficient, basis, 1)) - 1
        step = inverse @ (basis @ residual)
        # A step above one neper overshoots where the first level is far off.
        coefficient = coefficient + step / max(1.0, float(np.abs(step).max()))
        if np.abs(step).max() < 1e-9:
            break
    return np.tensordot(coefficient, everywhere, 1)


def _normalised(
    patch: ArrayLike, exclude: ArrayLike | None, degree: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], float]:
    """Return intensity over its level less one (0 where unusable), where it is usable, and the mean intensity."""
    image = as_image("patch", patch)
    use = usable("patch", image, exclude)
    if use.sum() < 4:
        raise DataError(
            f"patch has {int(use.sum())} usable pixels; allowed: at least 4. Take a larger patch."
        )
    mean = _positive_mean(image[use])
    flat = tuple(_check_degree(degree)) == (0, 0)
    level = mean if flat else level_trend(image, degree=degree, exclude=exclude)
    fluctuation = np.where(use, image / level - 1, 0.0)
    fluctuation[use] -= fluctuation[use].mean()
    if not np.any(fluctuation):
        raise DataError("patch is constant; allowed: intensities that vary. It holds no speckle to measure.")
    return fluctuation, use, mean


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
        Degrees of the level divided out first, see :func:`level_trend`.

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
    fluctuation, use, _ = _normalised(patch, exclude, trend_degree)
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
    fluctuation, use, _ = _normalised(patch, exclude, trend_degree)
    n_trend = 1 + sum(_check_degree(trend_degree))
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


def enl(
    patch: ArrayLike,
    *,
    cell_pixels: float | None = None,
    weights: ArrayLike | None = None,
    exclude: ArrayLike | None = None,
    trend_degree: tuple[int, int] = (0, 0),
) -> Enl:
    """Equivalent number of looks of a uniform patch: mean^2/variance of intensity.

    Parameters
    ----------
    patch : array_like of float, shape (along, across)
        Intensity (not amplitude, not dB), NaN where not seen.
    cell_pixels : float, optional
        Pixels per independent cell; default: measured by :func:`correlation_cell`.
    weights : array_like of float, shape (along, across), optional
        Weight of each pixel, 0 or more.
    exclude : array_like of bool, shape (along, across), optional
        True where a pixel must not count (targets and shadows).
    trend_degree : tuple of int
        Degrees along and across of a slow level that is divided out first, see :func:`level_trend`. Each of its
        parameters costs one cell of variance, which is given back.

    Returns
    -------
    Enl

    Raises
    ------
    ParameterError
        If weights or ``cell_pixels`` are out of range.
    DataError
        If the patch holds no speckle, a mean that isn't positive, or too few cells.

    Notes
    -----
    With n pixels, N = ENL, A1 and A2 the pixels per cell for a mean and for the ENL, and p level parameters::

        variance        = sample variance / (1 - p A1/n)
        relative error  = sqrt(2 (1 + 1/N) A2/n)
        relative bias   = (p A1/N + 2 (1 + 1/N) A2)/n

    by the delta method for a gamma law; for independent pixels and no trend the bias is (2 + 3/N)/n. Texture (level variation
    that is no speckle) lowers the ENL; nothing here can tell the two apart.
    """
    fluctuation, use, mean = _normalised(patch, exclude, trend_degree)
    n_trend = 1 + sum(_check_degree(trend_degree))
    weight = _weights(weights, use)
    n_effective = float(weight.sum() ** 2 / np.sum(weight**2))
    if cell_pixels is None:
        cell = correlation_cell(patch, exclude=exclude, trend_degree=trend_degree)
        areas = cell.area_pixels, cell.variance_area_pixels
    else:
        areas = (as_positive("cell_pixels", cell_pixels),) * 2
    cells, variance_cells = (n_effective / a for a in areas)
    if cells < 2 * n_trend:
        raise DataError(
            f"patch holds {cells:.1f} independent cells; allowed: at least {2 * n_trend} for {n_trend} level "
            "parameters. Take a larger patch."
        )
    values = fluctuation[use]
    centre = float(weight @ values / weight.sum())
    variance = float(weight @ (values - centre) ** 2 / weight.sum()) / (1 - n_trend / cells)
    raw = (1 + centre) ** 2 / variance
    value, bias = _debias(raw, cells / n_trend, variance_cells)
    return Enl(
        enl=value,
        standard_error=value * float(np.sqrt(2 * (1 + 1 / value) / variance_cells)),
        enl_raw=raw,
        bias_relative=bias,
        mean=mean,
        standard_deviation=float(np.sqrt(variance)),
        n_pixel=int(use.sum()),
        cells=cells,
        variance_cells=variance_cells,
        n_trend=n_trend,
    )


def _weights(weights: ArrayLike | None, use: NDArray[np.bool_]) -> NDArray[np.float64]:
    if weights is None:
        return np.ones(int(use.sum()))
    array = np.asarray(weights, dtype=np.float64)
    if array.shape != use.shape:
        raise ParameterError(f"weights have shape {array.shape}; allowed: the patch's shape {use.shape}.")
    chosen = array[use]
    if not np.isfinite(chosen).all() or (chosen < 0).any() or chosen.sum() == 0:
        raise ParameterError(
            "weights are negative, not finite or all 0; allowed: finite, 0 or more, some above 0."
        )
    return chosen


def _debias(raw: float, cells_per_parameter: float, variance_cells: float) -> tuple[float, float]:
    """Solve raw = N (1 + bias(N)) for N by iteration; the bias depends weakly on N."""
    value, bias = raw, 0.0
    for _ in range(10):
        bias = 1 / (value * cells_per_parameter) + 2 * (1 + 1 / value) / variance_cells
        value = raw / (1 + bias)
    return value, bias


def pool_enl(measured: Sequence[Enl]) -> tuple[float, float]:
    """Join ENL values of independent patches of the same speckle.

    Relative variances 1/ENL are averaged in proportion to the cells behind them.

    Parameters
    ----------
    measured : sequence of Enl
        At least one.

    Returns
    -------
    enl, standard_error : float

    Raises
    ------
    ParameterError
        If nothing was given.
    """
    if not measured:
        raise ParameterError("measured is empty; allowed: at least one Enl.")
    cells = np.array([m.variance_cells for m in measured])
    pooled = float(1 / np.average([1 / m.enl for m in measured], weights=cells))
    return pooled, pooled * float(np.sqrt(2 * (1 + 1 / pooled) / cells.sum()))


def gamma_agreement(
    patch: ArrayLike,
    looks: float,
    *,
    exclude: ArrayLike | None = None,
    trend_degree: tuple[int, int] = (0, 0),
) -> GammaAgreement:
    """Compare the distribution of intensity over its mean with the gamma law of ``looks``.

    Parameters
    ----------
    patch : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    looks : float
        Shape of the gamma law, above 0.
    exclude, trend_degree
        As for :func:`enl`.

    Returns
    -------
    GammaAgreement
        The p-value uses Kolmogorov's limit for many samples.
    """
    from scipy import special

    shape = as_positive("looks", looks)
    fluctuation, use, _ = _normalised(patch, exclude, trend_degree)
    cell = correlation_cell(patch, exclude=exclude, trend_degree=trend_degree)
    step = int(np.ceil(cell.along_pixels)), int(np.ceil(cell.across_pixels))
    thin = 1 + fluctuation[:: step[0], :: step[1]][use[:: step[0], :: step[1]]]
    thinned = _gamma_distance(thin, shape)
    return GammaAgreement(
        distance=_gamma_distance(1 + fluctuation[use], shape),
        thinned_distance=thinned,
        p_value=float(special.kolmogorov(np.sqrt(thin.size) * thinned)),
        n_independent=int(thin.size),
    )


def _gamma_distance(values: NDArray[np.float64], shape: float) -> float:
    from scipy import special

    law = special.gammainc(shape, shape * np.maximum(np.sort(values), 0))
    step = np.arange(values.size + 1) / values.size
    return float(max(np.max(step[1:] - law), np.max(law - step[:-1])))


def gamma_histogram(
    patch: ArrayLike,
    looks: float,
    *,
    n_bin: int = 60,
    exclude: ArrayLike | None = None,
    trend_degree: tuple[int, int] = (0, 0),
) -> GammaHistogram:
    """Histogram of intensity over its mean, and the gamma law of ``looks`` in the same bins.

    Parameters
    ----------
    patch, looks, exclude, trend_degree
        As for :func:`gamma_agreement`.
    n_bin : int
        Number of equal bins from 0 to the largest value, at least 2.

    Returns
    -------
    GammaHistogram
    """
    from scipy import special

    shape = as_positive("looks", looks)
    if int(n_bin) != n_bin or n_bin < 2:
        raise ParameterError(f"n_bin is {n_bin}; allowed: a whole number of at least 2.")
    fluctuation, use, _ = _normalised(patch, exclude, trend_degree)
    values = 1 + fluctuation[use]
    count, edges = np.histogram(values, bins=int(n_bin), range=(min(0.0, values.min()), values.max()))
    law = special.gammainc(shape, shape * np.maximum(edges, 0))
    return GammaHistogram(
        edges=edges,
        density=count / (values.size * np.diff(edges)),
        gamma_density=np.diff(law) / np.diff(edges),
    )
