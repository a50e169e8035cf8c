"""The coherent alternative: what a synthetic aperture would resolve, and what it asks of speed and navigation.

Cutrona, L. J. (1975), J. Acoust. Soc. Am. 58, 336-348; Bellettini, A. and Pinto, M. A. (2002), IEEE J. Ocean. Eng.
27, 780-789 (citations from memory; the formulas are derived).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ._check import not_negative, positive
from .array import along_width_m
from .registration import delay_std_s

__all__ = [
    "area_rate_m2_s",
    "coherent_resolution_m",
    "coherent_width_m",
    "phase_centre_error_exact_m",
    "phase_centre_error_m",
    "phase_error_gain",
    "ping_to_ping_coherence",
    "position_error_phase_rad",
    "speed_limit_m_s",
    "sway_std_m",
    "sway_walk_std_m",
    "yaw_std_rad",
    "yaw_walk_sway_std_m",
]


def coherent_resolution_m(element_length_m: ArrayLike) -> Any:
    """Along-track resolution, whatever the range and frequency: half the real element that sets the beam. [m]"""
    (d,) = positive(element_length_m=element_length_m)
    return d / 2


def coherent_width_m(element_length_m: ArrayLike) -> Any:
    """Half-power width with uniform weights over the band of 4 pi/D: 0.886 D/2. [m]"""
    # A rectangular spectrum gives a sinc, as a uniform line does: 1 m at unit wavelength over unit length.
    return along_width_m(1.0, coherent_resolution_m(element_length_m), 1.0)


def speed_limit_m_s(array_length_m: ArrayLike, ping_rate_hz: ArrayLike) -> Any:
    """Fastest speed without a gap between phase centres: half the receive array a ping. [m/s]"""
    length, rate = positive(array_length_m=array_length_m, ping_rate_hz=ping_rate_hz)
    return length / 2 * rate


def area_rate_m2_s(array_length_m: ArrayLike, sound_speed_m_s: ArrayLike = 1500.0) -> Any:
    """Largest speed times swath of one side, pinging as fast as range allows: c L/4. [m^2/s]"""
    length, c = positive(array_length_m=array_length_m, sound_speed_m_s=sound_speed_m_s)
    return c * length / 4


def phase_centre_error_m(separation_m: ArrayLike, range_m: ArrayLike) -> Any:
    """Two-way path by which transmitter and receiver exceed twice that of their midpoint: d^2/(4R). [m]"""
    (d,) = not_negative(separation_m=separation_m)
    return d**2 / (4 * positive(range_m=range_m)[0])


def phase_centre_error_exact_m(separation_m: ArrayLike, range_m: ArrayLike) -> Any:
    """The same without the approximation, broadside of the midpoint. [m]"""
    (d,) = not_negative(separation_m=separation_m)
    (r,) = positive(range_m=range_m)
    return 2 * np.hypot(r, d / 2) - 2 * r


def position_error_phase_rad(error_m: ArrayLike, wavelength_m: ArrayLike) -> Any:
    """Phase of a position error along the line of sight: 4 pi error/wavelength. [rad]"""
    return 4 * np.pi * np.asarray(error_m, dtype=np.float64) / positive(wavelength_m=wavelength_m)[0]


def phase_error_gain(phase_std_rad: ArrayLike) -> Any:
    """Power of a point's peak under independent Gaussian phase errors: exp(-variance), for many pings."""
    (sigma,) = not_negative(phase_std_rad=phase_std_rad)
    return np.exp(-(sigma**2))


def ping_to_ping_coherence(snr: ArrayLike) -> Any:
    """Coherence of two records of the same echo in independent noise: snr/(1 + snr), snr a power ratio."""
    (rho,) = positive(snr=snr)
    return rho / (1 + rho)


def sway_std_m(
    centre_frequency_hz: ArrayLike,
    bandwidth_hz: ArrayLike,
    window_s: ArrayLike,
    snr: ArrayLike,
    sound_speed_m_s: ArrayLike = 1500.0,
) -> Any:
    """Standard error of the sway between two pings from one displaced phase centre, carrier phase used. [m]"""
    (c,) = positive(sound_speed_m_s=sound_speed_m_s)
    coherence = ping_to_ping_coherence(snr)
    return c / 2 * delay_std_s(centre_frequency_hz, bandwidth_hz, window_s, coherence)


def yaw_std_rad(sway_std_m: ArrayLike, overlap_m: ArrayLike) -> Any:
    """Standard error of the yaw: sqrt(12) sway/overlap. [rad]

    Many independent pairs lie evenly over the overlap; ``sway_std_m`` is that of their mean.
    """
    (sway,) = not_negative(sway_std_m=sway_std_m)
    return np.sqrt(12) * sway / positive(overlap_m=overlap_m)[0]


def sway_walk_std_m(sway_std_m: ArrayLike, n_ping: ArrayLike) -> Any:
    """Sway error that independent ping-to-ping errors sum up to: sqrt(n). [m]"""
    (sway,) = not_negative(sway_std_m=sway_std_m)
    return sway * np.sqrt(positive(n_ping=n_ping)[0])


def yaw_walk_sway_std_m(yaw_std_rad: ArrayLike, step_m: ArrayLike, n_ping: ArrayLike) -> Any:
    """Sway error from yaw errors that sum up and steer the track: n^(3/2)/sqrt(3) step yaw, for large n. [m]"""
    (yaw,) = not_negative(yaw_std_rad=yaw_std_rad)
    step, n = positive(step_m=step_m, n_ping=n_ping)
    return n**1.5 / np.sqrt(3) * step * yaw
