"""The seabed's relief: a slope, ripples and pits on it, known exactly everywhere, and what their crests hide.

Heights are above the flat seabed of the scenario, positive up. Everything here is analytic: normals are derivatives, not
differences, and a scatterer is hidden by the relief itself, ping by ping.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from .scenario import Scenario

__all__ = ["RELIEF_COLUMNS", "Relief", "overlooked"]

RELIEF_COLUMNS = 6
"""Columns of a relief's table. Row 0: north and east slope of the plane, depth of the plane at the world's origin [m],
highest rise above it [m], steepest slope on it, step along a ray [m]. Others: kind (1 ripples, 2 pit), four values, 0."""

_RIPPLES, _PIT = 1.0, 2.0
_STEPS = 16  # samples of a ripple's wavelength, or of a pit's radius, along a ray


@dataclass(frozen=True, slots=True, eq=False)
class Relief:
    """Slope, ripples and pits of a scenario, in the world's frame.

    Parameters
    ----------
    table : ndarray of float64, shape (row, :data:`RELIEF_COLUMNS`)
    """

    table: NDArray[np.float64]

    @classmethod
    def of(cls, scenario: Scenario) -> Relief:
        """Return the relief that a scenario describes."""
        seabed = scenario.seabed
        ahead, aside = (
            math.tan(math.radians(v or 0.0)) for v in (seabed.slope_along_deg, seabed.slope_across_deg)
        )
        heading = math.radians(scenario.vehicle.heading_deg)
        north, east = _turned(ahead, aside, heading)
        start = scenario.vehicle.start_north_m, scenario.vehicle.start_east_m
        depth = scenario.seabed_depth_m + north * start[0] + east * start[1]
        rows = [_ripple_row(r, heading, start) for r in seabed.ripples or ()]
        pits = [t for t in scenario.targets if t.kind == "depression"]
        rows += [
            (_PIT, *scenario.world_place(*scenario.leg_place(t)), t.radius_m, t.depth_m, 0.0) for t in pits
        ]
        crest = sum(r[3] for r in rows if r[0] == _RIPPLES)
        slopes = [r.slope for r in seabed.ripples or ()] + [
            math.pi * t.depth_m / 2 / t.radius_m for t in pits
        ]
        steps = [r.wavelength_m for r in seabed.ripples or ()] + [t.radius_m for t in pits]
        step = min(steps, default=math.inf) / _STEPS
        return cls(np.array([(north, east, depth, crest, sum(slopes), step), *rows], dtype=np.float64))

    @property
    def flat(self) -> bool:
        """Whether there is neither slope nor ripple nor pit."""
        return self.plane and not self.table[0, :2].any()

    @property
    def plane(self) -> bool:
        """Whether there is neither ripple nor pit."""
        return self.table.shape[0] == 1

    def plane_depth_m(self, north_m: ArrayLike, east_m: ArrayLike) -> NDArray[np.float64]:
        """Depth of the slope alone. [m]"""
        top = self.table[0]
        return top[2] - top[0] * np.asarray(north_m) - top[1] * np.asarray(east_m)

    def depth_m(self, north_m: ArrayLike, east_m: ArrayLike) -> NDArray[np.float64]:
        """Depth of the seabed. [m]"""
        north, east = np.asarray(north_m, dtype=np.float64), np.asarray(east_m, dtype=np.float64)
        depth = self.plane_depth_m(north, east)
        for kind, a, b, c, d, _ in self.table[1:]:
            if kind == _RIPPLES:
                depth = depth - c * np.cos(a * north + b * east + d)
            else:
                depth = depth + d * _bowl(np.hypot(north - a, east - b) / c)[0]
        return depth

    def slopes(
        self, north_m: ArrayLike, east_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Rise per metre to north and to east."""
        north, east = np.asarray(north_m, dtype=np.float64), np.asarray(east_m, dtype=np.float64)
        to_north, to_east = np.full(north.shape, self.table[0, 0]), np.full(north.shape, self.table[0, 1])
        for kind, a, b, c, d, _ in self.table[1:]:
            if kind == _RIPPLES:
                fall = -c * np.sin(a * north + b * east + d)
                to_north, to_east = to_north + a * fall, to_east + b * fall
            else:
                x, y = (north - a) / c, (east - b) / c
                # The bowl's derivative over its radius stays finite in the middle.
                steep = -d / c * _bowl(np.hypot(x, y))[1]
                to_north, to_east = to_north + steep * x, to_east + steep * y
        return to_north, to_east

    def normal(
        self, north_m: ArrayLike, east_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Upward unit normals (3, ...) and the area of the surface over that of its plan (...)."""
        north, east = self.slopes(north_m, east_m)
        area = np.sqrt(1 + north**2 + east**2)
        return np.stack([-north, -east, -np.ones_like(area)]) / area, area


def _turned(along: float, across: float, heading_rad: float) -> tuple[float, float]:
    """Turn a horizontal vector of the leg's frame to north and east."""
    cos, sin = math.cos(heading_rad), math.sin(heading_rad)
    return cos * along - sin * across, sin * along + cos * across


def _ripple_row(ripples, heading: float, start: tuple[float, float]) -> tuple[float, ...]:
    wave = 2 * math.pi / ripples.wavelength_m
    direction = heading + math.radians(ripples.direction_deg)
    north, east = wave * math.cos(direction), wave * math.sin(direction)
    phase = math.radians(ripples.phase_deg) - north * start[0] - east * start[1]
    return (_RIPPLES, north, east, ripples.height_m / 2, phase, 0.0)


def _bowl(x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Depth of a pit of unit depth and radius, cos^2(pi x / 2), and its derivative over x."""
    inside = x < 1
    depth = np.where(inside, np.cos(np.pi * np.minimum(x, 1) / 2) ** 2, 0.0)
    # d/dx cos^2(pi x / 2) = -pi/2 sin(pi x), over x: -pi^2/2 sinc(x)
    return depth, np.where(inside, -(np.pi**2) / 2 * np.sinc(x), 0.0)


@njit(nogil=True, cache=True, error_model="numpy")
def _rise(north, east, table):
    """Height above the plane. [m]"""
    total = 0.0
    for k in range(1, table.shape[0]):
        if table[k, 0] == 1.0:
            total += table[k, 3] * math.cos(table[k, 1] * north + table[k, 2] * east + table[k, 4])
        else:
            x, y = (north - table[k, 1]) / table[k, 3], (east - table[k, 2]) / table[k, 3]
            if x * x + y * y < 1.0:
                total -= table[k, 4] * math.cos(0.5 * math.pi * math.sqrt(x * x + y * y)) ** 2
    return total


@njit(nogil=True, cache=True, error_model="numpy")
def overlooked(px, py, pz, qx, qy, qz, table):
    """Whether the seabed's relief stands between p, on or above the seabed, and the viewer q.

    Walks from p until the ray is above every crest; a ray steeper than every flank needs no walk.
    """
    if table.shape[0] == 1:
        return False  # no plane hides itself
    dx, dy = qx - px, qy - py
    way = math.sqrt(dx * dx + dy * dy)
    low = table[0, 2] - table[0, 0] * px - table[0, 1] * py - pz
    high = table[0, 2] - table[0, 0] * qx - table[0, 1] * qy - qz
    rise = (high - low) / max(way, 1e-9)
    if rise >= table[0, 4]:
        return False
    reach = way
    if rise > 0.0:
        reach = min(way, (table[0, 3] - low) / rise)
    n = int(reach / table[0, 5])
    for i in range(1, n + 1):
        s = i * table[0, 5]
        if low + rise * s < _rise(px + dx / way * s, py + dy / way * s, table) - 1e-9:  # rounding
            return True
    return False
