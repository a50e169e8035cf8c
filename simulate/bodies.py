"""Targets as solid bodies in the world: boxes, cylinders and spheres with a place and axes of their own."""

from __future__ import annotations

import dataclasses
import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .relief import Relief
from .scenario import Scenario
from .target_tables import Target

__all__ = ["Body", "bodies_of", "debris_pieces", "heading_rad", "placed_targets"]

_DEBRIS = 4  # stream of the seed
_SEGMENTS = 24  # of a ring: its polygon strays from the circle by 1 % of the radius


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A convex solid.

    Parameters
    ----------
    kind : {"box", "cylinder", "sphere"}
        A cylinder's length is along its first axis.
    centre_m : ndarray of float64, shape (3,)
        North, east, depth. [m]
    axes : ndarray of float64, shape (3, 3)
        Rows: where its length, width and height (downwards) point.
    half_m : ndarray of float64, shape (3,)
        Half of its length, width and height. [m]
    """

    kind: str
    centre_m: NDArray[np.float64]
    axes: NDArray[np.float64]
    half_m: NDArray[np.float64]


def heading_rad(scenario: Scenario, target: Target) -> float:
    """Direction of a target's length, clockwise from north. [rad]"""
    leg = scenario.vehicle.heading_deg if target.along_m is not None else 0.0
    return float(np.deg2rad(leg + target.orientation_deg))


def placed_targets(scenario: Scenario) -> list[Target]:
    """Return the targets with every field of debris replaced by its pieces."""
    found: list[Target] = []
    for number, target in enumerate(scenario.targets):
        found += debris_pieces(scenario, target, number) if target.kind == "debris" else [target]
    return found


def debris_pieces(scenario: Scenario, target: Target, number: int) -> list[Target]:
    """Draw the pieces of a field of debris: boxes, plates, cylinders and spheres at random places and poses."""
    rng = np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=(_DEBRIS, number)))
    turn = heading_rad(scenario, target) - math.radians(scenario.vehicle.heading_deg)
    middle = scenario.leg_place(target)
    pieces = []
    for i in range(target.count):
        ahead, aside = (rng.random(2) - 0.5) * target.size_m[:2]
        # Evenly over the logarithm: many small pieces, few large ones.
        size = math.exp(rng.uniform(*np.log(target.piece_m)))
        flat, thin, angle, tilt = rng.random(4)
        kind = ("box", "plate", "cylinder", "sphere")[rng.integers(4)]
        pieces.append(
            dataclasses.replace(
                target,
                name=f"{target.name or 'debris'} {i + 1}",
                along_m=middle[0] + math.cos(turn) * ahead - math.sin(turn) * aside,
                across_m=middle[1] + math.sin(turn) * ahead + math.cos(turn) * aside,
                north_m=None,
                east_m=None,
                count=None,
                piece_m=None,
                **_piece_shape(kind, size, float(flat), float(thin), float(angle), float(tilt)),
            )
        )
    return pieces


def _piece_shape(
    kind: str, size: float, flat: float, thin: float, angle: float, tilt: float
) -> dict[str, object]:
    shape: dict[str, object] = {"kind": kind, "orientation_deg": 360 * angle}
    if kind == "sphere":
        return {**shape, "radius_m": size / 2, "size_m": (size, size, size)}
    if kind == "cylinder":
        radius = size * (0.1 + 0.2 * thin)
        return {**shape, "radius_m": radius, "size_m": (size, 2 * radius, 2 * radius)}
    width, height = size * (0.4 + 0.6 * flat), size * (0.2 + 0.6 * thin)
    if kind == "plate":
        return {**shape, "size_m": (size, width, 0.02 * size), "tilt_deg": 40 * tilt, "specular": False}
    return {**shape, "size_m": (size, width, height), "specular": None}


def bodies_of(scenario: Scenario, target: Target, relief: Relief) -> list[Body]:
    """Return the solids that a target is made of; points, depressions and fields of debris have none."""
    if target.kind in ("point", "depression", "debris"):
        return []
    north, east = scenario.world_place(*scenario.leg_place(target))
    foot = np.array([north, east, float(relief.depth_m(north, east)) - target.height_m])
    heading = heading_rad(scenario, target)
    if target.kind == "ring":
        return _ring(target, foot, heading)
    if target.kind == "rope":
        return _rope(target, foot, heading)
    axes = _axes(heading, math.radians(target.tilt_deg or 0.0))
    half = _half(target)
    # How far the lowest part lies below the centre.
    if target.kind == "cylinder":
        low = abs(axes[0, 2]) * half[0] + math.hypot(axes[1, 2], axes[2, 2]) * half[1]
    elif target.kind == "sphere":
        low = half[0]
    else:
        low = abs(axes[0, 2]) * half[0] + abs(axes[2, 2]) * half[2]
    kind = "box" if target.kind == "plate" else target.kind
    return [Body(kind, foot - np.array([0.0, 0.0, low]), axes, half)]


def _half(target: Target) -> NDArray[np.float64]:
    if target.kind == "sphere":
        return np.full(3, target.radius_m)
    if target.kind == "cylinder":
        return np.array([target.size_m[0] / 2, target.radius_m, target.radius_m])
    return np.array(target.size_m) / 2


def _axes(heading: float, tilt: float) -> NDArray[np.float64]:
    """Axes of a body whose forward end is raised by ``tilt``."""
    ch, sh, ct, st = math.cos(heading), math.sin(heading), math.cos(tilt), math.sin(tilt)
    return np.array([[ch * ct, sh * ct, -st], [-sh, ch, 0.0], [ch * st, sh * st, ct]])


def _rod(start: NDArray[np.float64], end: NDArray[np.float64], radius: float) -> Body:
    """Cylinder from one place to another."""
    way = end - start
    length = float(np.linalg.norm(way))
    forward = way / length
    aside = np.array([-forward[1], forward[0], 0.0])
    if np.linalg.norm(aside) < 1e-9:
        aside = np.array([0.0, 1.0, 0.0])
    aside /= np.linalg.norm(aside)
    axes = np.array([forward, aside, np.cross(forward, aside)])
    return Body("cylinder", (start + end) / 2, axes, np.array([length / 2, radius, radius]))


def _ring(target: Target, foot: NDArray[np.float64], heading: float) -> list[Body]:
    """A ring that lies flat, as a chain of rods."""
    angle = heading + 2 * np.pi * np.arange(_SEGMENTS + 1) / _SEGMENTS
    corner = foot + np.stack(
        [
            target.radius_m * np.cos(angle),
            target.radius_m * np.sin(angle),
            np.full(angle.size, -target.tube_m),
        ],
        axis=1,
    )
    return [_rod(a, b, target.tube_m) for a, b in itertools.pairwise(corner)]


def _rope(target: Target, foot: NDArray[np.float64], heading: float) -> list[Body]:
    cos, sin = math.cos(heading), math.sin(heading)
    path = np.array(target.path_m)
    corner = foot + np.stack(
        [cos * path[:, 0] - sin * path[:, 1], sin * path[:, 0] + cos * path[:, 1], -path[:, 2]], axis=1
    )
    return [_rod(a, b, target.radius_m) for a, b in itertools.pairwise(corner)]
