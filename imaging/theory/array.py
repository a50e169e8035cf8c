"""Line arrays: widths, sidelobes, directivity, grating lobes, and the near field.

Angles are from the array's normal. A "line" is continuous, an "array" has elements.
Urick, R. J. (1983), *Principles of Underwater Sound*, 3rd ed.; Steinberg, B. D. (1976), *Principles of Aperture
and Array System Design* (citations from memory; the formulas are derived).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

from ._check import not_negative, positive, real_weights
from .windows import HALF_POWER_DB, half_power_width_bins, noise_bandwidth_bins

__all__ = [
    "along_width_m",
    "array_width_rad",
    "depth_of_focus_m",
    "directivity_index_array_db",
    "directivity_index_line_db",
    "edge_phase_rad",
    "equivalent_along_width_m",
    "far_field_m",
    "first_null_rad",
    "first_sidelobe",
    "focus_depth_limits_m",
    "grating_lobes_rad",
    "largest_spacing_m",
    "line_width_rad",
    "quadratic_phase_edge_rad",
    "quadratic_phase_loss_db",
    "unfocused_loss_db",
]


def _solve(function: Any, low: float, high: float) -> float:
    """Zero of a function that falls from positive at ``low`` to negative at ``high``, by halving."""
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > 0 else (low, middle)
    return (low + high) / 2


def _line_width_bins(*, two_way: bool) -> float:
    """Full half-power width of sinc^2, or of sinc^4, in wavelengths over length: 0.8859 and 0.6378."""
    power = 4 if two_way else 2
    return 2 * _solve(lambda u: np.sinc(u) ** power - 0.5, 0.0, 1.0)


def line_width_rad(length_m: ArrayLike, wavelength_m: ArrayLike, *, two_way: bool = False) -> Any:
    """Full half-power width of a uniform line, in its far field or in focus: 0.886 wavelength/length. [rad]

    Parameters
    ----------
    two_way : bool
        The same line transmits and receives: 0.638 wavelength/length.
    """
    length, wavelength = positive(length_m=length_m, wavelength_m=wavelength_m)
    return 2 * np.arcsin(np.minimum(_line_width_bins(two_way=two_way) * wavelength / length / 2, 1.0))


def array_width_rad(weights: ArrayLike, spacing_m: float, wavelength_m: float) -> float:
    """Full half-power width of an equally spaced array that looks along its normal. [rad]"""
    w = real_weights("weights", weights)
    spacing, wavelength = positive(spacing_m=spacing_m, wavelength_m=wavelength_m)
    half_sine = half_power_width_bins(w) / 2 * wavelength / (w.size * spacing)
    return float(2 * np.arcsin(min(half_sine, 1.0)))


def first_null_rad(length_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Direction of the first null of a uniform line. [rad]"""
    length, wavelength = positive(length_m=length_m, wavelength_m=wavelength_m)
    return np.arcsin(np.minimum(wavelength / length, 1.0))


def first_sidelobe(*, two_way: bool = False) -> tuple[float, float]:
    """Where the first sidelobe of a uniform line is, in wavelength/length, and its level in dB: 1.4303, -13.26."""
    # sinc has its extremes where tan x = x, that is where x cos x - sin x = 0.
    u = _solve(lambda v: np.sin(np.pi * v) - np.pi * v * np.cos(np.pi * v), 1.0, 1.5)
    return u, float((40 if two_way else 20) * np.log10(abs(np.sinc(u))))


def along_width_m(
    wavelength_m: float, range_m: ArrayLike, length_m: float, weights: ArrayLike | None = None
) -> Any:
    """Half-power width along track of a receive array in focus, small transmitter: 0.886 wavelength R/L. [m]

    Parameters
    ----------
    length_m : float
        Full length of the array: elements times pitch. [m]
    weights : array_like, shape (n,), optional
        Shading; default uniform.
    """
    wavelength, r, length = positive(wavelength_m=wavelength_m, range_m=range_m, length_m=length_m)
    bins = _line_width_bins(two_way=False) if weights is None else half_power_width_bins(weights)
    return bins * wavelength * r / length


def equivalent_along_width_m(
    wavelength_m: float, range_m: ArrayLike, length_m: float, weights: ArrayLike | None = None
) -> Any:
    """Width of the rectangle with the beam's peak and integral: what the area of a cell is made of. [m]"""
    wavelength, r, length = positive(wavelength_m=wavelength_m, range_m=range_m, length_m=length_m)
    bins = 1.0 if weights is None else noise_bandwidth_bins(weights)
    return bins * wavelength * r / length


