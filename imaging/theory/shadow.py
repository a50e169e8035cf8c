"""How dark a shadow can get: the seabed around it that sidelobes and other aspects let in."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ._check import positive
from .windows import TaperName, taper

__all__ = ["box_shadow_edges_m", "shadow_fill"]

Array = NDArray[np.float64]


def box_shadow_edges_m(
    corner_m: ArrayLike, height_m: float, altitude_m: float, viewer_along_m: float, across_m: ArrayLike
) -> tuple[Array, Array]:
    """Along-track edges of a box's shadow on a flat seabed, at distances across track, from one place.

    Parameters
    ----------
    corner_m : array_like, shape (4, 2)
        Along and across of the box's corners on the seabed. [m]
    height_m, altitude_m : float
        Of the box and of the sonar above the seabed. [m]
    viewer_along_m : float
        Where the sonar is, at across 0. [m]
    across_m : array_like, shape (n,)

    Returns
    -------
    low, high : ndarray, shape (n,)
        NaN where there is no shadow: before the box's nearest corner or beyond the shadow's end.

    Notes
    -----
    The rays past the corners, in plan, and the end by similar triangles from the top's farthest edge: across h/(h - H).
    """
    corner = np.asarray(corner_m, np.float64)
    x = np.atleast_1d(np.asarray(across_m, np.float64))
    slope = (corner[:, 0] - viewer_along_m) / corner[:, 1]
    low, high = viewer_along_m + x * slope.min(), viewer_along_m + x * slope.max()
    end = corner[:, 1].max() * altitude_m / (altitude_m - height_m)
    dark = (x > corner[:, 1].min()) & (x < end)
    return np.where(dark, low, np.nan), np.where(dark, high, np.nan)


def shadow_fill(
    point_m: ArrayLike,
    edges_m: ArrayLike,
    across_edges_m: tuple[float, float],
    *,
    wavelength_m: float,
    range_m: float,
    length_m: float,
    weights: ArrayLike,
    bandwidth_hz: float,
    sound_speed_m_s: float,
    cosine_grazing: float,
    window: TaperName = "none",
) -> Any:
    """Intensity inside a shadow over that of the seabed around it, mean over looks.

    Parameters
    ----------
    point_m : array_like, shape (point, 2)
        Along and across of the points inside. [m]
    edges_m : array_like, shape (look, 2)
        Along-track edges of the shadow in each look, at the points' distance. [m]
    across_edges_m : tuple of float
        Where the shadow begins and ends across track. [m]
    weights : array_like, shape (channel,)
        Shading of the array of ``length_m``.

    Returns
    -------
    float
        1 minus the part of the point response that falls on dark seabed: a product of the beam's share between the
        shadow's sides and the pulse's share between its ends.
    """
    wavelength, r, length = positive(wavelength_m=wavelength_m, range_m=range_m, length_m=length_m)
    points, edges = np.asarray(point_m, np.float64), np.asarray(edges_m, np.float64)
    beam = _share(np.asarray(weights, np.float64), wavelength * r / length)
    pulse = _share(taper(window, 512), sound_speed_m_s / (2 * bandwidth_hz) / cosine_grazing)
    along = beam(edges[None, :, 1] - points[:, None, 0]) - beam(edges[None, :, 0] - points[:, None, 0])
    across = pulse(across_edges_m[1] - points[:, 1]) - pulse(across_edges_m[0] - points[:, 1])
    return float(np.mean(1 - np.clip(along, 0, None) * across[:, None]))


def _share(weights: Array, unit_m: float) -> Any:
    """Cumulative energy of a response against distance; ``unit_m`` is a response's first null if unweighted."""
    u = np.linspace(-60, 60, 24001)
    n = weights.size
    place = (np.arange(n) - (n - 1) / 2) / n
    # Not as one matrix: 24001 by 512 complex numbers would be 200 MB.
    response = np.zeros(u.size, np.complex128)
    for w, p in zip(weights, place, strict=True):
        response += w * np.exp(2j * np.pi * u * p)
    inside = np.abs(u) <= n / 2  # up to half way to the grating lobe
    power = np.where(inside, np.abs(response) ** 2, 0.0)
    total = np.cumsum(power)
    return lambda distance_m: np.interp(np.asarray(distance_m) / unit_m, u, total / total[-1])
