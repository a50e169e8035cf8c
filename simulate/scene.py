"""The seabed as point scatterers, speckled, made block by block.

The scatterers are the same in every look, so a fluctuation of their local *power* is common to all looks and never
averages out: 1/ENL = 1/ENL_looks + kappa/N_eff, with N_eff about 2.87 times the scatterers in a resolution cell and
kappa = 2 for complex Gaussian amplitudes at random places. The default, equal moduli and random phases on a jittered
grid, has kappa near 0.

The law of backscatter is applied ping by ping, with the angle to the surface at which the transmitter sees each
scatterer; only the *density* of the scatterers follows the nominal leg, over a flat seabed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .cells import cell_m
from .ground import Ground
from .motion import Track
from .reach import own_range_m
from .scenario import Scenario

__all__ = ["BLOCK_M", "Scatterers", "Seabed", "dressed"]

BLOCK_M = 1.0
"""Length of a seabed block along the leg. A constant: another length would be another random scene. [m]"""

_STRIPES = 8
_SCENE, _BEYOND = 0, 13  # streams of the seed


@dataclass(frozen=True, slots=True, eq=False)
class Scatterers:
    """Points that echo.

    Parameters
    ----------
    place_m : ndarray of float64, shape (3, n)
        North, east, depth. [m]
    modulus : ndarray of float64, shape (n,)
        Square root of the target strength (Lambert surfaces: seen head-on). [m]
    phase_cycles : ndarray of float64, shape (n,)
        Phase of the complex amplitude.
    normal : ndarray of float64, shape (3,) or (3, n)
        Unit normal of the surface that the points lie on, outward; zeros for points that echo all round.
    law : ndarray of float64, shape (m,) or (0,)
        Factor of the modulus at evenly spaced grazing angles from 0 to 90 degrees; empty: their sine, Lambert's law.
    """

    place_m: NDArray[np.float64]
    modulus: NDArray[np.float64]
    phase_cycles: NDArray[np.float64]
    normal: NDArray[np.float64]
    law: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class Seabed:
    """The seabed that one side's array sees, in blocks along the leg that are made when asked for.

    Across track it is cut in bands, each with a grid that suits the resolution cell at its range.

    Parameters
    ----------
    edge_m : ndarray of float64, shape (band + 1,)
        Edges of the bands, distance from the leg to the array's side. [m]
    per_block : ndarray of int64, shape (band,)
        Points of each band in a block.
    stripe : ndarray of int64, shape (stripe + 1,)
        First band of each stripe. Points are shuffled within a stripe, so that a ping can leave out the near stripes of
        the blocks ahead and astern.
    """

    scenario: Scenario
    ground: Ground
    sign: int
    edge_m: NDArray[np.float64]
    per_block: NDArray[np.int64]
    stripe: NDArray[np.int64]
    stream: int = _SCENE

    @classmethod
    def plan(cls, scenario: Scenario, side: str, ground: Ground | None = None) -> Seabed:
        """Lay out the bands from the nominal leg; ``ground`` may be given where it is known."""
        ground = Ground.of(scenario) if ground is None else ground
        track = Track.of(scenario)
        motion_m = track.largest("surge", "sway", "heave")
        far = _ground_m(scenario, ground, own_range_m(scenario)) + motion_m + 0.5
        bands = _bands(scenario, -(scenario.seabed.inner_margin_m + motion_m), far)
        return cls(scenario, ground, -1 if side == "port" else 1, *bands)

    def beyond(self, range_m: float) -> Seabed:
        """Go on from the far edge to where a slant range reaches, with draws of its own: this one stays as it is."""
        stop = own_range_m(self.scenario)
        near, far = (_ground_m(self.scenario, self.ground, r) for r in (stop, range_m))
        edge = float(self.edge_m[-1])
        bands = _bands(self.scenario, edge, edge + max(far - near, 0.1))
        return Seabed(self.scenario, self.ground, self.sign, *bands, stream=_BEYOND)

    @property
    def n_point(self) -> int:
        """Points in a block."""
        return int(self.per_block.sum())

    @property
    def stripe_range_m(self) -> NDArray[np.float64]:
        """Distance across track of each stripe's far edge from the leg, (stripe,). [m]"""
        return np.abs(self.edge_m[self.stripe[1:]])

    def block(self, index: int) -> list[Scatterers]:
        """Make the points of one block, a group for each stripe: always the same for a scenario's seed, side and index.

        The block reaches from ``index`` to ``index + 1`` times :data:`BLOCK_M` along the leg.
        """
        seabed = self.scenario.seabed
        # Keys can't be negative: blocks behind the start get odd numbers.
        key = (self.stream, int(self.sign < 0), 2 * index if index >= 0 else -2 * index - 1)
        rng = np.random.default_rng(np.random.SeedSequence(self.scenario.seed, spawn_key=key))
        draw = self._jittered if seabed.placement == "jittered" else self._random
        band, along, across, area = draw(rng)
        # Unsorted in range: neighbours in memory then fall on different samples of the echo, which is faster.
        stripe = np.searchsorted(self.stripe, band, side="right") - 1
        order = np.argsort(stripe + rng.random(band.size), kind="stable")
        along, across, area = along[order] + index * BLOCK_M, across[order] * self.sign, area[order]
        place, normal, modulus, phase = dressed(self.ground, rng, along, across, area)
        ends = np.searchsorted(stripe[order], np.arange(self.stripe.size))
        return [self._group(place, modulus, phase, normal, i, j) for i, j in itertools.pairwise(ends)]

    def _group(self, place, modulus, phase, normal, i: int, j: int) -> Scatterers:
        own = normal if normal.ndim == 1 else np.ascontiguousarray(normal[:, i:j])
        return Scatterers(place[:, i:j], modulus[i:j], phase[i:j], own, self.ground.law)

    def _jittered(self, rng: np.random.Generator) -> tuple[NDArray[np.float64], ...]:
        band = np.repeat(np.arange(self.per_block.size), self.per_block)
        first = np.cumsum(self.per_block) - self.per_block
        number = np.arange(band.size) - first[band]
        shift = self.scenario.seabed.jitter * (rng.random((2, band.size)) - 0.5)
        step = BLOCK_M / self.per_block[band]
        # Odd bands begin half a step later, so that columns don't line up across track.
        along = (number + 0.25 + 0.5 * (band % 2) + shift[0]) * step
        width = np.diff(self.edge_m)[band]
        across = self.edge_m[band] + (0.5 + shift[1]) * width
        return band, along, across, step * width

    def _random(self, rng: np.random.Generator) -> tuple[NDArray[np.float64], ...]:
        n = rng.poisson(self.n_point)
        band = rng.choice(self.per_block.size, size=n, p=self.per_block / self.n_point)
        width = np.diff(self.edge_m)[band]
        across = self.edge_m[band] + rng.random(n) * width
        return band, rng.random(n) * BLOCK_M, across, BLOCK_M / self.per_block[band] * width


