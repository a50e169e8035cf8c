"""Widths, sidelobes and speckle numbers of images, in plain numpy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["field_correlation", "number_of_looks", "peak_position", "peak_sidelobe_db", "width"]


def width(x: NDArray, power: NDArray, level: float = 0.5) -> float:
    """Full width of the main peak at ``level`` of its height, crossings by straight lines."""
    top = int(np.argmax(power))
    threshold = level * power[top]

    def crossing(step: int) -> float:
        i = top
        while power[i] > threshold:
            i += step
        share = (threshold - power[i]) / (power[i - step] - power[i])
        return float(x[i] + share * (x[i - step] - x[i]))

    return crossing(1) - crossing(-1)


def peak_position(x: NDArray, power: NDArray) -> float:
    """Top of a parabola through the highest sample (log power) and its neighbours."""
    i = int(np.argmax(power))
    low, mid, high = np.log(power[i - 1 : i + 2])
    return float(x[i] + 0.5 * (low - high) / (low - 2 * mid + high) * (x[i + 1] - x[i]))


def peak_sidelobe_db(power: NDArray) -> float:
    """Highest level beyond the first minima either side of the main peak, in dB below it."""
    top = right = left = int(np.argmax(power))
    while power[right + 1] < power[right]:
        right += 1
    while power[left - 1] < power[left]:
        left -= 1
    return float(10 * np.log10(max(power[:left].max(), power[right + 1 :].max()) / power[top]))


def number_of_looks(intensity: NDArray) -> float:
    """Equivalent number of looks of a uniform patch: mean^2 / variance of the intensity."""
    return float(np.mean(intensity) ** 2 / np.var(intensity))


def field_correlation(a: NDArray, b: NDArray) -> float:
    """Real part of the complex correlation coefficient where both looks see; zero phase is expected."""
    both = np.isfinite(a) & np.isfinite(b)
    x, y = a[both], b[both]
    return float(np.vdot(y, x).real / np.sqrt(np.vdot(x, x).real * np.vdot(y, y).real))
