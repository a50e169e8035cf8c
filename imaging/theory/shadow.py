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
    duration_s: float,
    sound_speed_m_s: float,
    cosine_grazing: float,
    window: TaperName = "none",
    bright: tuple[float, tuple[float, float], tuple[float, float]] | None = None,
) -> float:
    """Intensity inside a shadow over that of the seabed around it, mean over points and looks.

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
    bandwidth_hz, duration_s, window
        Of the sweep, and the taper of its replica.
    bright : tuple, optional
        What casts the shadow: its level over the seabed, and its along-track and across-track edges as drawn.

    Returns
    -------
    float
        The part of the point response that falls on lit seabed, plus what the bright object leaks in. The response is
        the product of the beam's share between two sides and the compressed pulse's share between two ends.
    """
    wavelength, r, length = positive(wavelength_m=wavelength_m, range_m=range_m, length_m=length_m)
    points, edges = np.asarray(point_m, np.float64), np.asarray(edges_m, np.float64)
    beam = _beam_share(np.asarray(weights, np.float64), wavelength * r / length)
    pulse = _pulse_share(bandwidth_hz, duration_s, window, sound_speed_m_s / 2 / cosine_grazing)
    along, across = points[:, 0], points[:, 1]
    beside = beam(edges[None, :, 1] - along[:, None]) - beam(edges[None, :, 0] - along[:, None])
    behind = pulse(across_edges_m[1] - across) - pulse(across_edges_m[0] - across)
    fill = 1 - np.clip(beside, 0, None) * behind[:, None]
    if bright is not None:
        level, (low, high), (near, far) = bright
        leak = (beam(high - along) - beam(low - along)) * (pulse(far - across) - pulse(near - across))
        # The object's own ground is in the shadow's outside already, at the seabed's level.
        fill = fill + (level - 1) * leak[:, None]
    return float(np.mean(fill))


def _beam_share(weights: Array, unit_m: float) -> Any:
    """Cumulative energy of a focused beam against distance; ``unit_m`` is an unweighted one's first null."""
    u = np.linspace(-60, 60, 24001)
    n = weights.size
    place = (np.arange(n) - (n - 1) / 2) / n
    # Not as one matrix: that many complex numbers by channels would take much memory.
    response = np.zeros(u.size, np.complex128)
    for w, p in zip(weights, place, strict=True):
        response += w * np.exp(2j * np.pi * u * p)
    inside = np.abs(u) <= n / 2  # up to half way to the grating lobe
    return _cumulative(u * unit_m, np.where(inside, np.abs(response) ** 2, 0.0))


def _pulse_share(bandwidth_hz: float, duration_s: float, window: TaperName, metre_per_s: float) -> Any:
    """Cumulative energy of a compressed linear sweep against distance, with the sidelobes of its finite product."""
    rate = 8 * bandwidth_hz
    t = np.arange(round(duration_s * rate)) / rate - duration_s / 2
    pulse = np.exp(1j * np.pi * bandwidth_hz / duration_s * t**2)
    n = 2 * t.size
    spectrum = np.fft.fft(pulse, n) * np.conj(np.fft.fft(pulse * taper(window, t.size), n))
    power = np.abs(np.fft.fftshift(np.fft.ifft(spectrum))) ** 2
    return _cumulative((np.arange(n) - n // 2) / rate * metre_per_s, power)


def _cumulative(distance_m: Array, power: Array) -> Any:
    total = np.cumsum(power)
    return lambda d: np.interp(np.asarray(d), distance_m, total / total[-1])
