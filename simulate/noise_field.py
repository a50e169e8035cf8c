"""Isotropic noise as receivers hear it: how much of it, and how much of it they share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from ._geometry import array_axes

__all__ = ["heard_share", "isotropic_coherence", "patterned_coherence"]

_ROUND = 181  # directions about the array's axis, over the half space before the baffle


def isotropic_coherence(sonar: Sonar, frequency_hz: float, sound_speed_m_s: float) -> NDArray[np.float64]:
    """Coherence of small receivers in the open, ``sin(kd)/(kd)``, (receiver, receiver).

    Cron, B. F. and Sherman, C. H. (1962), J. Acoust. Soc. Am. 34, 1732-1736 (form from memory; it is the mean of plane
    waves over the sphere).
    """
    place = sonar.element_position_m.reshape(-1, 3)
    apart = np.linalg.norm(place[:, None] - place[None], axis=-1)
    return np.sinc(2 * apart * frequency_hz / sound_speed_m_s)


def patterned_coherence(sonar: Sonar, frequency_hz: float, sound_speed_m_s: float) -> NDArray[np.float64]:
    """Coherence of receivers with the pattern of their size before a baffle, (receiver, receiver).

    The mean over the half space of ``b^2 exp(j k d)``, normalised. About the array's axis the sphere's area is even in
    the direction cosine along it and in the angle round it, so that one integral over the angle, for each distance of two
    rows, and one over the cosine do.
    """
    wave = sound_speed_m_s / frequency_hz
    flat, up = sonar.element_position_m[..., 0].reshape(-1), _row_heights(sonar)
    cosine, weight, pattern = _along_pattern(sonar, wave)
    row = np.repeat(np.arange(sonar.n_row), sonar.n_channel)
    out = np.empty((flat.size, flat.size))
    for i in range(sonar.n_row):
        for k in range(sonar.n_row):
            inner = _round_integral(sonar, wave, cosine, up[i] - up[k]) * pattern * weight
            here, there = row == i, row == k
            apart = flat[here][:, None] - flat[there][None]
            # Distances repeat along an even array: each is summed once.
            each, back = np.unique(np.round(apart, 9), return_inverse=True)
            total = np.cos(2 * np.pi / wave * each[:, None] * cosine) @ inner
            out[np.ix_(here, there)] = total[back].reshape(apart.shape)
    return out / out[0, 0]


def heard_share(sonar: Sonar, frequency_hz: float, sound_speed_m_s: float) -> float:
    """Power of isotropic noise in a receiver with a pattern, against a small one in the open: 1 over its directivity."""
    wave = sound_speed_m_s / frequency_hz
    cosine, weight, pattern = _along_pattern(sonar, wave)
    return float((_round_integral(sonar, wave, cosine, 0.0) * pattern) @ weight / (4 * np.pi))


def _along_pattern(sonar: Sonar, wave: float):
    """Direction cosines along the array, their weights, and the receivers' pattern there."""
    longest = float(np.ptp(sonar.element_position_m[..., 0])) + float(sonar.receive_size_m[0])
    n = 64 + 8 * int(np.ceil(2 * longest / wave))  # eight to a cycle of the farthest pair
    cosine, weight = np.polynomial.legendre.leggauss(n) if n < 400 else _midpoints(n)
    return cosine, weight, np.sinc(sonar.receive_size_m[0] / wave * cosine) ** 2


def _midpoints(n: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    cosine = (np.arange(n) + 0.5) * (2 / n) - 1
    return cosine, np.full(n, 2 / n)


def _round_integral(
    sonar: Sonar, wave: float, cosine: NDArray[np.float64], apart_m: float
) -> NDArray[np.float64]:
    """Integral over the angle round the array of the vertical pattern times ``cos(k v d)``, for each cosine along it."""
    angle, weight = np.polynomial.legendre.leggauss(_ROUND)
    upward = np.sqrt(1 - cosine[:, None] ** 2) * np.sin(np.pi / 2 * angle)
    pattern = np.sinc(sonar.receive_size_m[1] / wave * upward) ** 2
    return (pattern * np.cos(2 * np.pi / wave * apart_m * upward)) @ weight * np.pi / 2


def _row_heights(sonar: Sonar) -> NDArray[np.float64]:
    return (sonar.element_position_m @ array_axes(sonar)[1]).mean(axis=1)