def directivity_index_line_db(length_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Directivity index of a uniform line, exact; 10 log10(2 L/wavelength) for long ones. [dB]"""
    from scipy.special import sici

    length, wavelength = positive(length_m=length_m, wavelength_m=wavelength_m)
    a = np.pi * length / wavelength
    mean_response = sici(2 * a)[0] / a - (np.sin(a) / a) ** 2  # of sinc^2 over all directions
    return -10 * np.log10(mean_response)


def directivity_index_array_db(weights: ArrayLike, spacing_m: float, wavelength_m: float) -> float:
    """Directivity index of an equally spaced array of points that looks along its normal. [dB]"""
    w = real_weights("weights", weights)
    spacing, wavelength = positive(spacing_m=spacing_m, wavelength_m=wavelength_m)
    lag = np.subtract.outer(np.arange(w.size), np.arange(w.size))
    isotropic_noise = w @ np.sinc(2 * spacing * lag / wavelength) @ w
    return float(10 * np.log10(w.sum() ** 2 / isotropic_noise))


def grating_lobes_rad(spacing_m: float, wavelength_m: float, steer_rad: float = 0.0) -> NDArray[np.float64]:
    """Directions in which an array of this pitch answers as in the steered one, ascending. [rad]"""
    spacing, wavelength = positive(spacing_m=spacing_m, wavelength_m=wavelength_m)
    reach = int(np.ceil(2 * spacing / wavelength))
    order = np.arange(-reach, reach + 1)
    sine = np.sin(steer_rad) + order[order != 0] * wavelength / spacing
    return np.arcsin(sine[np.abs(sine) <= 1])


def largest_spacing_m(wavelength_m: ArrayLike, steer_rad: ArrayLike) -> Any:
    """Pitch up to which no grating lobe enters the half space, however steered up to ``steer_rad``. [m]"""
    (wavelength,) = positive(wavelength_m=wavelength_m)
    return wavelength / (1 + np.sin(np.abs(steer_rad)))


def far_field_m(length_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Range beyond which an unfocused line loses less than 0.24 dB: L^2/wavelength. [m]"""
    length, wavelength = positive(length_m=length_m, wavelength_m=wavelength_m)
    return length**2 / wavelength


def edge_phase_rad(length_m: ArrayLike, wavelength_m: ArrayLike, range_m: ArrayLike) -> Any:
    """One-way phase at the ends of an unfocused line for a point on its normal: pi L^2/(4 wavelength R). [rad]"""
    (r,) = positive(range_m=range_m)
    return np.pi * far_field_m(length_m, wavelength_m) / (4 * r)


def quadratic_phase_loss_db(edge_rad: ArrayLike) -> Any:
    """Change of a peak by a quadratic phase that reaches ``edge_rad`` at both ends, negative. [dB]

    ``|integral from 0 to 1 of exp(i phi x^2)|^2`` in Fresnel's integrals.
    """
    from scipy.special import fresnel

    phi = np.abs(np.asarray(edge_rad, dtype=np.float64))
    safe = np.maximum(phi, 1e-12)  # at 0 the ratio below tends to 1
    argument = np.sqrt(2 * safe / np.pi)
    sine, cosine = fresnel(argument)
    return 10 * np.log10((sine**2 + cosine**2) / argument**2)[()]


def quadratic_phase_edge_rad(loss_db: float = HALF_POWER_DB) -> float:
    """Quadratic phase at the ends that costs ``loss_db`` (positive, at most 6 dB): 2.73 rad for half power. [rad]"""
    if not 0 <= loss_db <= 6:
        raise ParameterError(
            f"loss_db is {loss_db:g}; allowed: from 0 to 6, where the loss still grows steadily."
        )
    return _solve(lambda phi: loss_db + float(quadratic_phase_loss_db(phi)), 0.0, 4.5)


def unfocused_loss_db(length_m: ArrayLike, wavelength_m: ArrayLike, range_m: ArrayLike) -> Any:
    """Change of the peak on the normal of a receive line that is not focused, negative. [dB]"""
    return quadratic_phase_loss_db(edge_phase_rad(length_m, wavelength_m, range_m))


def focus_depth_limits_m(
    length_m: float, wavelength_m: float, focus_m: float, loss_db: float = HALF_POWER_DB
) -> tuple[float, float]:
    """Nearest and farthest range in focus, the latter possibly infinite. [m]"""
    length, wavelength, focus = positive(length_m=length_m, wavelength_m=wavelength_m, focus_m=focus_m)
    reach = 4 / np.pi * quadratic_phase_edge_rad(loss_db) * wavelength / length**2  # of 1/R
    far = 1 / focus - reach
    return float(1 / (1 / focus + reach)), float(1 / far) if far > 0 else float("inf")


def depth_of_focus_m(length_m: ArrayLike, wavelength_m: ArrayLike, focus_m: ArrayLike) -> Any:
    """Total depth of focus at half power for ranges well inside the near field: about 7 wavelength (R/L)^2. [m]"""
    length, wavelength, focus = positive(length_m=length_m, wavelength_m=wavelength_m, focus_m=focus_m)
    not_negative(loss_db=HALF_POWER_DB)
    return 8 / np.pi * quadratic_phase_edge_rad() * wavelength * (focus / length) ** 2