def _ground_m(scenario: Scenario, ground: Ground, range_m: float) -> float:
    """Distance across track at which a slant range meets the seabed."""
    nearest = max(scenario.altitude_m - ground.highest_m, 0.0)  # a risen seabed is met farther out
    return float(np.sqrt(range_m**2 - nearest**2))


def _bands(scenario: Scenario, edge_m: float, far_m: float) -> tuple[NDArray, NDArray, NDArray]:
    """Edges of bands from one distance to another, points of each in a block, first band of each stripe."""
    edge, count = [edge_m], []
    while edge[-1] < far_m:
        along, across = cell_m(scenario, edge[-1])
        fine = np.sqrt(scenario.seabed.per_cell)
        edge.append(edge[-1] + across / fine)
        count.append(int(np.ceil(BLOCK_M * fine / along)))
    per_block = np.array(count, dtype=np.int64)
    # Stripes of equally many points.
    share = np.cumsum(per_block) / per_block.sum()
    stripe = np.searchsorted(share, np.arange(_STRIPES) / _STRIPES)
    return np.array(edge), per_block, np.append(stripe, per_block.size)


def dressed(
    ground: Ground,
    rng: np.random.Generator,
    along_m: NDArray[np.float64],
    across_m: NDArray[np.float64],
    area_m2: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Give points of the seabed their place, normal, modulus and phase.

    Parameters
    ----------
    along_m, across_m : ndarray of float64, shape (n,)
        In the frame of the first leg. [m]
    area_m2 : ndarray of float64, shape (n,)
        Of the flat seabed that each stands for.

    Returns
    -------
    place_m, normal, modulus, phase_cycles
        As in :class:`Scatterers`.
    """
    modulus = np.sqrt(area_m2 * ground.reflectivity(along_m, across_m))
    if ground.scenario.seabed.law == "gaussian":
        modulus *= np.sqrt(rng.exponential(size=modulus.size))  # |.| of a complex Gaussian, mean power 1
    phase = rng.random(along_m.size)
    return (*_raised(ground, along_m, across_m, modulus), phase)


def _raised(ground: Ground, along_m, across_m, modulus) -> tuple[NDArray[np.float64], ...]:
    """Put points onto the relief: their places, normals and moduli, by the area that is theirs there."""
    relief, scenario = ground.relief, ground.scenario
    north, east = scenario.world_place(along_m, across_m)
    if relief.flat:
        place = np.stack([north, east, np.full(along_m.size, scenario.seabed_depth_m)])
        return place, np.array([0.0, 0.0, -1.0]), modulus
    normal, area = relief.normal(north, east)
    if relief.plane and along_m.size:
        normal = normal[:, 0].copy()
    return np.stack([north, east, relief.depth_m(north, east)]), normal, modulus * np.sqrt(area)
