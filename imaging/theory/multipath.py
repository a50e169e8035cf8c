"""Surface bounces in shallow water by images, and what surface and bottom reflect.

Depths and heights in m; the surface and the bottom are flat and level but for a stated roughness.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pingloom.imaging.errors import ParameterError

from ._check import not_negative, positive

__all__ = [
    "Bounces",
    "bottom_reflection",
    "critical_grazing_rad",
    "rayleigh_roughness",
    "surface_bounces",
    "surface_coherent_amplitude",
]


class Bounces(NamedTuple):
    """Paths between a sonar and a seabed point, direct and by way of the surface."""

    direct_m: Any
    """One way."""
    by_surface_m: Any
    """One way with one bounce."""
    apparent_range_one_m: Any
    """Slant range at which the echo with one bounce (either way) seems to lie."""
    ghost_one_m: Any
    """Ground range at which it is drawn; NaN if nearer than the bottom."""
    ghost_two_m: Any
    """The same for a bounce on both ways."""
    delay_one_s: Any
    """By which it follows the direct echo; twice that with two bounces."""
    specular_m: Any
    """Horizontal distance of the bounce from the sonar."""
    specular_grazing_rad: Any


def surface_bounces(
    sonar_depth_m: ArrayLike,
    water_depth_m: ArrayLike,
    ground_range_m: ArrayLike,
    sound_speed_m_s: ArrayLike = 1500.0,
) -> Bounces:
    """Geometry of the bounces off a flat surface (derived by images).

    Raises
    ------
    ParameterError
        If the sonar is not above the bottom.
    """
    zs, h, x, c = positive(
        sonar_depth_m=sonar_depth_m,
        water_depth_m=water_depth_m,
        ground_range_m=ground_range_m,
        sound_speed_m_s=sound_speed_m_s,
    )
    if np.any(zs >= h):
        raise ParameterError(
            f"sonar_depth_m is {np.max(zs):g}; allowed: below water_depth_m={np.min(h):g}. The sonar must float."
        )
    altitude = h - zs
    direct, bounced = np.hypot(x, altitude), np.hypot(x, h + zs)
    one = (direct + bounced) / 2
    return Bounces(
        direct_m=direct,
        by_surface_m=bounced,
        apparent_range_one_m=one,
        ghost_one_m=np.sqrt(one**2 - altitude**2),
        ghost_two_m=np.sqrt(bounced**2 - altitude**2),
        delay_one_s=(bounced - direct) / c,
        specular_m=x * zs / (h + zs),
        specular_grazing_rad=np.arctan2(h + zs, x),
    )


def rayleigh_roughness(wavelength_m: ArrayLike, roughness_m: ArrayLike, grazing_rad: ArrayLike) -> Any:
    """Rayleigh's parameter 2 k sigma sin(grazing) of a surface of rms height ``roughness_m``. [rad]"""
    (wavelength,) = positive(wavelength_m=wavelength_m)
    (sigma,) = not_negative(roughness_m=roughness_m)
    return 4 * np.pi / wavelength * sigma * np.sin(grazing_rad)


def surface_coherent_amplitude(
    wavelength_m: ArrayLike, roughness_m: ArrayLike, grazing_rad: ArrayLike
) -> Any:
    """Amplitude of the coherent bounce, without the sign -1 of a free surface: exp(-Gamma^2/2).

    Eckart, C. (1953), J. Acoust. Soc. Am. 25, 566-570 (citation from memory; derived for Gaussian heights).
    Intensity is its square.
    """
    return np.exp(-(rayleigh_roughness(wavelength_m, roughness_m, grazing_rad) ** 2) / 2)


def bottom_reflection(
    grazing_rad: ArrayLike, density_ratio: ArrayLike, sound_speed_ratio: ArrayLike, loss: ArrayLike = 0.0
) -> Any:
    """Complex amplitude reflected by a fluid bottom (Rayleigh).

    Parameters
    ----------
    grazing_rad : array_like
        [rad]
    density_ratio, sound_speed_ratio : array_like
        Bottom over water.
    loss : array_like
        Imaginary over real part of the bottom's wave number: ``alpha wavelength/(54.6 dB)``.

    Returns
    -------
    ndarray of complex128
    """
    m, ratio = positive(density_ratio=density_ratio, sound_speed_ratio=sound_speed_ratio)
    (delta,) = not_negative(loss=loss)
    index = (1 + 1j * delta) / ratio
    theta = np.asarray(grazing_rad, dtype=np.float64)
    down = np.sqrt(index**2 - np.cos(theta) ** 2 + 0j)
    return (m * np.sin(theta) - down) / (m * np.sin(theta) + down)


def critical_grazing_rad(sound_speed_ratio: ArrayLike) -> Any:
    """Grazing angle below which a faster bottom reflects everything: acos(c1/c2); 0 for a slower one. [rad]"""
    (ratio,) = positive(sound_speed_ratio=sound_speed_ratio)
    return np.arccos(np.minimum(1 / ratio, 1.0))
