"""Raised boxes as sound meets them: their faces, and what they hide from transmitter or array."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .scenario import Scenario, Target

__all__ = ["BOX_COLUMNS", "box_table", "hidden", "hidden_points"]

BOX_COLUMNS = 10
"""Columns of a box: centre (3) [m], cosine and sine of its heading, half sizes (3) [m], circle (1) [m], hides (1)."""

_SKIN_M = 1e-6  # A point on a face must not be hidden by the face that it lies on.


def box_table(scenario: Scenario) -> NDArray[np.float64]:
    """Return the scenario's boxes that hide what is behind them, (box, :data:`BOX_COLUMNS`)."""
    rows = [_row(scenario, t) for t in scenario.targets if t.kind == "box" and t.hides]
    return np.array(rows, dtype=np.float64).reshape(-1, BOX_COLUMNS)


def box_heading_rad(scenario: Scenario, target: Target) -> float:
    """Direction of a box's length, clockwise from north. [rad]"""
    leg = scenario.vehicle.heading_deg if target.along_m is not None else 0.0
    return float(np.deg2rad(leg + target.orientation_deg))


def _row(scenario: Scenario, target: Target) -> tuple[float, ...]:
    north, east = scenario.world_place(*scenario.leg_place(target))
    half = np.array(target.size_m) / 2
    down = scenario.seabed_depth_m - target.height_m - half[2]
    heading = box_heading_rad(scenario, target)
    circle = float(np.hypot(half[0], half[1]))
    return (north, east, down, np.cos(heading), np.sin(heading), *(half - _SKIN_M), circle, 1.0)


@njit(nogil=True, cache=True, error_model="numpy")
def hidden(px, py, pz, qx, qy, qz, box):
    """Whether the straight line from p to q passes through any box.

    Clips the line by each box's three pairs of faces, in the box's own axes.
    """
    for k in range(box.shape[0]):
        dx, dy, dz = qx - px, qy - py, qz - pz
        ox, oy, oz = px - box[k, 0], py - box[k, 1], pz - box[k, 2]
        # Most lines miss the upright cylinder around the box: they end here.
        cross = ox * dy - oy * dx
        if cross * cross > box[k, 8] * box[k, 8] * (dx * dx + dy * dy):
            continue
        cos, sin = box[k, 3], box[k, 4]
        o = (cos * ox + sin * oy, cos * oy - sin * ox, oz)
        d = (cos * dx + sin * dy, cos * dy - sin * dx, dz)
        enter, leave = 0.0, 1.0
        for axis in range(3):
            half = box[k, 5 + axis]
            if abs(d[axis]) < 1e-12:
                if abs(o[axis]) > half:
                    enter = 2.0
            else:
                first, second = (-half - o[axis]) / d[axis], (half - o[axis]) / d[axis]
                enter = max(enter, min(first, second))
                leave = min(leave, max(first, second))
        if enter < leave:
            return True
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def hidden_points(place, viewer, box, out):
    """Fill ``out`` (n,) with whether each of ``place`` (3, n) is hidden from ``viewer`` (3,)."""
    for i in range(place.shape[1]):
        out[i] = hidden(place[0, i], place[1, i], place[2, i], viewer[0], viewer[1], viewer[2], box)
