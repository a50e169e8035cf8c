"""Which beams and samples share a wave front, and the tables that flatten it and steer from there.

The path from a point at range r and direction cosine u to a receiver at x along the array, less r, is

    d(u, x) = sqrt(r^2 - 2 r u x + x^2) - r = -u x + x^2 (1 - u^2) / 2r + u x^3 (1 - u^2) / 2r^2 + ...

For beams at equal distances v on both sides of a middle direction, d splits into a part even in v, in which they hardly
differ and which focusing takes away sample by sample, and a part odd in v, nearly -v x, which steering takes away with
numbers that hold for many samples. A patch is a rectangle of beams and samples over which both may stand for all.

Steering sums, over receivers m, the channel a_m turned by phi_m and delayed by delta_m, both odd in v:

    exp(j phi) (c_0 a + c_e D_e a + c_o D_o a),   c_0, c_e even in delta, c_o odd

with the filters of :func:`short_delays.delay_basis`. Terms even in v add up to E, odd ones to O, and the beams are E + O
and E - O: each product counts for two beams. Where the array is symmetric about its centre and the middle direction is
square to it, receivers at x and -x have opposite phi and delta, so their sum S and difference Q can be formed first

    E = sum over pairs of  c_0 cos(phi) S + c_e cos(phi) D_e S + c_o sin(phi) j D_o S
    O = sum over pairs of  j (c_0 sin(phi) Q + c_e sin(phi) D_e Q - c_o cos(phi) j D_o Q)

and each product counts for two receivers as well. All factors are real, so real and imaginary parts go through the same
product by themselves.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._lanes import LANES
from ._steering_kernels import HALO
from ._tile import TILE_ROWS
from .aligned import aligned_zeros
from .interpolation import Spectrum
from .short_delays import DelayBasis, DelayPolynomial, delay_basis, delay_polynomial

__all__ = ["Aperture", "Patch", "plan_patches"]

_PHASE_ERROR_RAD = 0.012
"""Bound on what the even part, and the odd part, may differ from what stands for it, rms over the shaded array."""

_DELAY_ERROR = 0.008
"""Bound on a delay's relative error, rms over the shaded array at the outermost beam."""

_LEFT_OUT = 0.0015
"""What filters of receivers that hardly need them may add to that."""

_MOST_SHIFT = 1.0
"""Largest delay that steering takes; beyond, beams are cut into groups with a middle direction of their own. [samples]"""

