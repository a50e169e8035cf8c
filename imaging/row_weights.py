"""Weights of the vertical rows: the seabed's direction kept, arrivals by way of the surface turned down.

At each delay the rows, aligned at the seabed, add up with weights w that sum to 1, so that the seabed's echo passes as it
is. Among those weights are chosen that let through the least of a covariance A and stay robust:

    minimise w* A w   with   sum(w) = 1   and   n |w|^2 <= limit

The last bounds what white noise gains over the plain mean (w = 1/n), and with it what any mismatch of the rows can do; its
multiplier is a loading of A's diagonal. A comes from geometry (``null``), or from the rows' own echoes over a stretch of range
and some pings (``adaptive``; Capon's weights, J. Capon, Proc. IEEE 57, 1408-1418, 1969, loaded after H. Cox, R. M. Zeskind
and M. M. Owen, IEEE Trans. ASSP 35, 1365-1376, 1987; citations from memory).

Arrivals by way of the surface are those of the mirrored world: the echo that comes back by the surface after going out
straight, the one that takes it both ways, and the surface's own. The fourth, sent by the surface and received
straight, comes from the seabed's own direction: no rows can tell it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .errors import ParameterError
from .geometry import PingGeometry

__all__ = ["CombineSettings", "RowPlan", "RowWeights", "bounded_weights", "surface_sines"]

RowMode = Literal["plain", "null", "adaptive"]
_HALVINGS = 30
_SHARE = (1.0, 1.0, 0.1)
"""How much the arrivals of :func:`surface_sines` count: the surface's own echo is met at a low angle, where it is faint, and
rows have few directions to give away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CombineSettings:
    """How vertical rows are combined."""

    rows: RowMode = "plain"
    """plain: their mean, aligned at the seabed; null: arrivals by the surface turned down, from geometry; adaptive: what the
    echoes themselves show turned down."""
    largest_loss_db: float = 0.5
    """By which noise may gain over the plain mean. [dB]"""
    surface_width_deg: float = 3.0
    """Width within which arrivals by the surface are expected: waves spread them. [deg]"""
    memory_pings: int = 8
    """Pings that the adaptive form learns from."""

    def __post_init__(self) -> None:
        if self.rows not in ("plain", "null", "adaptive"):
            raise ParameterError(f"combine.rows is {self.rows!r}; allowed: plain, null, adaptive.")
        for name, low, high in (("largest_loss_db", 0.0, 6.0), ("surface_width_deg", 0.0, 30.0)):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ParameterError(f"combine.{name} is {value:g}; allowed: {low:g} to {high:g}.")
        if not 1 <= self.memory_pings <= 1000:
            raise ParameterError(f"combine.memory_pings is {self.memory_pings}; allowed: 1 to 1000.")


@dataclass(frozen=True, slots=True, eq=False)
class RowWeights:
    """Weights of one ping at some delays, and what they do to noise."""

    weight: NDArray[np.complex128]
    """(set, row, node), each summing to 1 over its set's live rows."""
    noise_gain: NDArray[np.float64]
    """(node,) noise power over that of the plain mean, mean over channels."""


