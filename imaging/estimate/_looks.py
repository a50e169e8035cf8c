"""Looks of adjacent pings on the strip grid, and the shift between two of them by normalised cross-correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from . import _even_kernels as kernels

__all__ = ["Look", "Match", "evened", "match_looks", "refusal"]

_STRONG = 3.5
"""Amplitude over its local mean that speckle has in a pixel of 15 000: beyond it stands something whose peak and
sidelobes, undersampled, would pass for hundreds of cells."""

_MEAN_ACROSS, _MEAN_ALONG = 48, 2
"""Reach of the local mean either way. [pixels]"""
_LARGEST_RIVAL = 0.5
"""Second peak over the highest. Of speckle it was at most 0.31; single points on nothing gave 0.4 to 1."""
_PEAK_WIDTHS = 3.5
"""Reach of a peak, in widths 1/sqrt(-f''(0)): beyond it nothing of the peak is left."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One ping's look on the strip grid."""

    first_row: int
    amplitude: NDArray[np.float32]
    """(column, row) square root of intensity over its local mean, less one; 0 where not seen."""
    seen: NDArray[np.bool_]
    """(column, row)"""
    where_m: NDArray[np.float64]
    """(3,) believed two-way phase centre in the strip. [m]"""
    heading_rad: float
    """Against the strip's."""
    rate: NDArray[np.float64]
    """(3,) along, across [m/s] and heading [rad/s] derivatives."""
    time_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """Shift of one look against the one before, band by band."""

    distance_m: NDArray[np.float64]
    """(band,) mean distance across track, signed. [m]"""
    along_m: NDArray[np.float64]
    """(band,) along the later look's array, which current may turn away from the strip. [m]"""
    across_m: NDArray[np.float64]
    """(band,) across that array, positive to starboard. [m]"""
    along_std_m: NDArray[np.float64]
    across_std_m: NDArray[np.float64]
    correlation: float
    """Of all bands together at the peak."""
    significance: float
    reason: str = ""
    """Why it was refused, empty where it was not."""


def match_looks(
    before: Look,
    look: Look,
    edge: NDArray[np.int64],
    search: tuple[int, int],
    pixel_m: tuple[float, float],
    widths_m: NDArray[np.float64],
    reach_m: float,
    *,
    least_significance: float,
    sign: float,
    heading_rad: float = 0.0,
) -> Match:
    """Shift between two looks by normalised cross-correlation.

    Parameters
    ----------
    edge : ndarray of int64, shape (band + 1,)
        First columns of the bands.
    search : tuple of int
        Rows and columns to search either way.
    pixel_m : tuple of float
        Along and across. [m]
    widths_m : ndarray of float64, shape (band, 4)
        Widths 1/sqrt(-f''(0)) of a look's autocorrelation along and across, and of the match's peak. [m]
    reach_m : float
        Largest shift that is believed. [m]
    least_significance : float
        Peak over the standard deviation of chance.
    sign : float
        Of across-track distances.
    heading_rad : float
        Of the array against the strip: peaks are wide along the array and narrow across it.

    Notes
    -----
    Chance has the variance sum(R^2)/M for M pixels and autocorrelation R, and slopes of variance sum((dR/ds)^2)/M; at a
    peak of height p and second derivative -p/w^2 a slope g moves the maximum by g w^2 / p.
    """
    rows, columns = search
    # Nearer and farther columns than the bands and the search reach are no use.
    a, b, share = _common(before, look, rows, slice(int(edge[0]) - columns, int(edge[-1]) + columns))
    start = edge - edge[0] + columns
    n_band = edge.size - 1
    surface = np.zeros((n_band, 2 * columns + 1, 2 * rows + 1))
    for k in range(n_band):
        surface[k] = _products(a, b, int(start[k]), int(start[k + 1]), rows, columns)
    surface /= share
    energy = np.array(
        [[np.sum(x[start[k] : start[k + 1]] ** 2, dtype=np.float64) for k in range(n_band)] for x in (a, b)]
    )
    count = np.array([np.count_nonzero(a[start[k] : start[k + 1]]) for k in range(n_band)])
    if count.min() < 100 or energy.min() <= 0:
        return refusal("the looks have no common area")
    norm = np.sqrt(energy[0] * energy[1])
    pooled = surface.sum(axis=0) / norm.sum()
    j, i = np.unravel_index(np.argmax(pooled), pooled.shape)
    chance = _chance(widths_m, pixel_m)
    noise = np.sqrt(np.sum(norm**2 / count * chance[:, 0]) / norm.sum() ** 2)
    peak = float(pooled[j, i])
    significance = float(peak / noise)
    if significance < least_significance:
        return refusal(
            "no match stands out of chance: featureless, too noisy or beyond the search", peak, significance
        )
    places = _places(pooled.shape, pixel_m, sign, heading_rad)
    at = places[:, j, i]
    if _rival(pooled, places - at[:, None, None], widths_m) > _LARGEST_RIVAL * peak:
        return refusal(
            "the match is not alone: single bright things, or a pattern that repeats itself",
            peak,
            significance,
        )
    # A place is known to a pixel, along the array to what a pixel across the strip is there.
    if (
        np.any(np.abs(at) - reach_m > _pixel_reach(pixel_m, heading_rad))
        or i in (0, 2 * rows)
        or j in (0, 2 * columns)
    ):
        return refusal("the best match lies at the edge of the search", peak, significance)
    along, across = np.empty(n_band), np.empty(n_band)
    for k in range(n_band):
        along[k], across[k] = _peak(surface[k] / norm[k], places, at, pixel_m, widths_m[k])
    # The mean correlation is better known than each band's.
    slope = np.sqrt(chance[:, 1:] / count[:, None])
    std = slope * widths_m[:, 2:] ** 2 / peak
    middle = sign * (edge[:-1] + edge[1:]) / 2 * pixel_m[1]
    return Match(middle, along, across, std[:, 0], std[:, 1], peak, significance)


