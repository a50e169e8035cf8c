"""Evidence on receivers' phases: what coherence the seabed should show, strong points, redundant phase centres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frames import ArrayFrame
from ..records import Sonar

__all__ = ["Evidence", "field_coherence", "point_evidence", "redundant_evidence"]

_POINT_RATIO = 30.0
"""A strong point's power over the median around it."""
_POINTS_A_PING = 4
_LEAST_FIT = 0.7
"""Share of a strong point's power that one plane direction must explain."""
_LEAST_COHERENCE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Information on the phases of one row's receivers with nothing said of their mean and slope."""

    information: NDArray[np.float64]
    """(channel, channel)"""
    pull: NDArray[np.float64]
    """(channel,) the information times the phases."""


def field_coherence(
    sonar: Sonar,
    frame: ArrayFrame,
    range_m: NDArray[np.float64],
    wavelength_m: float,
    most_lag: int,
    gain: Callable[..., NDArray[np.float64]],
) -> NDArray[np.complex128]:
    """Mean product of receivers m (conjugated) and m + lag for an even seabed, (lag, range, channel).

    The van Cittert-Zernike integral over direction cosines, with the patterns of the transmitter and of both
    receivers seen from their own places, and spherical wave fronts: at near ranges the phase of neighbours' product
    differs from zero towards the array's ends.
    """
    u = np.linspace(-0.25, 0.25, 601)
    along, k = frame.along_m, 2 * np.pi / wavelength_m
    sent_from = float((sonar.transmit_position_m - frame.centre_m) @ frame.axes[0])
    point = range_m[:, None] * u
    aside = range_m[:, None] ** 2 * (1 - u**2)
    lit = gain(
        sonar.pattern_transmit_along,
        float(sonar.transmit_size_m[0]),
        (point - sent_from) / np.sqrt((point - sent_from) ** 2 + aside),
    )
    off = point[:, None, :] - along[None, :, None]
    path = np.sqrt(off**2 + aside[:, None, :])
    heard = np.sqrt(gain(sonar.pattern_receive_along, float(sonar.receive_size_m[0]), off / path))
    field = heard * np.exp(-1j * k * (path - range_m[:, None, None]))
    out = np.zeros((most_lag + 1, range_m.size, along.size), np.complex128)
    for lag in range(most_lag + 1):
        n = along.size - lag
        out[lag, :, :n] = np.einsum("ru,rmu,rmu->rm", lit, np.conj(field[:, :n]), field[:, lag:])
    return out / np.abs(out[0]).mean(axis=1)[None, :, None]


def _eliminated(
    weight: NDArray[np.float64], design: NDArray[np.float64], nuisance: NDArray[np.float64], value: NDArray
) -> Evidence:
    """Normal equations for ``value = design @ phase + nuisance @ unknown`` with the unknowns taken out."""
    a = nuisance * weight[:, None]
    inner = np.linalg.pinv(nuisance.T @ a)
    left = weight[:, None] * design
    information = design.T @ left - (left.T @ nuisance) @ inner @ (nuisance.T @ left)
    pull = left.T @ value - (left.T @ nuisance) @ inner @ (a.T @ value)
    return Evidence(information, pull)


def point_evidence(
    x: NDArray[np.complex64],
    start: int,
    first_m: float,
    sample_m: float,
    live: NDArray[np.bool_],
    phase_rad: NDArray[np.float64],
    along_m: NDArray[np.float64],
    wave_number: float,
) -> list[Evidence]:
    """Phases across the array of single strong points: a known curvature, an unknown direction."""
    if live.sum() < 8 or x.shape[-1] - start < 64:
        return []
    part = x[live].view(np.float32).reshape(live.sum(), -1, 2)
    power = np.einsum("mnk,mnk->n", part, part).astype(np.float64) / live.sum()
    background = _running_median(power[start:], 64)
    found = []
    ratio = power[start:] / np.maximum(background, 1e-300)
    for k in np.argsort(-ratio)[:_POINTS_A_PING]:
        if ratio[k] < _POINT_RATIO:
            break
        at = start + int(k)
        if power[at] < power[max(at - 1, 0) : at + 2].max():
            continue
        found += _one_point(
            x[:, at], first_m + at * sample_m, background[k], live, phase_rad, along_m, wave_number
        )
    return found


