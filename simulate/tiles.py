"""The seabed of a way with turns: square tiles fixed to the ground, so that legs over the same ground see the same points.

Along one leg the seabed is made in bands that follow it (:mod:`pingloom.simulate.scene`). Where there are several, each
square metre has a grid of its own, as fine as the resolution cell asks for at the place of the way that comes nearest;
seen from farther away it is finer than it need be.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .cells import cell_m
from .ground import Ground
from .motion import Track
from .path import Path
from .reach import deepest_look_m, heard_range_m
from .scenario import Scenario
from .scene import Scatterers, dressed

__all__ = ["TILE_M", "Tiles"]

TILE_M = 1.0
"""Side of a tile, along and across the first leg. A constant: another size would be another random scene. [m]"""

_TILES = 12  # stream of the seed
_HALF_DIAGONAL_M = TILE_M / np.sqrt(2)
_WAY_STEP_M = 0.5  # between the places of the way whose distance sets a tile's density


@dataclass(frozen=True, slots=True, eq=False)
class Tiles:
    """The tiles around the present ping of one side; those that it can't touch are forgotten.

    Parameters
    ----------
    way_m : ndarray of float64, shape (n, 2)
        Places of the nominal way, along and across the first leg. [m]
    half_rad : float
        Half width of the sector that a ping sees.
    """

    scenario: Scenario
    ground: Ground
    sign: int
    half_rad: float
    way_m: NDArray[np.float64]
    kept: dict[tuple[int, int], Scatterers] = field(default_factory=dict)

    @classmethod
    def plan(cls, scenario: Scenario, ground: Ground, side: str, sector_sine: float) -> Tiles:
        """Prepare the tiles that one side's array sees."""
        vehicle = scenario.vehicle
        n = max(2, int(np.ceil(vehicle.duration_s * vehicle.speed_m_s / _WAY_STEP_M)) + 1)
        state = Path.of(vehicle).state(np.linspace(0, vehicle.duration_s, n))
        ahead = np.stack([np.cos(state.course_rad), np.sin(state.course_rad)], axis=-1)
        way = _leg_frame(scenario, state.origin_m + state.along_m[:, None] * ahead)
        return cls(scenario, ground, -1 if side == "port" else 1, float(np.arcsin(sector_sine)), way)

    def tile(self, i: int, j: int) -> Scatterers:
        """Make the points of one tile: always the same for a scenario's seed and way.

        It reaches from ``i`` to ``i + 1`` times :data:`TILE_M` along, and likewise from ``j`` across, the first leg.
        """
        # Keys can't be negative.
        key = (_TILES, *(2 * k if k >= 0 else -2 * k - 1 for k in (i, j)))
        rng = np.random.default_rng(np.random.SeedSequence(self.scenario.seed, spawn_key=key))
        n = self._points_a_side(i, j)
        if self.scenario.seabed.placement == "jittered":
            row, column = (k.ravel() for k in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
            shift = self.scenario.seabed.jitter * (rng.random((2, n * n)) - 0.5)
            # Odd rows begin half a step later, so that columns don't line up.
            along = (column + 0.25 + 0.5 * (row % 2) + shift[0]) / n
            across = (row + 0.5 + shift[1]) / n
        else:
            along, across = rng.random((2, rng.poisson(n * n)))
        # Unsorted: neighbours in memory then fall on different samples of the echo, which is faster.
        order = rng.permutation(along.size)
        place = np.stack([i + along[order], j + across[order]]) * TILE_M
        area = np.full(along.size, (TILE_M / n) ** 2)
        points, normal, modulus, phase = dressed(self.ground, rng, *place, area)
        return Scatterers(points, modulus, phase, normal, self.ground.law)

    def _points_a_side(self, i: int, j: int) -> int:
        centre = (np.array([i, j]) + 0.5) * TILE_M
        away = float(np.hypot(*(self.way_m - centre).T).min())
        # The cell is shortest along track at the tile's near corner, and across track at its far one.
        along = cell_m(self.scenario, max(away - _HALF_DIAGONAL_M, 0.0))[0]
        across = cell_m(self.scenario, away + _HALF_DIAGONAL_M)[1]
        # Whatever the direction a leg looks from: never fewer than one in the cell's shorter side.
        step = min(np.sqrt(along * across / self.scenario.seabed.per_cell), along, across)
        return int(np.ceil(TILE_M / step))

    def near(self, track: Track, time_s: float) -> list[Scatterers]:
        """Return the tiles that a ping's sector can touch."""
        wanted = self._wanted(track, time_s)
        made = {key: self.kept.get(key) or self.tile(*key) for key in wanted}
        self.kept.clear()
        self.kept.update(made)
        return [tile for tile in made.values() if tile.modulus.size]

    def _wanted(self, track: Track, time_s: float) -> list[tuple[int, int]]:
        scenario = self.scenario
        heading, pitch, _ = track.angles(time_s)
        here = _leg_frame(scenario, track.position(time_s)[None, :2])[0]
        arm = abs(scenario.sonar.array_forward_m) + abs(scenario.sonar.transmit_forward_m)
        spare = _HALF_DIAGONAL_M + scenario.sonar.array_length_m + arm + 0.1
        reach = heard_range_m(scenario) + spare
        first, last = (np.floor((here + s * reach) / TILE_M).astype(int) for s in (-1, 1))
        i, j = (np.arange(a, b + 1) for a, b in zip(first, last, strict=True))
        i, j = (k.ravel() for k in np.meshgrid(i, j, indexing="ij"))
        away = (np.stack([i, j], axis=-1) + 0.5) * TILE_M - here
        turn = heading - np.deg2rad(scenario.vehicle.heading_deg)
        ahead = np.cos(turn) * away[:, 0] + np.sin(turn) * away[:, 1]
        aside = self.sign * (np.cos(turn) * away[:, 1] - np.sin(turn) * away[:, 0])
        below = deepest_look_m(scenario) + track.largest("heave") + self.ground.lowest_m
        slant = np.hypot(np.hypot(*away.T) + _HALF_DIAGONAL_M, below)
        touched = np.hypot(*away.T) <= reach
        touched &= np.abs(ahead) <= slant * np.sin(self.half_rad) + below * abs(np.tan(pitch)) + spare
        touched &= aside >= -(scenario.seabed.inner_margin_m + spare)
        return list(zip(i[touched].tolist(), j[touched].tolist(), strict=True))


def _leg_frame(scenario: Scenario, place_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """From north, east to along, across of the first leg, (n, 2). [m]"""
    vehicle = scenario.vehicle
    north, east = place_m[:, 0] - vehicle.start_north_m, place_m[:, 1] - vehicle.start_east_m
    heading = np.deg2rad(vehicle.heading_deg)
    cos, sin = np.cos(heading), np.sin(heading)
    return np.stack([cos * north + sin * east, cos * east - sin * north], axis=-1)
