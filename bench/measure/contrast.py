"""Contrast of regions: target or shadow against background, in dB and as contrast-to-noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError

from ._checks import as_image, as_mask, as_positive, usable
from .correlation import correlation_cell

__all__ = ["Contrast", "Level", "Region", "contrast", "region_level"]

_DB_PER_NEPER = 10 / np.log(10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A rectangle on the seabed: pixels whose centres lie in [min, max)."""

    along_min_m: float
    along_max_m: float
    across_min_m: float
    across_max_m: float
    """Negative to port. [m]"""

    def __post_init__(self) -> None:
        for low, high in (("along_min_m", "along_max_m"), ("across_min_m", "across_max_m")):
            first, last = getattr(self, low), getattr(self, high)
            if not (np.isfinite([first, last]).all() and first < last):
                raise ParameterError(
                    f"region {low} to {high} is {first:g} to {last:g}; allowed: finite and increasing."
                )

    @classmethod
    def around(cls, along_m: float, across_m: float, *, half_along_m: float, half_across_m: float) -> Region:
        """Make the rectangle of the given half sizes around a point."""
        return cls(
            along_min_m=along_m - half_along_m,
            along_max_m=along_m + half_along_m,
            across_min_m=across_m - half_across_m,
            across_max_m=across_m + half_across_m,
        )

    def slices(self, along_m: ArrayLike, across_m: ArrayLike) -> tuple[slice, slice]:
        """Turn the rectangle into index slices.

        Parameters
        ----------
        along_m, across_m : array_like of float, shapes (along,) and (across,)
            Coordinates of the pixel centres, strictly increasing. [m]

        Returns
        -------
        tuple of slice
            For an (along, across) image.

        Raises
        ------
        ParameterError
            If a coordinate doesn't increase, or the rectangle holds no pixel centre.
        """
        return (
            _axis_slice("along_m", along_m, self.along_min_m, self.along_max_m),
            _axis_slice("across_m", across_m, self.across_min_m, self.across_max_m),
        )

    def mask(self, along_m: ArrayLike, across_m: ArrayLike) -> NDArray[np.bool_]:
        """Return an (along, across) mask, True inside the rectangle; see :meth:`slices`."""
        mask = np.zeros((np.size(along_m), np.size(across_m)), dtype=np.bool_)
        mask[self.slices(along_m, across_m)] = True
        return mask


def _axis_slice(name: str, coordinate: ArrayLike, low: float, high: float) -> slice:
    x = np.asarray(coordinate, dtype=np.float64)
    if x.ndim != 1 or x.size == 0 or not (np.diff(x) > 0).all():
        raise ParameterError(
            f"{name} has shape {x.shape} or doesn't increase; allowed: one strictly increasing axis."
        )
    first, last = (int(k) for k in np.searchsorted(x, (low, high), side="left"))
    if first == last:
        raise ParameterError(
            f"region holds no pixel from {low:g} to {high:g} m on {name}; allowed: within {x[0]:g} to {x[-1]:g} m. "
            "Move or widen the region."
        )
    return slice(first, last)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Mean and spread of intensity in a region."""

    mean: float
    standard_deviation: float
    n_pixel: int
    cells: float
    """Independent values behind the mean; at least 1."""

    @property
    def standard_error(self) -> float:
        """One standard deviation of ``mean``."""
        return self.standard_deviation / float(np.sqrt(self.cells))


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """A region against its background."""

    region: Level
    background: Level
    ratio_db: float
    """Mean over mean; NaN if the region's mean is not positive (below the noise that was subtracted). [dB]"""
    ratio_standard_error_db: float
    contrast_to_noise: float
    """|difference of means| / sqrt(sum of variances)."""
    contrast_to_noise_standard_error: float


def region_level(image: ArrayLike, mask: ArrayLike, *, cell_pixels: float) -> Level:
    """Mean, spread and independent values of the pixels under ``mask``.

    Parameters
    ----------
    image : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    mask : array_like of bool, shape (along, across)
        True inside the region.
    cell_pixels : float
        Pixels per independent cell, as :func:`pingloom.bench.measure.correlation.correlation_cell` measures them.

    Returns
    -------
    Level

    Raises
    ------
    DataError
        If fewer than two pixels under the mask were seen.
    """
    values = as_image("image", image)
    chosen = values[usable("image", values) & as_mask("mask", mask, values.shape)]
    if chosen.size < 2:
        raise DataError(
            f"region holds {chosen.size} seen pixels; allowed: at least 2. Move or widen the region."
        )
    cells = max(1.0, chosen.size / as_positive("cell_pixels", cell_pixels))
    # The spread about the region's own mean misses one cell's worth of variance.
    scale = cells / (cells - 1) if cells > 2 else chosen.size / (chosen.size - 1)
    return Level(
        mean=float(chosen.mean()),
        standard_deviation=float(np.sqrt(chosen.var() * scale)),
        n_pixel=int(chosen.size),
        cells=cells,
    )


