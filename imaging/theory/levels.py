"""Sonar equation, seabed backscatter and target strength.

Urick, R. J. (1983), *Principles of Underwater Sound*, 3rd ed. (citation from memory; forms of target strength
checked against modal series and Kirchhoff integrals). Levels in dB re 1 uPa, target strength re 1 m^2 and
backscattering strength re 1 m^2 per m^2, both as intensity at 1 m, so without 4 pi.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ._check import not_negative, positive
from .array import quadratic_phase_loss_db

__all__ = [
    "LAMBERT_CEILING_DB",
    "band_level_db",
    "cell_area_m2",
    "lambert_db",
    "seabed_echo_level_db",
    "signal_to_noise_db",
    "signal_to_reverberation_db",
    "target_strength_cylinder_db",
    "target_strength_plate_db",
    "target_strength_sphere_db",
    "target_strength_square_trihedral_db",
    "target_strength_triangular_trihedral_db",
    "transmission_loss_db",
]

LAMBERT_CEILING_DB = -10 * float(np.log10(np.pi))
"""Constant of a lossless Lambert surface, -4.97: more is not physical."""


def lambert_db(grazing_rad: ArrayLike, constant_db: float = -27.0) -> Any:
    """Backscattering strength by Lambert's law: constant + 20 log10 sin(grazing). [dB re 1 m^2 per m^2]

    Mackenzie, K. V. (1961), J. Acoust. Soc. Am. 33, 1498-1504, for the constant.
    """
    (grazing,) = positive(grazing_rad=grazing_rad)
    return constant_db + 20 * np.log10(np.sin(grazing))


def target_strength_sphere_db(radius_m: ArrayLike) -> Any:
    """Rigid sphere much larger than a wavelength: a^2/4. [dB re 1 m^2]"""
    (a,) = positive(radius_m=radius_m)
    return 20 * np.log10(a / 2)


def target_strength_cylinder_db(
    radius_m: ArrayLike, length_m: ArrayLike, wavelength_m: ArrayLike, range_m: ArrayLike | None = None
) -> Any:
    """Rigid cylinder at broadside: a L^2/(2 wavelength). [dB re 1 m^2]

    Parameters
    ----------
    range_m : array_like, optional
        Where the target itself is not in its far field (R below L^2/wavelength) only a piece of it returns:
        a quadratic phase of pi L^2/(2 wavelength R) at its ends. Default: far. [m]
    """
    a, length, wavelength = positive(radius_m=radius_m, length_m=length_m, wavelength_m=wavelength_m)
    far = 10 * np.log10(a * length**2 / (2 * wavelength))
    if range_m is None:
        return far
    (r,) = positive(range_m=range_m)
    return far + quadratic_phase_loss_db(np.pi * length**2 / (2 * wavelength * r))


def target_strength_plate_db(
    length_m: ArrayLike, width_m: ArrayLike, wavelength_m: ArrayLike, off_normal_rad: ArrayLike = 0.0
) -> Any:
    """Rigid rectangle, turned off its normal in the plane of its length. [dB re 1 m^2]"""
    a, b, wavelength = positive(length_m=length_m, width_m=width_m, wavelength_m=wavelength_m)
    theta = np.asarray(off_normal_rad, dtype=np.float64)
    taper = np.sinc(2 * a * np.sin(theta) / wavelength) * np.cos(theta)
    return 20 * np.log10(np.maximum(a * b / wavelength * np.abs(taper), 1e-300))


def target_strength_triangular_trihedral_db(edge_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Corner of three right triangles, on its axis: a^4/(3 wavelength^2). [dB re 1 m^2]"""
    a, wavelength = positive(edge_m=edge_m, wavelength_m=wavelength_m)
    return 10 * np.log10(a**4 / (3 * wavelength**2))


def target_strength_square_trihedral_db(edge_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Corner of three squares, on its axis: 3 a^4/wavelength^2. [dB re 1 m^2]"""
    a, wavelength = positive(edge_m=edge_m, wavelength_m=wavelength_m)
    return 10 * np.log10(3 * a**4 / wavelength**2)


def transmission_loss_db(range_m: ArrayLike, absorption_db_m: ArrayLike) -> Any:
    """One-way spherical spreading from 1 m, and absorption: 20 log10 R + alpha R. [dB]"""
    (r,) = positive(range_m=range_m)
    (alpha,) = not_negative(absorption_db_m=absorption_db_m)
    return 20 * np.log10(r) + alpha * r


def band_level_db(spectrum_level_db: ArrayLike, bandwidth_hz: ArrayLike) -> Any:
    """Level of flat noise in a band. [dB re 1 uPa]"""
    (b,) = positive(bandwidth_hz=bandwidth_hz)
    return np.asarray(spectrum_level_db, dtype=np.float64) + 10 * np.log10(b)


def cell_area_m2(range_width_m: ArrayLike, along_width_m: ArrayLike, grazing_rad: ArrayLike) -> Any:
    """Seabed area of a resolution cell, from equivalent widths: along times slant/cos(grazing). [m^2]"""
    dr, dx = positive(range_width_m=range_width_m, along_width_m=along_width_m)
    return dx * dr / np.cos(grazing_rad)


def signal_to_noise_db(
    source_level_db: ArrayLike,
    transmission_loss_db: ArrayLike,
    target_strength_db: ArrayLike,
    noise_band_level_db: ArrayLike,
    directivity_index_db: ArrayLike,
    processing_gain_db: ArrayLike = 0.0,
) -> Any:
    """Echo over noise: SL - 2 TL + TS - (noise in the band - DI) + gain. [dB]

    For the seabed, target strength is backscattering strength plus ten times the logarithm of the cell's area.
    """
    echo = np.subtract(source_level_db, np.multiply(2, transmission_loss_db)) + target_strength_db
    return echo - np.subtract(noise_band_level_db, directivity_index_db) + processing_gain_db


def seabed_echo_level_db(
    source_level_db: ArrayLike, transmission_loss_db: ArrayLike, backscatter_db: ArrayLike, area_m2: ArrayLike
) -> Any:
    """Level of the echo of one seabed cell at the receiver: SL - 2 TL + S_b + 10 log10 A. [dB re 1 uPa]"""
    (area,) = positive(area_m2=area_m2)
    spread = np.subtract(source_level_db, np.multiply(2, transmission_loss_db))
    return spread + backscatter_db + 10 * np.log10(area)


def signal_to_reverberation_db(
    target_strength_db: ArrayLike, backscatter_db: ArrayLike, area_m2: ArrayLike
) -> Any:
    """Target over the seabed in its cell: TS - S_b - 10 log10 A; no processing gain changes it. [dB]"""
    (area,) = positive(area_m2=area_m2)
    return np.subtract(target_strength_db, backscatter_db) - 10 * np.log10(area)
