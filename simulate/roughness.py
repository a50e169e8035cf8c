"""What a rough surface and a smooth bottom do to a bounce, and where a rough surface's facets send it instead.

Roughness is Gaussian in height and, facet by facet, in slope. The coherent bounce keeps Eckart's exp(-Gamma^2/2) of the
amplitude, Gamma = 2 k sigma sin(grazing) (C. Eckart, J. Acoust. Soc. Am. 25, 566, 1953; citation from memory, the form
follows from the mean of exp(i Gamma h / sigma) over Gaussian heights h). What it loses comes back by facets: every place
of the surface whose tilt mirrors the sound from one end to the other (tangent planes of P. Beckmann and A. Spizzichino,
The Scattering of Electromagnetic Waves from Rough Surfaces, 1963, in the limit of large Gamma). In that limit the
intensity from an element dF of the surface is p(slope) dF / (4 d1^2 d2^2), and dF = 4 (d1 d2 / (d1 + d2))^2 d(slope) near
the mirror's place: drawn from the distribution of slopes, every facet carries the smooth mirror's intensity
1 / (d1 + d2)^2. So energy is kept: coherent exp(-Gamma^2), by facets 1 - exp(-Gamma^2).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Facets",
    "bottom_reflection",
    "coherent_amplitude",
    "facets",
    "slope_of_wind",
    "speed_of_wind_m_s",
    "surface_height_m",
]

_GRAVITY_M_S2 = 9.81
# Of Pierson and Moskowitz's spectrum alpha g^2/w^5 exp(-beta (g / (U w))^4), U at 19.5 m: J. Geophys. Res. 69, 5181, 1964
# (values from memory).
_ALPHA, _BETA = 8.1e-3, 0.74


def surface_height_m(wind_m_s: float) -> float:
    """Rms height of a grown-up sea: the integral of Pierson and Moskowitz's spectrum, 0.0053 s^2/m times U^2. [m]"""
    return math.sqrt(_ALPHA / (4 * _BETA)) * wind_m_s**2 / _GRAVITY_M_S2


def speed_of_wind_m_s(wind_m_s: float) -> float:
    """Rms vertical speed of its surface: the same with w^2, 0.065 U. [m/s]"""
    return math.sqrt(_ALPHA * math.sqrt(math.pi / _BETA) / 4) * wind_m_s


def slope_of_wind(wind_m_s: float) -> float:
    """Rms slope along one axis: half the mean square 0.003 + 0.00512 U (s/m) that sunlight's glitter showed.

    C. Cox and W. Munk, J. Opt. Soc. Am. 44, 838, 1954 (values from memory; a clean surface, both axes alike here).
    """
    return math.sqrt((0.003 + 0.00512 * wind_m_s) / 2)


def coherent_amplitude(wave_number_rad_m: float, rms_m: ArrayLike, sine: ArrayLike) -> NDArray[np.float64]:
    """Amplitude of the coherent bounce at a sine of the grazing angle, without the surface's sign -1."""
    return np.exp(-2 * (wave_number_rad_m * np.asarray(rms_m) * np.asarray(sine)) ** 2)


def bottom_reflection(
    sine: ArrayLike, density_ratio: float, speed_ratio: float, loss_db_wavelength: float = 0.0
) -> NDArray[np.complex128]:
    """Amplitude that a smooth fluid bottom reflects at a sine of the grazing angle (Rayleigh).

    ``(m s - sqrt(n^2 - 1 + s^2)) / (m s + sqrt(n^2 - 1 + s^2))`` with m the ratio of densities, bottom over water, and n
    the water's sound speed over the bottom's, complex with its absorption. Below the critical angle of a bottom without
    absorption the phase is that of a field which decays into the bottom, for echoes exp(+2j pi f t).
    """
    s = np.asarray(sine, dtype=np.float64)
    index = (1 - 1j * loss_db_wavelength * np.log(10) / (40 * np.pi)) / speed_ratio
    root = np.sqrt(index**2 - 1 + s**2 + 0j)
    root = np.where(root.imag > 0, -root, root)  # exp(2j pi f t): a wave that decays downwards
    return (density_ratio * s - root) / (density_ratio * s + root)


class Facets(NamedTuple):
    """Where facets lie that mirror one end to the other, in the plane of the mean surface."""

    ahead_m: NDArray[np.float64]
    """Horizontally from the first end towards the second."""
    aside_m: NDArray[np.float64]
    first_m: NDArray[np.float64]
    """Distance from the first end."""
    second_m: NDArray[np.float64]


def facets(
    first_height_m: ArrayLike,
    second_height_m: ArrayLike,
    horizontal_m: ArrayLike,
    slope_ahead: ArrayLike,
    slope_aside: ArrayLike,
) -> Facets:
    """Return the places of facets with given slopes that mirror two ends to each other.

    Exact for slopes in the plane of both ends, to first order across it. With grazing angles ``t + a`` at the first end
    and ``t - a`` at the second, a the tilt, ``h1 cot(t + a) + h2 cot(t - a) = x`` is a quadratic in tan t, and one of its
    roots has both angles between 0 and 180 degrees.

    Parameters
    ----------
    first_height_m, second_height_m : array_like of float64
        Distances of the ends from the mean surface. [m]
    horizontal_m : array_like of float64
        Between the ends. [m]
    slope_ahead, slope_aside : array_like of float64
        Tangents of the tilt; positive ahead brings the facet nearer to the first end.
    """
    h1, h2, x, a, b = np.broadcast_arrays(
        *(
            np.asarray(v, dtype=np.float64)
            for v in (first_height_m, second_height_m, horizontal_m, slope_ahead, slope_aside)
        )
    )
    uneven, both = (h2 - h1) * a, (h1 + h2) * (1 + a**2)
    root = np.sqrt(both**2 + 4 * (x - uneven) * (uneven + x * a**2))
    middle, tilt = np.arctan2(both + root, 2 * (x - uneven)), np.arctan(a)
    first, second = middle + tilt, middle - tilt
    near, far = h1 / np.sin(first), h2 / np.sin(second)
    aside = b * (np.sin(first) + np.sin(second)) * near * far / (near + far)
    return Facets(near * np.cos(first), aside, np.hypot(near, aside), np.hypot(far, aside))