def _one_point(y, range_m, background, live, phase_rad, along_m, wave_number) -> list[Evidence]:
    corrected = np.where(live, y * np.exp(-1j * phase_rad), 0)
    corrected = corrected / np.maximum(np.abs(corrected), 1e-30) * live
    u = np.linspace(-0.15, 0.15, 801)[:, None]
    path = np.sqrt(range_m**2 - 2 * range_m * u * along_m + along_m**2) - range_m
    model = np.exp(-1j * wave_number * path)
    match = np.conj(model) @ corrected
    best = int(np.argmax(np.abs(match)))
    if np.abs(match[best]) / live.sum() < np.sqrt(_LEAST_FIT):
        return []
    residual = np.angle(corrected * np.conj(model[best]) * np.exp(-1j * np.angle(match[best])))
    snr = np.minimum(np.abs(y) ** 2 / max(background, 1e-300), 300.0)
    weight = np.where(live, 2 * snr, 0.0)
    nuisance = np.stack([np.ones(live.size), along_m], axis=1)
    return [_eliminated(weight, np.eye(live.size), nuisance, phase_rad + residual)]


def redundant_evidence(
    before: NDArray[np.complex64],
    x: NDArray[np.complex64],
    starts: NDArray[np.int64],
    size: int,
    independent: float,
    live: NDArray[np.bool_],
    phase_rad: NDArray[np.float64],
    along_m: NDArray[np.float64],
    way_m: float,
) -> list[Evidence]:
    """Receivers of two successive pings whose two-way phase centres nearly coincide hear the same seabed.

    Each range block and each spacing of receivers has its own unknown sway (a common phase) and turn (a slope).
    """
    # Transmitter and receivers moved by the way: centres coincide where receivers lie twice the way apart.
    pitch = np.median(np.diff(along_m))
    lag = 2 * way_m / pitch
    pairs = [
        (m, m - j)
        for j in {int(np.floor(lag)), int(np.ceil(lag))}
        for m in range(live.size)
        if abs(j - lag) < 0.75 and 0 <= m - j < live.size and live[m] and live[m - j] and j != 0
    ]
    if len(pairs) < 6:
        return []
    old, new = (np.array(p) for p in zip(*pairs, strict=True))
    found = []
    # Centres that miss each other by different lengths see the seabed's direction with different phases.
    for j in np.unique(old - new):
        some = old - new == j
        if some.sum() < 4:
            continue
        for first in starts:
            e = _one_block(
                before, x, int(first), size, independent, old[some], new[some], phase_rad, along_m, live
            )
            if e is not None:
                found.append(e)
    return found


def _one_block(before, x, first, size, independent, old, new, phase_rad, along_m, live) -> Evidence | None:
    reach = 4
    if first < reach or first + size + reach > x.shape[-1]:
        return None
    a = before[old, first : first + size] * np.exp(-1j * phase_rad[old])[:, None]
    norm = np.sqrt(np.sum(np.abs(a) ** 2, axis=1))
    best, match = 0.0, None
    for shift in range(-reach, reach + 1):
        b = x[new, first + shift : first + shift + size] * np.exp(-1j * phase_rad[new])[:, None]
        c = np.sum(np.conj(a) * b, axis=1) / np.maximum(norm * np.sqrt(np.sum(np.abs(b) ** 2, axis=1)), 1e-30)
        total = float(np.mean(np.abs(c) ** 2))
        if total > best:
            best, match = total, c
    if match is None or best < _LEAST_COHERENCE**2:
        return None
    g = min(np.sqrt(best), 0.98)
    weight = np.full(old.size, 2 * size * independent * g**2 / (1 - g**2))
    design = np.zeros((old.size, live.size))
    design[np.arange(old.size), new] += 1
    design[np.arange(old.size), old] -= 1
    slope, common = _line_on_circle(match, along_m[new], weight)
    nuisance = np.stack([np.ones(old.size), along_m[new]], axis=1)
    residual = np.angle(match * np.exp(-1j * (slope * along_m[new] + common)))
    if np.sqrt(np.mean(residual**2)) > 0.9:
        return None
    return _eliminated(weight, design, nuisance, design @ phase_rad + residual)


def _line_on_circle(z, along_m, weight) -> tuple[float, float]:
    """Slope and phase of the straight line that unit phasors follow best."""
    span = max(np.ptp(along_m), 1e-6)
    trial = np.linspace(-3 * np.pi, 3 * np.pi, 121) / span
    total = np.exp(-1j * trial[:, None] * along_m) @ (weight * z)
    k = int(np.argmax(np.abs(total)))
    return float(trial[k]), float(np.angle(total[k]))


def _running_median(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    from scipy.ndimage import median_filter

    return median_filter(values, size=2 * half + 1, mode="nearest")
