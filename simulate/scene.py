"""The scene as point scatterers: a speckled flat seabed made block by block, and the targets on it.

The scatterers are the same in every look, so a fluctuation of their local *power* is common to all looks and never
averages out: 1/ENL = 1/ENL_looks + kappa/N_eff, with N_eff about 2.87 times the scatterers in a resolution cell and
kappa = 2 for complex Gaussian amplitudes at random places. The default, equal moduli and random phases on a jittered
grid, has kappa near 0.

Lambert's law is applied ping by ping, with the grazing angle at which the transmitter sees each scatterer; only the
*density* of the scatterers follows the nominal leg.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .motion import Track
from .occlusion import box_heading_rad
from .scenario import Scenario, Target

__all__ = ["BLOCK_M", "Scatterers", "Seabed", "target_scatterers"]

BLOCK_M = 1.0
"""Length of a seabed block along the leg. A constant: another length would be another random scene. [m]"""

_SLANT_CELL = 0.886  # -3 dB width of a uniform band or aperture, in units of its reciprocal
_STEEPEST = 0.25  # below the vehicle the range cell has no finite ground length: it is cut at 4 slant cells
_STRIPES = 8
_SCENE, _FACES = 0, 1  # streams of the seed


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
    normal : ndarray of float64, shape (3,)
        Unit normal of the surface that the points lie on, outward; zeros for points that echo all round.
    """

    place_m: NDArray[np.float64]
    modulus: NDArray[np.float64]
    phase_cycles: NDArray[np.float64]
    normal: NDArray[np.float64]


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
    sign: int
    edge_m: NDArray[np.float64]
    per_block: NDArray[np.int64]
    stripe: NDArray[np.int64]

    @classmethod
    def plan(cls, scenario: Scenario, side: str) -> Seabed:
        """Lay out the bands from the nominal leg."""
        track = Track.of(scenario)
        motion_m = track.largest("surge", "sway", "heave")
        far = np.sqrt(scenario.sonar.range_stop_m**2 - scenario.altitude_m**2) + motion_m + 0.5
        edge, count = [-(scenario.seabed.inner_margin_m + motion_m)], []
        while edge[-1] < far:
            along, across = cell_m(scenario, edge[-1])
            fine = np.sqrt(scenario.seabed.per_cell)
            edge.append(edge[-1] + across / fine)
            count.append(int(np.ceil(BLOCK_M * fine / along)))
        sign = -1 if side == "port" else 1
        per_block = np.array(count, dtype=np.int64)
        # Stripes of equally many points.
        share = np.cumsum(per_block) / per_block.sum()
        stripe = np.searchsorted(share, np.arange(_STRIPES) / _STRIPES)
        return cls(scenario, sign, np.array(edge), per_block, np.append(stripe, per_block.size))

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
        key = (_SCENE, int(self.sign < 0), 2 * index if index >= 0 else -2 * index - 1)
        rng = np.random.default_rng(np.random.SeedSequence(self.scenario.seed, spawn_key=key))
        draw = self._jittered if seabed.placement == "jittered" else self._random
        band, along, across, area = draw(rng)
        # Unsorted in range: neighbours in memory then fall on different samples of the echo, which is faster.
        stripe = np.searchsorted(self.stripe, band, side="right") - 1
        order = np.argsort(stripe + rng.random(band.size), kind="stable")
        along, across, area = along[order] + index * BLOCK_M, across[order] * self.sign, area[order]
        modulus = np.sqrt(area * 10 ** (seabed.lambert_db / 10))
        if seabed.law == "gaussian":
            modulus *= np.sqrt(rng.exponential(size=modulus.size))  # |.| of a complex Gaussian, mean power 1
        north, east = self.scenario.world_place(along, across)
        place = np.stack([north, east, np.full(along.size, self.scenario.seabed_depth_m)])
        phase, up = rng.random(along.size), np.array([0.0, 0.0, -1.0])
        ends = np.searchsorted(stripe[order], np.arange(self.stripe.size))
        return [Scatterers(place[:, i:j], modulus[i:j], phase[i:j], up) for i, j in itertools.pairwise(ends)]

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


def cell_m(scenario: Scenario, across_m: float) -> tuple[float, float]:
    """Along and across length on the ground of the nominal -3 dB resolution cell. [m]"""
    sonar = scenario.sonar
    slant = float(np.hypot(across_m, scenario.altitude_m))
    across = _SLANT_CELL * scenario.water.sound_speed_m_s / (2 * abs(sonar.sweep_hz))
    across /= max(abs(across_m) / slant, _STEEPEST)
    if scenario.seabed.cell_along_m is not None:
        return scenario.seabed.cell_along_m, across
    return _SLANT_CELL * scenario.wavelength_m * slant / sonar.array_length_m, across


def target_scatterers(scenario: Scenario) -> list[Scatterers]:
    """Return the scatterers of all targets in the scenario's order; a box gives one group for each face."""
    groups = []
    for number, target in enumerate(scenario.targets):
        groups += [_point(scenario, target)] if target.kind == "point" else _box(scenario, target, number)
    return groups


def _point(scenario: Scenario, target: Target) -> Scatterers:
    north, east = scenario.world_place(*scenario.leg_place(target))
    place = np.array([[north], [east], [scenario.seabed_depth_m - target.height_m]])
    modulus = np.array([10 ** (target.strength_db / 20)])
    return Scatterers(place, modulus, np.zeros(1), np.zeros(3))


def _box(scenario: Scenario, target: Target, number: int) -> list[Scatterers]:
    """Cover five faces (not the underside) with jittered points of equal modulus and random phase."""
    rng = np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=(_FACES, number)))
    along, across = scenario.leg_place(target)
    # A square grid as fine as the seabed's finer spacing: faces are seen from any side.
    step = min(cell_m(scenario, across)) / np.sqrt(scenario.seabed.per_cell)
    half = np.array(target.size_m) / 2
    heading = box_heading_rad(scenario, target)
    turn = np.array(
        [[np.cos(heading), -np.sin(heading), 0], [np.sin(heading), np.cos(heading), 0], [0, 0, 1]]
    )
    north, east = scenario.world_place(along, across)
    centre = np.array([north, east, scenario.seabed_depth_m - target.height_m - half[2]])
    groups = []
    for axis, sign in ((2, -1), (0, 1), (0, -1), (1, 1), (1, -1)):
        place, normal, area = _face(rng, half, axis, sign, step)
        modulus = np.full(place.shape[1], np.sqrt(area * 10 ** (target.strength_db / 10)))
        world = np.ascontiguousarray(turn @ place + centre[:, None])
        groups.append(Scatterers(world, modulus, rng.random(modulus.size), turn @ normal))
    return groups


def _face(
    rng: np.random.Generator, half: NDArray[np.float64], axis: int, sign: int, step: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Points (3, n) and outward normal (3,) of one face of a box in its own axes, and the area of each point."""
    u, v = (k for k in range(3) if k != axis)
    n = [max(1, int(np.ceil(2 * half[k] / step))) for k in (u, v)]
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n[0]), np.arange(n[1]), indexing="ij"))
    shift = 0.5 * (rng.random((2, i.size)) - 0.5) + 0.5
    place = np.empty((3, i.size))
    place[axis] = sign * half[axis]
    place[u] = ((i + shift[0]) / n[0] * 2 - 1) * half[u]
    place[v] = ((j + shift[1]) / n[1] * 2 - 1) * half[v]
    normal = np.zeros(3)
    normal[axis] = sign
    return place, normal, float(4 * half[u] * half[v] / i.size)
