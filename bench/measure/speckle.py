"""Speckle of a uniform patch: equivalent number of looks (ENL) and agreement with a gamma law.

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

from ._checks import as_positive
from .correlation import correlation_cell
from .trend import check_degree, normalised

__all__ = [
    "Enl",
    "GammaAgreement",
    "GammaHistogram",
    "enl",
    "gamma_agreement",
    "gamma_histogram",
    "pool_enl",
]


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
        Pixels per independent cell; default: measured by :func:`pingloom.bench.measure.correlation.correlation_cell`.
    weights : array_like of float, shape (along, across), optional
        Weight of each pixel, 0 or more.
    exclude : array_like of bool, shape (along, across), optional
        True where a pixel must not count (targets and shadows).
    trend_degree : tuple of int
        Degrees along and across of a slow level that is divided out first, see :func:`pingloom.bench.measure.trend.level_trend`. Each of its
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
    fluctuation, use, mean = normalised(patch, exclude, trend_degree)
    n_trend = 1 + sum(check_degree(trend_degree))
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
    fluctuation, use, _ = normalised(patch, exclude, trend_degree)
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
    fluctuation, use, _ = normalised(patch, exclude, trend_degree)
    values = 1 + fluctuation[use]
    count, edges = np.histogram(values, bins=int(n_bin), range=(min(0.0, values.min()), values.max()))
    law = special.gammainc(shape, shape * np.maximum(edges, 0))
    return GammaHistogram(
        edges=edges,
        density=count / (values.size * np.diff(edges)),
        gamma_density=np.diff(law) / np.diff(edges),
    )