def refusal(reason: str, correlation: float = 0.0, significance: float = 0.0) -> Match:
    nothing = np.empty(0)
    return Match(nothing, nothing, nothing, nothing, nothing, correlation, significance, reason)


def evened(
    total: NDArray[np.float32], weight: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Amplitude over its local mean, less one, and where it was seen; 0 where something strong stands.

    Trends of range and of the sector's edges, where equalising lifts the noise, would match where there is nothing.
    The mean reaches far across track, where the sector's gain is the same, and a little along.

    Parameters
    ----------
    total, weight : ndarray of float32, shape (row, column)
        Sums of one look; used up.

    Returns
    -------
    amplitude : ndarray of float32, shape (column, row)
    seen : ndarray of bool, shape (column, row)
    """
    shape = total.shape[::-1]
    amplitude, seen = np.empty(shape, np.float32), np.empty(shape, np.bool_)
    box, count = np.empty_like(total), np.empty_like(total)
    kernels.even_look(total, weight, _MEAN_ACROSS, _MEAN_ALONG, _STRONG, box, count, amplitude, seen)
    return amplitude, seen


def _common(
    before: Look, look: Look, rows: int, columns: slice
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float64]]:
    """Both looks on the rows and columns that they share, with ``rows`` empty rows around, and the share of pixels.

    The share, (2 rows + 1,) of those at no shift, is what fewer pixels take from the products at a shift along; across
    track columns are long.
    """
    first = max(before.first_row, look.first_row)
    last = min(before.first_row + before.amplitude.shape[1], look.first_row + look.amplitude.shape[1])
    n = max(last - first, 0)
    part = [(columns, slice(first - x.first_row, first - x.first_row + n)) for x in (before, look)]
    inside = look.seen[part[1]] & before.seen[part[0]]
    both = np.zeros((2, inside.shape[0], n + 2 * rows), np.float32)
    for out, x, p in zip(both, (before, look), part, strict=True):
        np.multiply(x.amplitude[p], inside, out=out[:, rows : rows + n])
    run = inside.sum(axis=1)
    shift = np.abs(np.arange(-rows, rows + 1))
    # Each column sees one run of rows.
    share = np.maximum(run[:, None] - shift, 0).sum(axis=0) / max(run.sum(), 1)
    return both[0], both[1], np.maximum(share, 1e-6)


def _products(
    a: NDArray[np.float32], b: NDArray[np.float32], first: int, last: int, rows: int, columns: int
) -> NDArray[np.float64]:
    """Sum of a[c, r] * b[c + j, r + i] over columns first..last for all shifts, (2 columns + 1, 2 rows + 1)."""
    one, two = (
        np.zeros((last - first + 2 * columns, a.shape[1]), np.float32),
        b[first - columns : last + columns],
    )
    one[columns : one.shape[0] - columns] = a[first:last]
    # The empty rows and columns around keep the circle of the transform from closing.
    shape = tuple(scipy.fft.next_fast_len(n, real=True) for n in one.shape)
    spectrum = np.conj(scipy.fft.rfft2(one, shape, workers=1)) * scipy.fft.rfft2(two, shape, workers=1)
    whole = scipy.fft.irfft2(spectrum, shape, workers=1)
    j, i = np.arange(-columns, columns + 1), np.arange(-rows, rows + 1)
    return whole[np.ix_(j % shape[0], i % shape[1])].astype(np.float64)


def _chance(widths_m: NDArray[np.float64], pixel_m: tuple[float, float]) -> NDArray[np.float64]:
    """(band, 3) sums over pixels of R^2 and of its squared derivatives along and across [1/m^2], R Gaussian."""
    cells = np.pi * widths_m[:, 0] * widths_m[:, 1] / (pixel_m[0] * pixel_m[1])
    # For R = exp(-x^2/2a^2 - y^2/2b^2): sum R^2 = pi a b, sum (dR/dx)^2 = pi a b / 2 a^2.
    return np.stack([cells, cells / (2 * widths_m[:, 0] ** 2), cells / (2 * widths_m[:, 1] ** 2)], axis=1)


def _places(
    shape: tuple[int, ...], pixel_m: tuple[float, float], sign: float, heading_rad: float
) -> NDArray[np.float64]:
    """(2, column, row) shifts along and across the array of a surface's pixels, none in its middle. [m]"""
    y, x = np.meshgrid(
        *((np.arange(n) - n // 2) * p for n, p in zip(shape, (sign * pixel_m[1], pixel_m[0]), strict=True)),
        indexing="ij",
    )
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    return np.stack([c * x + s * y, c * y - s * x])


def _pixel_reach(pixel_m: tuple[float, float], heading_rad: float) -> NDArray[np.float64]:
    """(2,) pixel's extent along and across the array. [m]"""
    c, s = abs(np.cos(heading_rad)), abs(np.sin(heading_rad))
    return np.array([c * pixel_m[0] + s * pixel_m[1], s * pixel_m[0] + c * pixel_m[1]])


def _rival(surface: NDArray[np.float64], off_m: NDArray[np.float64], widths_m: NDArray[np.float64]) -> float:
    """Highest correlation outside the peak at no ``off_m``; minus infinity where the search is no larger."""
    along, across = off_m[0] / widths_m[:, 2].max(), off_m[1] / widths_m[:, 3].max()
    return float(surface.max(initial=-np.inf, where=across**2 + along**2 > _PEAK_WIDTHS**2))


def _peak(
    surface: NDArray[np.float64],
    places_m: NDArray[np.float64],
    start_m: NDArray[np.float64],
    pixel_m: tuple[float, float],
    width_m: NDArray[np.float64],
) -> tuple[float, float]:
    """Place of the maximum near ``start_m``: a paraboloid fitted around it, again and again, along and across the array.

    A fit by least squares does not mind that the search ends on one side of a wide peak; moments would.
    """
    at, wide = start_m.copy(), np.maximum(width_m[2:], np.array(pixel_m))
    u0, v0 = places_m.reshape(2, -1)
    value = surface.ravel()
    for _ in range(8):
        u, v = (u0 - at[0]) / wide[0], (v0 - at[1]) / wide[1]
        weight = np.exp(-(u**2 + v**2) / 2)
        basis = np.stack([np.ones_like(u), u, v, u**2, v**2], axis=1)
        fit = np.linalg.solve((basis.T * weight) @ basis, (basis.T * weight) @ value)
        bend = -2 * fit[3:]
        step = np.where(bend > 0, fit[1:3] / np.where(bend > 0, bend, 1), np.sign(fit[1:3]) * 0.5)
        step = np.clip(step, -0.5, 0.5) * wide
        at = np.clip(at + step, start_m - 1.5 * wide, start_m + 1.5 * wide)
        if np.all(np.abs(step) < 1e-3 * wide):
            break
    return float(at[0]), float(at[1])
