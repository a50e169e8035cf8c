"""Windows of the nonuniform Fourier transform: taps on a grid of twice the sampling rate, and their transforms."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

__all__ = ["EXACT_BETA", "EXACT_WIDTH", "exact_transform", "fast_taps", "fast_transform"]

EXACT_WIDTH = 12
EXACT_BETA = 2.30 * EXACT_WIDTH
"""Of exp(beta (sqrt(1 - z^2) - 1)); Barnett, Magland and af Klinteberg (2019), SIAM J. Sci. Comput. 41, C479-C504."""

_FAST_WIDTH = 4
_FAST_BETA = 0.98 * np.pi * _FAST_WIDTH * (1 - 1 / 4)
"""Of the Kaiser-Bessel window at twofold oversampling; Beatty, Nishimura and Pauly (2005), IEEE Trans. Med. Imaging 24,
799-808, eq. (5), a little narrower because the replica leaves the band's edges empty."""


def _kaiser(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Kaiser-Bessel window at a distance of ``u`` grid steps, one at the centre."""
    inside = np.maximum(0, 1 - (2 * u / _FAST_WIDTH) ** 2)
    return np.i0(_FAST_BETA * np.sqrt(inside)) / np.i0(_FAST_BETA)


def _transform(window, width: int, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fourier transform of an even window by Gauss-Legendre quadrature; ``frequency`` in cycles per grid step."""
    node, weight = np.polynomial.legendre.leggauss(64)
    u = node * width / 2
    return (np.cos(2 * np.pi * frequency[:, None] * u) * (window(u) * weight)).sum(axis=1) * width / 2


def fast_transform(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Transform of the four taps' window."""
    return _transform(_kaiser, _FAST_WIDTH, frequency)


def exact_transform(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Transform of the twelve taps' window."""

    def window(u):
        return np.exp(EXACT_BETA * (np.sqrt(1 - (2 * u / EXACT_WIDTH) ** 2) - 1))

    return _transform(window, EXACT_WIDTH, frequency)


@functools.lru_cache(maxsize=8)
def fast_taps(half_length_m: float):
    """Return ``x_scale, node, inverse, tap`` of :func:`~pingloom.simulate._echo_kernels.spread_fast`."""
    node = np.cos(np.pi * (np.arange(5) + 0.5) / 5)
    inverse = np.linalg.inv(np.vander(node, increasing=True))
    return (
        np.float32(half_length_m),
        (node * half_length_m).astype(np.float32),
        inverse.astype(np.float32),
        _tap_polynomials().astype(np.float32),
    )


def _tap_polynomials() -> NDArray[np.float64]:
    """Fit the window over each tap's grid step, even and odd parts of taps 0 and 1, (16,).

    A point at fraction 1/2 + z past a grid step is 3/2 + z past tap 0 and 1/2 + z past tap 1.
    """
    z = np.cos(np.pi * (np.arange(200) + 0.5) / 200) / 2
    parts = []
    for centre in (1.5, 0.5):
        value, mirror = _kaiser(centre + z), _kaiser(centre - z)
        parts.append(np.linalg.lstsq(z[:, None] ** [0, 2, 4, 6], (value + mirror) / 2, rcond=None)[0])
        parts.append(np.linalg.lstsq(z[:, None] ** [1, 3, 5, 7], (value - mirror) / 2, rcond=None)[0])
    return np.concatenate(parts)
