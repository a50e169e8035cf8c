"""How well a delay between two noisy records can be known: Cramer-Rao bounds.

Carter, G. C. (1987), Proc. IEEE 75, 236-255; Walker, W. F. and Trahey, G. E. (1995), IEEE Trans. Ultrason.
Ferroelectr. Freq. Control 42, 301-308, for speckle. Closed forms derived for a flat band and a large
time-bandwidth product: the variance is 1 / [2 T integral of (2 pi f)^2 g^2/(1 - g^2) df], f above 0.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ._check import fraction, not_negative, positive

__all__ = ["delay_std_lowpass_s", "delay_std_s", "range_std_m"]


def _noise_factor(coherence: Any) -> Any:
    return (1 - coherence**2) / coherence**2


def delay_std_s(
    centre_frequency_hz: ArrayLike, bandwidth_hz: ArrayLike, window_s: ArrayLike, coherence: ArrayLike
) -> Any:
    """Least standard error of a delay from a band f0 +- B/2 over a window T. [s]

    Parameters
    ----------
    centre_frequency_hz : array_like
        0 for complex baseband whose carrier phase is not used.
    coherence : array_like
        Of the two records, between 0 and 1.

    Notes
    -----
    ``(1 - g^2)/g^2 / [8 pi^2 T (B f0^2 + B^3/12)]``. Tracking intensities alone does worse.
    """
    (f0,) = not_negative(centre_frequency_hz=centre_frequency_hz)
    b, t = positive(bandwidth_hz=bandwidth_hz, window_s=window_s)
    (g,) = fraction(coherence=coherence)
    return np.sqrt(_noise_factor(g) / (8 * np.pi**2 * t * (b * f0**2 + b**3 / 12)))


def delay_std_lowpass_s(bandwidth_hz: ArrayLike, window_s: ArrayLike, coherence: ArrayLike) -> Any:
    """Least standard error of a delay from real records in a band 0..B. [s]"""
    b, t = positive(bandwidth_hz=bandwidth_hz, window_s=window_s)
    (g,) = fraction(coherence=coherence)
    return np.sqrt(3 * _noise_factor(g) / (8 * np.pi**2 * b**3 * t))


def range_std_m(delay_std_s: ArrayLike, sound_speed_m_s: ArrayLike = 1500.0) -> Any:
    """Slant-range error of a two-way delay error: c/2 times it. [m]"""
    (std,) = not_negative(delay_std_s=delay_std_s)
    return positive(sound_speed_m_s=sound_speed_m_s)[0] / 2 * std