def surface_sines(
    range_m: NDArray[np.float64], array_depth_m: float, drop_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Sines of elevation at which the array hears the surface, at the delay of a straight echo from ``range_m``.

    With the seabed's mirror image a height g = 2 z + h above the array at depth z and h above the seabed, paths of
    length r_d and r_s: by the surface on the way back r_d + r_s = 2 R with r_s^2 - r_d^2 = g^2 - h^2, both ways r_s = R.

    Parameters
    ----------
    range_m, drop_m : ndarray of float64, shape (node,)
        Slant range, and height of the array over the seabed. [m]

    Returns
    -------
    ndarray of float64, shape (3, node)
        Back by the surface, both ways by it, the surface's own echo; NaN where there is none yet.
    """
    g = 2 * array_depth_m + drop_m
    apart = (g - drop_m) * (g + drop_m) / (2 * range_m)
    straight, by_surface = range_m - apart / 2, range_m + apart / 2
    one = np.where(straight >= drop_m, g / by_surface, np.nan)
    two = np.where(range_m >= g, g / range_m, np.nan)
    own = np.where(range_m >= array_depth_m, array_depth_m / range_m, np.nan)
    return np.stack([one, two, own])


def bounded_weights(
    covariance: NDArray[np.complex128], live: NDArray[np.bool_], largest_gain: float
) -> NDArray[np.complex128]:
    """Weights of unit sum that let through the least, with ``n |w|^2`` at most ``largest_gain``.

    Parameters
    ----------
    covariance : ndarray of complex128, shape (node, row, row)
        Hermitian, of the rows aligned at the wanted direction.
    live : ndarray of bool, shape (row,)
        Rows that count; the others get 0.

    Returns
    -------
    ndarray of complex128, shape (node, row)
        To be conjugated by nobody: the output is the sum of weight times row.
    """
    rows = np.flatnonzero(live)
    n = rows.size
    out = np.zeros(covariance.shape[:2], np.complex128)
    if n < 2:
        out[:, rows] = 1.0
        return out
    value, vector = np.linalg.eigh(covariance[:, rows[:, None], rows])
    value = np.maximum(value, 0.0)
    top = np.maximum(value[:, -1:], 1e-300)
    value = value / top
    share = np.conj(vector).sum(axis=1)  # parts of the all-ones vector along the eigenvectors
    power = np.abs(share) ** 2

    def gain(load: NDArray[np.float64]) -> NDArray[np.float64]:
        inverse = 1 / (value + load[:, None])
        return n * np.sum(power * inverse**2, axis=1) / np.sum(power * inverse, axis=1) ** 2

    # The gain falls with the loading, to 1 where the loading is all.
    low, high = np.full(value.shape[0], np.log(1e-9)), np.full(value.shape[0], np.log(1e6))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        too_much = gain(np.exp(middle)) > largest_gain
        low, high = np.where(too_much, middle, low), np.where(too_much, high, middle)
    inverse = 1 / (value + np.exp(high)[:, None])
    weight = np.einsum("kij,kj,kj->ki", vector, inverse, share)
    out[:, rows] = np.conj(weight / weight.sum(axis=1, keepdims=True))
    return out


@dataclass(frozen=True, slots=True, eq=False)
class RowPlan:
    """One side's row weights, planned once."""

    settings: CombineSettings
    offset_m: NDArray[np.float64]
    """(row, 2) off the array's line, along normal and upward. [m]"""
    wavelength_m: float
    sets: NDArray[np.bool_]
    """(set, row) live rows of a channel, each combination once."""
    set_of_channel: NDArray[np.int64]
    """(channel,)"""

    @classmethod
    def prepare(
        cls,
        settings: CombineSettings,
        offset_m: NDArray[np.float64],
        live: NDArray[np.bool_],
        wavelength_m: float,
    ) -> RowPlan:
        """Sort channels by which of their rows live.

        Parameters
        ----------
        live : ndarray of bool, shape (row, channel)
        """
        sets, kind = np.unique(live.T, axis=0, return_inverse=True)
        return cls(settings, offset_m, wavelength_m, sets, np.ravel(kind).astype(np.int64))

    @property
    def largest_gain(self) -> float:
        """Bound on noise over that of the plain mean."""
        return float(10 ** (self.settings.largest_loss_db / 10))

    def from_geometry(
        self,
        geometry: PingGeometry,
        range_m: NDArray[np.float64],
        sine_up: NDArray[np.float64],
        seen: NDArray[np.bool_],
    ) -> RowWeights:
        """Weights that turn down arrivals by the surface, for one ping.

        Parameters
        ----------
        range_m, sine_up : ndarray of float64, shape (node,)
            Straight range of each delay [m]; sine of the seabed's direction above the normal.
        seen : ndarray of bool, shape (node,)
            Where there is a seabed; elsewhere rows are averaged plainly.
        """
        depth = float(geometry.centre_m[:, 2].mean())
        drop = np.maximum(geometry.clearance_m(), 0.01)
        elevation = surface_sines(np.maximum(range_m, 0.05), depth, drop)
        half = np.sin(np.deg2rad(self.settings.surface_width_deg) / 2)
        height = self.offset_m[:, 1] - self.offset_m[:, 1].mean()
        # Evenly spread over the width in sine: each arrival's phases agree the less, the further the rows are apart.
        spread = np.sinc(2 * half * (height[:, None] - height) / self.wavelength_m)
        covariance = np.zeros((range_m.size, height.size, height.size), np.complex128)
        wanted = self._nearer_m(sine_up)
        for share, sine in zip(_SHARE, elevation, strict=True):
            there = np.isfinite(sine)
            up = np.einsum(
                "kd,kd->k", geometry.direction_at(-np.where(there, sine, 0.0)), geometry.axes[:, 2]
            )
            there &= np.isfinite(up)
            up = np.where(there, up, 0.0)
            phase = np.exp(2j * np.pi / self.wavelength_m * (self._nearer_m(up) - wanted))
            arrival = np.where(there[:, None], phase.T, 0.0)
            covariance += share * arrival[:, :, None] * np.conj(arrival[:, None, :]) * spread
        return self.from_covariance(covariance, seen)

    def from_covariance(self, covariance: NDArray[np.complex128], seen: NDArray[np.bool_]) -> RowWeights:
        """Weights that let through the least of ``covariance`` (node, row, row)."""
        n_node = covariance.shape[0]
        weight = np.zeros((*self.sets.shape, n_node), np.complex128)
        gain = np.zeros((self.sets.shape[0], n_node))
        for k, live in enumerate(self.sets):
            n = max(int(live.sum()), 1)
            own = np.broadcast_to(live / n, (n_node, live.size)).astype(np.complex128)
            if seen.any() and n > 1:
                own[seen] = bounded_weights(covariance[seen], live, self.largest_gain)
            weight[k] = own.T
            gain[k] = n * np.sum(np.abs(own) ** 2, axis=1)
        return RowWeights(weight, gain[self.set_of_channel].mean(axis=0))

    def _nearer_m(self, sine_up: NDArray[np.float64]) -> NDArray[np.float64]:
        """(row, node) by which each row is nearer to where sound comes from than the middle of the array. [m]"""
        cosine = np.sqrt(np.maximum(0.0, 1 - sine_up**2))
        return self.offset_m[:, :1] * cosine + self.offset_m[:, 1:] * sine_up
