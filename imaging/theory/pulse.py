"""Pulse compression of a linear sweep: width, gain, and what motion does to it.

All widths are limits for a large time-bandwidth product; at 100 they hold to 0.5 %.
Klauder, J. R. et al. (1960), Bell Syst. Tech. J. 39, 745-808; Cook, C. E. and Bernfeld, M. (1967), *Radar
Signals* (citations from memory; the formulas are derived).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ._check import not_negative, positive
from .array import quadratic_phase_edge_rad, quadratic_phase_loss_db
from .windows import TaperName, half_power_width_bins, noise_bandwidth_bins, snr_loss_db, taper

__all__ = [
    "doppler_delay_shift_s",
    "doppler_loss_db",
    "doppler_peak_loss_db",
    "doppler_range_bias_m",
    "doppler_tolerance_m_s",
    "equivalent_range_width_m",
    "processing_gain_db",
    "range_width_m",
]

_FINE = 1024  # cells that stand for a continuous taper: widths then err by less than 1e-6


def range_width_m(
    bandwidth_hz: float, sound_speed_m_s: float = 1500.0, window: TaperName = "none", **taper_options: Any
) -> float:
    """Slant-range width at half power of a compressed pulse. [m]

    Parameters
    ----------
    bandwidth_hz : float
        Full width of the sweep. [Hz]
    sound_speed_m_s : float
    window : str
        Taper over the band, with ``taper_options`` for :func:`windows.taper`.

    Raises
    ------
    ParameterError
        If a number is not positive or the window is unknown.
    """
    b, c = positive(bandwidth_hz=bandwidth_hz, sound_speed_m_s=sound_speed_m_s)
    return float(half_power_width_bins(taper(window, _FINE, **taper_options)) * c / (2 * b))


def equivalent_range_width_m(
    bandwidth_hz: float, sound_speed_m_s: float = 1500.0, window: TaperName = "none", **taper_options: Any
) -> float:
    """Width of the rectangle with the compressed pulse's peak and energy: what the area of a cell is made of. [m]"""
    b, c = positive(bandwidth_hz=bandwidth_hz, sound_speed_m_s=sound_speed_m_s)
    return float(noise_bandwidth_bins(taper(window, _FINE, **taper_options)) * c / (2 * b))


def processing_gain_db(
    bandwidth_hz: ArrayLike, duration_s: ArrayLike, window: TaperName = "none", **taper_options: Any
) -> Any:
    """Gain in signal to noise, from the band B before compression to the peak after it: 10 log10(BT) - loss. [dB]"""
    b, t = positive(bandwidth_hz=bandwidth_hz, duration_s=duration_s)
    return 10 * np.log10(b * t) - snr_loss_db(taper(window, _FINE, **taper_options))


def doppler_delay_shift_s(doppler_hz: ArrayLike, duration_s: ArrayLike, sweep_hz: ArrayLike) -> Any:
    """Shift of the compressed peak by a Doppler shift: -f_d T/B for an up-sweep. [s]

    Parameters
    ----------
    sweep_hz : array_like
        Stop minus start frequency: negative for a down-sweep. [Hz]
    """
    sweep = np.asarray(sweep_hz, dtype=np.float64)
    positive(magnitude_of_sweep_hz=np.abs(sweep))
    return -np.asarray(doppler_hz, dtype=np.float64) * positive(duration_s=duration_s)[0] / sweep


def doppler_peak_loss_db(doppler_hz: ArrayLike, bandwidth_hz: ArrayLike) -> Any:
    """Change of the compressed peak by a Doppler shift alone: the bands no longer overlap. Negative. [dB]"""
    (b,) = positive(bandwidth_hz=bandwidth_hz)
    overlap = 1 - np.abs(np.asarray(doppler_hz, dtype=np.float64)) / b
    return 20 * np.log10(positive(overlap_of_the_bands=overlap)[0])


def doppler_range_bias_m(
    closing_speed_m_s: ArrayLike, centre_frequency_hz: ArrayLike, duration_s: ArrayLike, sweep_hz: ArrayLike
) -> Any:
    """Range error of a target that closes in: -v f0 T/B, so an up-sweep shows it too near. [m]"""
    (f0,) = positive(centre_frequency_hz=centre_frequency_hz)
    # Delay -f_d T/B with f_d = 2 v f0/c, times c/2: the sound speed cancels.
    return np.asarray(closing_speed_m_s, dtype=np.float64) * doppler_delay_shift_s(f0, duration_s, sweep_hz)


def doppler_loss_db(
    closing_speed_m_s: ArrayLike,
    centre_frequency_hz: ArrayLike,
    bandwidth_hz: ArrayLike,
    duration_s: ArrayLike,
    sound_speed_m_s: ArrayLike = 1500.0,
) -> Any:
    """Change of the compressed peak by a closing target: shifted band, and a sweep rate that no longer fits. [dB]

    The dilation 1 + 2v/c leaves a quadratic phase of pi (2v/c) B T/2 at the ends of the pulse. The sweeps overlap
    over a fraction 1 - (2v/c)(f0/B + 1/2) of it, by the Doppler shift and by the shorter echo, and the phase is
    less by the square of that. Derived, to first order in v/c; within 0.02 dB of a simulated pulse up to 2 dB.
    """
    f0, b, t, c = positive(
        centre_frequency_hz=centre_frequency_hz,
        bandwidth_hz=bandwidth_hz,
        duration_s=duration_s,
        sound_speed_m_s=sound_speed_m_s,
    )
    dilation = 2 * np.abs(np.asarray(closing_speed_m_s, dtype=np.float64)) / c
    overlap = 1 - dilation * (f0 / b + 0.5)
    edge_rad = np.pi * dilation * b * t / 2 * overlap**2
    return 20 * np.log10(positive(overlap=overlap)[0]) + quadratic_phase_loss_db(edge_rad)


def doppler_tolerance_m_s(
    bandwidth_hz: ArrayLike,
    duration_s: ArrayLike,
    sound_speed_m_s: ArrayLike = 1500.0,
    loss_db: float = 3.0103,
) -> Any:
    """Closing speed at which dilation alone costs ``loss_db``: 0.869 c/(BT) for half power. [m/s]"""
    b, t, c = positive(bandwidth_hz=bandwidth_hz, duration_s=duration_s, sound_speed_m_s=sound_speed_m_s)
    not_negative(loss_db=loss_db)
    return quadratic_phase_edge_rad(loss_db) * c / (np.pi * b * t)
