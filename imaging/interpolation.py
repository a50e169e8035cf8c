"""Short filters that move a sampled band-limited signal by a fraction of a sample.

A real filter of ``n_tap`` weights is fitted by least squares over the band that the signal fills, weighted by
the signal's own spectrum; that is several decibels better than a windowed sinc of the same length.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["delay_taps", "delay_taps_error", "half_sample_taps", "tap_offsets"]

Spectrum = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Amplitude of the signal against frequency in units of half the band, -1 to 1."""


def tap_offsets(n_tap: int) -> NDArray[np.int64]:
    """Sample offsets of the taps around a position in [0, 1): for four, -1, 0, 1, 2."""
    return np.arange(n_tap) - (n_tap // 2 - 1)


def _basis(
    band: float, offsets: NDArray[np.int64], spectrum: Spectrum | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.complex128]]:
    unit = np.linspace(-1, 1, 241)
    weight = np.ones_like(unit) if spectrum is None else spectrum(unit)
    turns = unit * band / 2
    return turns, weight, weight[:, None] * np.exp(2j * np.pi * turns[:, None] * offsets)


def delay_taps(
    fraction: ArrayLike, band: float, n_tap: int, spectrum: Spectrum | None = None
) -> NDArray[np.float64]:
    """Weights that read a signal ``fraction`` of a sample after its sample 0.

    Parameters
    ----------
    fraction : array_like of float64, shape (n,)
        In [0, 1]. [samples]
    band : float
        Full bandwidth over sampling rate, below 1.
    n_tap : int
        Even number of taps, standing at :func:`tap_offsets`.
    spectrum : callable, optional
        Amplitude over the band, for the fit's weight; default flat.

    Returns
    -------
    ndarray of float64, shape (n, n_tap)
        Scaled so that the peak of a pulse with this spectrum keeps its height.
    """
    fraction = np.atleast_1d(np.asarray(fraction, np.float64))
    turns, weight, basis = _basis(band, tap_offsets(n_tap), spectrum)
    wanted = weight[:, None] * np.exp(2j * np.pi * turns[:, None] * fraction)
    stacked = np.vstack([basis.real, basis.imag])
    taps = np.linalg.lstsq(stacked, np.vstack([wanted.real, wanted.imag]), rcond=None)[0]
    # Least squares buys a smaller error with a smaller gain at the band's edges, and a pulse's peak is the sum over its
    # spectrum: without this a point would read up to 0.7 % low at half a sample.
    gain = (
        np.sum((basis @ taps) * np.exp(-2j * np.pi * turns[:, None] * fraction), axis=0).real / weight.sum()
    )
    return (taps / gain).T


def delay_taps_error(band: float, n_tap: int, spectrum: Spectrum | None = None) -> float:
    """Relative rms error of :func:`delay_taps` at half a sample, where it is worst."""
    turns, weight, basis = _basis(band, tap_offsets(n_tap), spectrum)
    wanted = weight * np.exp(1j * np.pi * turns)
    got = basis @ delay_taps(0.5, band, n_tap, spectrum)[0]
    return float(np.linalg.norm(got - wanted) / np.linalg.norm(wanted))


def half_sample_taps(band: float, n_tap: int, spectrum: Spectrum | None = None) -> NDArray[np.float64]:
    """Symmetric weights that read a signal half way between samples, shape (n_tap,)."""
    taps = delay_taps(0.5, band, n_tap, spectrum)[0]
    return (taps + taps[::-1]) / 2
