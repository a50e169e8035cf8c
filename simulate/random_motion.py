"""Random motions as sums of many sinusoids of random frequency and phase: smooth, with exact derivatives.

The spectrum is cut into slices of equal variance, and each slice gives one sinusoid at a random frequency within it.
The mean spectrum is then exactly the wanted one, the sum never repeats, its rms over a long time is exact, and it is
Gaussian to within an excess kurtosis of -1.5 over the number of sinusoids (central limit theorem).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .vehicle_tables import RandomMotion

__all__ = ["N_LINE", "density", "lines"]

N_LINE = 256
"""Sinusoids of one random motion. A constant: another number would be another motion."""

_N_GRID = 8193  # frequencies on which the spectrum is integrated


def density(motion: RandomMotion, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """One-sided power density of a random motion.

    Parameters
    ----------
    motion : RandomMotion
    frequency_hz : ndarray of float64, shape (n,)

    Returns
    -------
    ndarray of float64, shape (n,)
        [m^2/Hz or rad^2/Hz]
    """
    grid = np.linspace(*_edges(motion), _N_GRID)
    shape = _shape(motion, np.asarray(frequency_hz, dtype=np.float64))
    return _rms(motion) ** 2 * shape / np.trapezoid(_shape(motion, grid), grid)


def lines(motion: RandomMotion, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw the sinusoids, rows of amplitude [m or rad], angular frequency [rad/s] and phase [rad], (:data:`N_LINE`, 3)."""
    grid, cumulated = _cumulated(motion)
    place = (np.arange(N_LINE) + rng.random(N_LINE)) / N_LINE
    frequency = np.interp(place, cumulated, grid)
    amplitude = np.full(N_LINE, _rms(motion) * np.sqrt(2 / N_LINE))
    return np.stack([amplitude, 2 * np.pi * frequency, 2 * np.pi * rng.random(N_LINE)], axis=1)


def _rms(motion: RandomMotion) -> float:
    return float(np.deg2rad(motion.rms_deg) if motion.rms_m is None else motion.rms_m)


def _edges(motion: RandomMotion) -> tuple[float, float]:
    highest = 1 / motion.shortest_period_s
    return (0.0 if motion.spectrum == "resonance" else highest / 2**motion.octaves), highest


def _shape(motion: RandomMotion, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = _edges(motion)
    inside = (frequency_hz >= low) & (frequency_hz <= high)
    if motion.spectrum == "band":
        return inside.astype(np.float64)
    x = frequency_hz * motion.period_s
    return inside / ((1 - x**2) ** 2 + (2 * motion.damping * x) ** 2)


def _cumulated(motion: RandomMotion) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    grid = np.linspace(*_edges(motion), _N_GRID)
    shape = _shape(motion, grid)
    sums = np.concatenate([[0.0], np.cumsum((shape[1:] + shape[:-1]) / 2)])
    return grid, sums / sums[-1]
