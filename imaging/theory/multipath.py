"""Surface bounces in shallow water by images, and what surface and bottom reflect.

Depths and heights in m; the surface and the bottom are flat and level but for a stated roughness.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

from ._check import not_negative, positive

__all__ = [
    "Bounces",
    "SurfacePaths",
    "bottom_reflection",
    "critical_grazing_rad",
    "multipath_to_signal",
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


class SurfacePaths(NamedTuple):
    """Power of the seabed's echo by way of the surface over that of its direct echo, at one delay."""

    sent: Any
    """Sent by the surface, received straight: comes from the seabed's direction, so no receiver can tell it apart."""
    received: Any
    """Sent straight, received by the surface."""
    both: Any


def multipath_to_signal(
    slant_range_m: ArrayLike,
    sonar_depth_m: float,
    altitude_m: float,
    transmit_gain: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    receive_gain: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    reflection: float = 1.0,
    backscatter_power: float = 2.0,
) -> SurfacePaths:
    """Multipath-to-signal ratios of a seabed that scatters as ``(sin in sin out)^(power/2)``, by images (derived).

    At the delay of a direct echo from slant range R each path sees another patch of seabed. With path lengths r1 out and
    r2 back, r1 + r2 = 2 R, its power is that patch's width dx = 2 dR/(x/r1 + x/r2) and its extent x times an angle along track,
    over r1^2 r2^2, times patterns at the elevations under which sound leaves and comes, the scattering, and ``reflection`` for
    each bounce. The powers of different paths add in the mean; where transmitter and receiver stand at one place, ``sent`` and
    ``received`` are the same way walked both ways and add in phase there.

    Parameters
    ----------
    slant_range_m : array_like
        [m]
    sonar_depth_m, altitude_m : float
        [m]
    transmit_gain, receive_gain : callable
        One-way intensity gain against elevation above the horizontal [rad], rows and all.
    reflection : float
        Intensity that the surface reflects coherently.
    backscatter_power : float
        2 for Lambert's law.

    Returns
    -------
    SurfacePaths
        0 where the path is longer than the delay allows.
    """
    (r,) = positive(slant_range_m=slant_range_m)
    z, h = (float(v) for v in positive(sonar_depth_m=sonar_depth_m, altitude_m=altitude_m))
    g = 2 * z + h

    def power(out: Any, back: Any, sent_by_surface: bool, received_by_surface: bool) -> Any:
        drop_out, drop_back = (g if s else h for s in (sent_by_surface, received_by_surface))
        there = (out > drop_out) & (back > drop_back)
        out, back = np.where(there, out, 2 * g), np.where(there, back, 2 * g)
        x = np.sqrt(out**2 - drop_out**2)
        sine_out, sine_back = drop_out / out, drop_back / back
        width = 2 / (x / out + x / back)
        leaves, comes = (
            np.arcsin(s) * (1 if by_surface else -1)
            for s, by_surface in ((sine_out, sent_by_surface), (sine_back, received_by_surface))
        )
        scattered = (sine_out * sine_back) ** (backscatter_power / 2)
        bounced = reflection ** (int(sent_by_surface) + int(received_by_surface))
        value = (
            width * x * scattered * bounced * transmit_gain(leaves) * receive_gain(comes) / (out * back) ** 2
        )
        return np.where(there, value, 0.0)

    apart = (g - h) * (g + h) / (4 * r)
    direct = power(r, r, False, False)
    with np.errstate(divide="ignore", invalid="ignore"):
        return SurfacePaths(
            power(r + apart, r - apart, True, False) / direct,
            power(r - apart, r + apart, False, True) / direct,
            power(r, r, True, True) / direct,
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