_LARGEST_GROUPS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aperture:
    """What the plan must know of the array and of the signal."""

    along_m: NDArray[np.float64]
    """(channel,) from the centre."""
    nearer_m: NDArray[np.float64]
    """(channel,) what a receiver stands nearer to the seabed than the array's line."""
    shading: NDArray[np.float64]
    """(channel,)"""
    radians_per_m: float
    samples_per_m: float
    band: float
    spectrum: Spectrum

    def path_m(self, direction: float, range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """From points to each receiver less that to the centre (channel, range). [m]"""
        x, r = self.along_m[:, None], range_m[None, :]
        square = x**2 - 2 * r * direction * x
        # The difference of two nearly equal roots, without cancellation.
        return square / (np.sqrt(r**2 + square) + r)

    def even_m(self, middle: float, apart: float, range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Part of the path that beams at ``middle`` plus and minus ``apart`` share (channel, range). [m]"""
        return (self.path_m(middle + apart, range_m) + self.path_m(middle - apart, range_m)) / 2

    def odd_m(self, middle: float, apart: float, range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Part of the path in which they are opposite (channel, range). [m]"""
        return (self.path_m(middle + apart, range_m) - self.path_m(middle - apart, range_m)) / 2

    def phase_rms(self, path_m: NDArray[np.float64]) -> float:
        """Phase of a path (channel, range) about its mean, rms over the shaded array, at its worst range. [rad]

        A phase that all receivers share turns a beam, but neither defocuses nor bends it.
        """
        phase = self.radians_per_m * path_m
        power = (phase - self.shading @ phase / self.shading.sum()) ** 2
        return float(np.sqrt((self.shading**2 @ power) / np.sum(self.shading**2)).max())

    @property
    def symmetric(self) -> bool:
        """Whether receivers stand in pairs on both sides of the centre, within a hair of a wavelength."""
        apart = np.abs(self.along_m + self.along_m[::-1]).max()
        return bool(self.radians_per_m * apart < 1e-2)


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """Tables of some beams and samples."""

    beams: tuple[int, int]
    samples: tuple[int, int]
    first: int
    """Sample at which the focus begins; it ends at ``past``."""
    past: int
    plus: NDArray[np.int64]
    """(series,) channels, outermost first; where the array folds, those on one side."""
    minus: NDArray[np.int64]
    """(series,) the same places on the other side; -1 where there is none."""
    folded: bool
    shading: NDArray[np.float32]
    """(channel,)"""
    table_of: NDArray[np.int64]
    """(channel,) which of the tables a channel has."""
    run_start: NDArray[np.int64]
    """(table, run + 1) from ``first``; a run of samples shares its whole shift."""
    run_shift: NDArray[np.int64]
    """(table, run)"""
    table: NDArray[np.float32]
    """(table, 3, sample) rest of the shift in samples, cosine and sine of the phase."""
    polynomial: DelayPolynomial
    taps: NDArray[np.float32]
    """(power, side + 1) of the polynomial."""
    half_beams: NDArray[np.int64]
    """(2, half) beams at plus and minus v, below ``beams``' end; -1 where there is none."""
    basis: DelayBasis
    symmetric: NDArray[np.float32]
    antisymmetric: NDArray[np.float32]
    """(rank, side) of the basis."""
    used: NDArray[np.int64]
    """(kind,) how many of the series, from the outermost, a kind of term is summed over: c_0, then c_e and c_o of each
    rank in turn."""
    factors: NDArray[np.float32]
    """(E or O, block, row, 4) of four half beams a block; a row is a series of a kind."""

    @property
    def n_table_bytes(self) -> int:
        """Of all tables. [bytes]"""
        return self.table.nbytes + self.factors.nbytes + self.run_start.nbytes + self.run_shift.nbytes


def plan_patches(
    aperture: Aperture, direction: NDArray[np.float64], range_m: NDArray[np.float64], nearest_range_m: float
) -> tuple[Patch, ...]:
    """Cut beams (equally spaced ``direction``) and samples (``range_m``) into patches, from near to far."""
    return tuple(
        _patch(aperture, direction, beams, samples, range_m, nearest_range_m)
        for beams, samples in _tiling(aperture, direction, range_m, nearest_range_m)
    )


def _tiling(
    aperture: Aperture, direction: NDArray[np.float64], range_m: NDArray[np.float64], nearest_range_m: float
) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Rectangles of beams and samples.

    Steps of a quarter of an octave of range each get as few groups of beams as the even part allows; steps with equally
    many groups join as far as the odd part allows, beginning with the farthest, where it changes least.
    """
    n_step = max(1, int(np.ceil(4 * np.log2(max(range_m[-1] / nearest_range_m, 1.01)))))
    edge = nearest_range_m * 2.0 ** (np.arange(n_step + 1) / 4)
    groups = [_groups(aperture, direction, r) for r in edge[:-1]]
    zones: list[tuple[int, int]] = []
    past = n_step
    while past > 0:
        begin = past - 1
        while (
            begin > 0
            and len(groups[begin - 1]) == len(groups[begin])
            and _odd_error(aperture, direction, groups[begin], edge[begin - 1], edge[past])
            <= _PHASE_ERROR_RAD
        ):
            begin -= 1
        zones.append((begin, past))
        past = begin
    sample = np.searchsorted(range_m, edge)
    sample[0], sample[-1] = 0, range_m.size
    for begin, past in reversed(zones):
        first, last = int(sample[begin]), int(sample[past])
        if last > first:
            yield from ((beams, (first, last)) for beams in groups[begin])


def _middle(direction: NDArray[np.float64], beams: tuple[int, int]) -> tuple[float, float, float]:
    """Middle direction of some beams, and the least and the largest distance from it."""
    low, high = direction[beams[0]], direction[beams[1] - 1]
    step = direction[1] - direction[0] if direction.size > 1 else 0.0
    return (low + high) / 2, step / 2 * ((beams[1] - beams[0] + 1) % 2), (high - low) / 2


def _groups(aperture: Aperture, direction: NDArray[np.float64], range_m: float) -> list[tuple[int, int]]:
    """Cut the beams into runs that one focus serves at a range."""
    group = [(0, direction.size)]
    for n in range(1, min(direction.size, _LARGEST_GROUPS) + 1):
        edge = np.linspace(0, direction.size, n + 1).round().astype(int)
        group = [(int(a), int(b)) for a, b in itertools.pairwise(edge)]
        if all(_served(aperture, direction, beams, np.array([range_m])) for beams in group):
            return group
    return group


def _served(aperture, direction, beams: tuple[int, int], range_m: NDArray[np.float64]) -> bool:
    middle, least, most = _middle(direction, beams)
    if most * np.abs(aperture.along_m).max() * aperture.samples_per_m > _MOST_SHIFT:
        return False
    off = (aperture.even_m(middle, most, range_m) - aperture.even_m(middle, least, range_m)) / 2
    return aperture.phase_rms(off) <= _PHASE_ERROR_RAD


def _odd_error(aperture, direction, groups, near_m: float, far_m: float) -> float:
    """Worst phase error of steering by the mean of what two ranges ask for. [rad]"""
    worst = 0.0
    for beams in groups:
        middle, _, most = _middle(direction, beams)
        odd = aperture.odd_m(middle, most, np.array([near_m, far_m]))
        worst = max(worst, aperture.phase_rms((odd[:, :1] - odd[:, 1:]) / 2))
    return worst


def _patch(
    aperture: Aperture,
    direction: NDArray[np.float64],
    beams: tuple[int, int],
    samples: tuple[int, int],
    range_m: NDArray[np.float64],
    nearest_range_m: float,
) -> Patch:
    middle, least, most = _middle(direction, beams)
    first, past = max(0, samples[0] - HALO), min(range_m.size, samples[1] + HALO)
    folded = bool(aperture.symmetric and abs(middle) < 1e-9)
    plus, minus = _series(aperture.along_m, folded)
    near = range_m[first:past]
    even_m = (aperture.even_m(middle, least, near) + aperture.even_m(middle, most, near)) / 2
    even_m -= aperture.nearer_m[:, None]
    even_m, table_of = _without_twins(aperture, even_m, plus, minus)
    shift = even_m * aperture.samples_per_m
    whole = np.rint(shift).astype(np.int64)
    run_start, run_shift = _runs(whole)
    table = aligned_zeros(even_m.shape[0], 3, _rounded_up(past - first))
    phase = aperture.radians_per_m * even_m
    for k, part in enumerate((shift - whole, np.cos(phase), np.sin(phase))):
        table[:, k, : past - first] = part
    polynomial = _polynomial(aperture, float(np.abs(shift - whole).max()))

    count = beams[1] - beams[0]
    half = np.arange((count + 1) // 2)
    apart = most - (half.size - 1 - half) * (direction[1] - direction[0] if direction.size > 1 else 0.0)
    half_beams = np.stack([beams[0] + count // 2 + half, beams[0] + (count - 1) // 2 - half])
    if count % 2:
        half_beams[1, 0] = -1  # the middle beam is its own mirror image
    ends = np.maximum(range_m[[samples[0], samples[1] - 1]], nearest_range_m)
    odd_m = np.stack([aperture.odd_m(middle, v, ends).mean(axis=1)[plus] for v in apart])
    power = aperture.shading[plus] ** 2 + np.where(minus >= 0, aperture.shading[minus] ** 2, 0)
    weight = np.sqrt(power / power.sum())
    basis = _basis(aperture, odd_m * aperture.samples_per_m, weight)
    used, factors = _factors(basis, aperture.radians_per_m * odd_m, weight)
    return Patch(
        beams=beams,
        samples=samples,
        first=first,
        past=past,
        plus=plus,
        minus=minus,
        folded=folded,
        shading=aperture.shading.astype(np.float32),
        table_of=table_of,
        run_start=run_start,
        run_shift=run_shift,
        table=table,
        polynomial=polynomial,
        taps=polynomial.taps.astype(np.float32),
        half_beams=half_beams,
        basis=basis,
        symmetric=basis.symmetric.astype(np.float32),
        antisymmetric=basis.antisymmetric.astype(np.float32),
        used=used,
        factors=factors,
    )


def _rounded_up(n: int) -> int:
    return -(-n // LANES) * LANES


def _series(along_m: NDArray[np.float64], folded: bool) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Channels, outermost first, and their mirror images, -1 where there are none."""
    n = along_m.size
    if not folded:
        plus = np.argsort(-np.abs(along_m), kind="stable")
        return plus, np.full(n, -1)
    minus = np.arange((n + 1) // 2)
    plus = n - 1 - minus
    return plus, np.where(minus == plus, -1, minus)


def _without_twins(
    aperture: Aperture, path_m: NDArray[np.float64], plus: NDArray[np.int64], minus: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Rows of paths that differ, and which of them each channel has: mirror images often share theirs."""
    rows: list[NDArray[np.float64]] = []
    table_of = np.zeros(path_m.shape[0], np.int64)
    for p, m in zip(plus, minus, strict=True):
        table_of[p] = len(rows)
        rows.append(path_m[p])
        if m >= 0:
            if aperture.radians_per_m * np.abs(path_m[m] - path_m[p]).max() > 1e-3:
                rows.append(path_m[m])
            table_of[m] = len(rows) - 1
    return np.stack(rows), table_of


def _runs(shift: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Runs of equal shift along each row of (channel, sample); rows with fewer runs end in empty ones."""
    n_channel, n = shift.shape
    cuts = [np.flatnonzero(np.diff(row)) + 1 for row in shift]
    n_run = max(c.size for c in cuts) + 1
    start = np.full((n_channel, n_run + 1), n, np.int64)
    value = np.zeros((n_channel, n_run), np.int64)
    for m, cut in enumerate(cuts):
        start[m, 0] = 0
        start[m, 1 : cut.size + 1] = cut
        value[m, : cut.size + 1] = shift[m, start[m, : cut.size + 1]]
    return start, value


def _polynomial(aperture: Aperture, most: float) -> DelayPolynomial:
    """The cheapest one that is good enough, else the best."""
    for side, degree in ((2, 2), (4, 2), (4, 4)):
        made = delay_polynomial(most, aperture.band, aperture.spectrum, side, degree)
        if made.error <= _DELAY_ERROR:
            break
    return made


def _basis(aperture: Aperture, shift: NDArray[np.float64], weight: NDArray[np.float64]) -> DelayBasis:
    """The cheapest filters that are good enough for shifts (half beam, series), else the best."""
    each = np.broadcast_to(weight, shift.shape).ravel()
    for side, rank in ((2, 1), (4, 1), (4, 2), (6, 2), (HALO, 2)):
        made = delay_basis(shift.ravel(), each, aperture.band, aperture.spectrum, side, rank)
        of_beam = np.sqrt(np.sum((made.error.reshape(shift.shape) * weight) ** 2, axis=1))
        if of_beam.max() <= _DELAY_ERROR:
            break
    return made


def _factors(
    basis: DelayBasis, phase: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """How many series each kind of term needs, and the real factors of all."""
    n_half, n_series = phase.shape
    cosine, sine = np.cos(phase), np.sin(phase)
    middle = basis.middle.reshape(phase.shape)
    even, odd = (part.reshape(*phase.shape, -1) for part in (basis.even, basis.odd))
    used, kinds = [n_series], []
    for i in range(even.shape[2]):
        for part in (even[..., i], odd[..., i]):
            adds = np.abs(part).max(axis=0) * weight
            rest = np.sqrt(np.cumsum(adds[::-1] ** 2))[::-1]
            used.append(int(np.count_nonzero(rest > _LEFT_OUT)))
        # Where the symmetric filter is left out, its share of the signal itself is not.
        without = np.arange(n_series) >= used[-2]
        middle = middle + np.where(without, basis.own[i] * even[..., i], 0)
        kinds += [(even[..., i] * cosine, even[..., i] * sine), (odd[..., i] * sine, -odd[..., i] * cosine)]
    kinds.insert(0, (middle * cosine, middle * sine))
    n_block = -(-n_half // TILE_ROWS)
    rows = np.concatenate([np.stack(pair)[..., :n] for pair, n in zip(kinds, used, strict=True)], axis=2)
    factors = np.zeros((2, n_block * TILE_ROWS, rows.shape[2]), np.float32)
    factors[:, :n_half] = rows
    factors = factors.reshape(2, n_block, TILE_ROWS, -1)
    return np.array(used), np.ascontiguousarray(np.moveaxis(factors, 2, 3))
