"""Delays of a band-limited signal by sums of a few fixed filters, so that one filtering serves many delays.

A delay d turns the frequency f (in cycles per sample) by 2 pi f d: an even part cos(2 pi f d), which symmetric filters
make, and an odd part j sin(2 pi f d), which antisymmetric ones make. Over the small range of delays that an array needs
both change shape but little from delay to delay, so one or two filters of each kind, times numbers that depend on the
delay, stand for all of them. Everything is fitted by least squares over the band, weighted by the signal's spectrum.

A filter of side K is K weights h: the symmetric one adds h[k] (x[t + k] + x[t - k]) for k from 1 to K, the
antisymmetric one h[k] (x[t + k] - x[t - k]).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .interpolation import Spectrum

__all__ = ["DelayBasis", "DelayPolynomial", "delay_basis", "delay_polynomial"]

_POINTS = 121


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Weighted responses at frequencies from 0 to the band's edge; negative ones mirror them."""

    turns: NDArray[np.float64]
    weight: NDArray[np.float64]
    """(frequency,) root mean square 1, so that norms are relative rms errors."""

    @classmethod
    def of(cls, band: float, spectrum: Spectrum | None) -> _Band:
        unit = np.linspace(0, 1, _POINTS)
        weight = np.ones(_POINTS) if spectrum is None else (spectrum(unit) + spectrum(-unit)) / 2
        return cls(unit * band / 2, weight / np.linalg.norm(weight))

    def cosine(self, shift: NDArray[np.float64]) -> NDArray[np.float64]:
        """(frequency, shift)"""
        return self.weight[:, None] * np.cos(2 * np.pi * np.outer(self.turns, shift))

    def sine(self, shift: NDArray[np.float64]) -> NDArray[np.float64]:
        """(frequency, shift)"""
        return self.weight[:, None] * np.sin(2 * np.pi * np.outer(self.turns, shift))


@dataclass(frozen=True, slots=True, eq=False)
class DelayPolynomial:
    """x[t + d] = x[t] + d o1 + d^2 e1 (+ d^3 o2 + d^4 e2): antisymmetric filters o, symmetric ones e of x around t."""

    taps: NDArray[np.float64]
    """(power, side + 1): o1, e1 (, o2, e2), from the middle outward; the middle of a symmetric one counts once."""
    error: float
    """Largest relative rms error over the delays it was made for."""


@dataclass(frozen=True, slots=True, eq=False)
class DelayBasis:
    """x[t + d] = middle(d) x[t] + sum over i of even_i(d) symmetric_i + odd_i(d) antisymmetric_i."""

    symmetric: NDArray[np.float64]
    """(rank, side)"""
    antisymmetric: NDArray[np.float64]
    """(rank, side)"""
    middle: NDArray[np.float64]
    """(shift,)"""
    even: NDArray[np.float64]
    """(shift, rank) over what a filter adds to a signal of rms 1, beyond the signal itself."""
    own: NDArray[np.float64]
    """(rank,) the share of the signal itself in what a symmetric filter makes of it."""
    odd: NDArray[np.float64]
    """(shift, rank) over the same."""
    error: NDArray[np.float64]
    """(shift,) relative rms error."""


def delay_polynomial(
    most: float, band: float, spectrum: Spectrum | None, side: int, degree: int
) -> DelayPolynomial:
    """Fit delays from ``-most`` to ``most`` samples; ``degree`` is 2 or 4."""
    response = _Band.of(band, spectrum)
    shift = np.linspace(0, max(most, 1e-6), 33)
    k = np.arange(side + 1)
    powers = np.arange(1, degree // 2 + 1)
    odd = 2 * response.sine(k[1:])
    even = response.cosine(k) * np.where(k > 0, 2, 1)
    taps = np.zeros((degree, side + 1))
    parts = []
    for first, basis, wanted in (
        (0, odd, response.sine(shift)),
        (1, even, response.cosine(shift) - response.weight[:, None]),
    ):
        # Scaled powers of the delay, or the fit of the higher ones would drown.
        scaled = (shift / shift[-1]) ** (2 * powers[:, None] - (first == 0))
        design = np.einsum("ps,fk->fspk", scaled, basis).reshape(wanted.size, -1)
        fit = np.linalg.lstsq(design, wanted.ravel(), rcond=None)[0]
        parts.append((design @ fit).reshape(wanted.shape) - wanted)
        fit = fit.reshape(powers.size, -1) / shift[-1] ** (2 * powers[:, None] - (first == 0))
        taps[first::2, side + 1 - basis.shape[1] :] = fit
    error = np.sqrt(np.sum(parts[0] ** 2 + parts[1] ** 2, axis=0))
    return DelayPolynomial(taps, float(error.max()))


def delay_basis(
    shift: NDArray[np.float64],
    weight: NDArray[np.float64],
    band: float,
    spectrum: Spectrum | None,
    side: int,
    rank: int,
) -> DelayBasis:
    """The filters that serve all of ``shift`` best, and their factors for each.

    Parameters
    ----------
    shift : ndarray of float64, shape (n,)
        [samples]
    weight : ndarray of float64, shape (n,)
        How much the error at each counts, as an amplitude.
    side : int
        Weights of a filter on each side, at least ``rank``.
    rank : int
        Filters of each kind.
    """
    response = _Band.of(band, spectrum)
    k = np.arange(1, side + 1)
    identity = response.weight[:, None]
    filters, factors, left = [], [], []
    for basis, target, known in (
        (2 * response.cosine(k), response.cosine(shift), identity),
        (2 * response.sine(k), response.sine(shift), np.zeros((_POINTS, 0))),
    ):
        # What the sample itself gives already is left out, then the principal directions within the filters' reach.
        rest, aim = (v - known @ (known.T @ v) for v in (basis, target))
        inside, triangle = np.linalg.qr(rest)
        # Orthonormal directions: a factor is what its filter adds to the signal, of rms 1.
        direction = np.linalg.svd((inside.T @ aim) * weight)[0][:, :rank]
        taps = np.linalg.solve(triangle, direction)
        made = np.concatenate([known, basis @ taps], axis=1)
        fit = np.linalg.lstsq(made, target, rcond=None)[0]
        filters.append(taps.T)
        factors.append(fit.T)
        left.append(made @ fit - target)
    own = (identity.T @ (2 * response.cosine(k)) @ filters[0].T)[0]
    return DelayBasis(
        symmetric=filters[0],
        antisymmetric=filters[1],
        middle=factors[0][:, 0],
        even=factors[0][:, 1:],
        own=own,
        odd=factors[1],
        error=np.sqrt(np.sum(left[0] ** 2 + left[1] ** 2, axis=0)),
    )