def contrast(
    image: ArrayLike, *, region: ArrayLike, background: ArrayLike, cell_pixels: float | None = None
) -> Contrast:
    """Compare a target or a shadow with its background.

    Parameters
    ----------
    image : array_like of float, shape (along, across)
        Intensity, NaN where not seen.
    region, background : array_like of bool, shape (along, across)
        Masks (:meth:`Region.mask`); they may not overlap.
    cell_pixels : float, optional
        Pixels per independent cell; default: measured on the background.

    Returns
    -------
    Contrast
        Standard errors by the delta method: each mean varies by its variance over its cells, each
        variance as that of a gamma law with the region's own mean and variance does.

    Raises
    ------
    ParameterError
        If the masks overlap.
    DataError
        If a region holds fewer than two seen pixels, the background's mean isn't positive, or nothing varies.

    Notes
    -----
    A target of few cells that glints isn't gamma distributed; its error is then a rough guide. The contrast-to-noise
    is that of pixels, not of the whole object.
    """
    values = as_image("image", image)
    inside = as_mask("region", region, values.shape)
    outside = as_mask("background", background, values.shape)
    if (inside & outside).any():
        raise ParameterError(
            f"region and background share {int((inside & outside).sum())} pixels; allowed: none. Cut one from the other."
        )
    if cell_pixels is None:
        cell_pixels = correlation_cell(_bounding_box(values, outside)).area_pixels
    t = region_level(values, inside, cell_pixels=cell_pixels)
    b = region_level(values, outside, cell_pixels=cell_pixels)
    if b.mean <= 0:
        raise DataError(
            f"background has mean intensity {b.mean:g}; allowed: above 0. Choose another background."
        )
    ratio_db, ratio_error_db = _ratio_db(t, b)
    cnr, cnr_error = _contrast_to_noise(t, b)
    return Contrast(
        region=t,
        background=b,
        ratio_db=ratio_db,
        ratio_standard_error_db=ratio_error_db,
        contrast_to_noise=cnr,
        contrast_to_noise_standard_error=cnr_error,
    )


def _bounding_box(values: NDArray[np.float64], mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    if not mask.any():
        raise DataError("background holds no pixel; allowed: at least 2. Move or widen it.")
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    return np.where(mask[box], values[box], np.nan)


def _ratio_db(t: Level, b: Level) -> tuple[float, float]:
    if t.mean <= 0:
        return np.nan, np.nan
    relative = np.hypot(t.standard_error / t.mean, b.standard_error / b.mean)
    return float(_DB_PER_NEPER * np.log(t.mean / b.mean)), float(_DB_PER_NEPER * relative)


def _contrast_to_noise(t: Level, b: Level) -> tuple[float, float]:
    difference = t.mean - b.mean
    total = t.standard_deviation**2 + b.standard_deviation**2
    if total == 0:
        raise DataError("region and background are both constant; allowed: intensities that vary.")
    variance = _share(t, abs(difference), np.sign(difference), total) + _share(
        b, abs(difference), -np.sign(difference), total
    )
    return float(abs(difference) / np.sqrt(total)), float(np.sqrt(variance))


def _share(level: Level, difference: float, sign: float, total: float) -> float:
    """Variance that one region adds to difference/sqrt(total).

    Of a gamma law with relative variance u: var(s^2) = s^4 (2 + 6 u)/M and cov(mean, s^2) = 2 s^4/(mean M).
    """
    if level.standard_deviation == 0:
        return 0.0
    variance = level.standard_deviation**2
    if level.mean > 0:
        spread = variance**2 * (2 + 6 * variance / level.mean**2)
        joint = 2 * variance**2 / level.mean
    else:
        # Noise subtraction took the mean away; what is left varies about 0 nearly symmetrically.
        spread, joint = 2 * variance**2, 0.0
    to_mean, to_variance = sign / np.sqrt(total), -difference / (2 * total**1.5)
    share = to_mean**2 * variance + to_variance**2 * spread + 2 * to_mean * to_variance * joint
    return float(share / level.cells)
