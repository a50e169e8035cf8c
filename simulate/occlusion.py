"""What solid bodies hide from transmitter or array: straight lines against boxes, cylinders and spheres."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .bodies import Body, bodies_of, placed_targets
from .relief import Relief
from .scenario import Scenario

__all__ = ["SOLID_COLUMNS", "hidden", "hidden_points", "in_the_way", "solid_table"]

SOLID_COLUMNS = 17
"""Columns of a solid: centre (3) [m], axes by rows (9), half sizes (3) [m], radius of the upright cylinder around it (1)
[m], kind (1): 0 box, 1 cylinder along its first axis, 2 sphere."""

_SKIN_M = 1e-6  # A point on a face must not be hidden by the face that it lies on.
_KINDS = ("box", "cylinder", "sphere")


def solid_table(scenario: Scenario) -> NDArray[np.float64]:
    """Return the bodies of the scenario's targets that hide what is behind them, (solid, :data:`SOLID_COLUMNS`)."""
    relief = Relief.of(scenario)
    targets = [t for t in placed_targets(scenario) if t.hides]
    rows = [_row(body) for t in targets for body in bodies_of(scenario, t, relief)]
    return np.array(rows, dtype=np.float64).reshape(-1, SOLID_COLUMNS)


def _row(body: Body) -> tuple[float, ...]:
    half = body.half_m
    # The corners of the box around it bound it in plan.
    signs = np.array(np.meshgrid(*[(-1, 1)] * 3)).reshape(3, -1)
    corner = body.axes.T @ (half[:, None] * signs)
    circle = float(half[0]) if body.kind == "sphere" else float(np.hypot(corner[0], corner[1]).max())
    return (
        *body.centre_m,
        *body.axes.ravel(),
        *np.maximum(half - _SKIN_M, half * 1e-3),
        circle,
        float(_KINDS.index(body.kind)),
    )


@njit(nogil=True, cache=True, error_model="numpy")
def _slab(o, d, half, enter, leave):
    """Narrow a piece of a line, by its parameter, to what lies between two parallel faces."""
    if abs(d) < 1e-12:
        return (2.0, leave) if abs(o) > half else (enter, leave)
    first, second = (-half - o) / d, (half - o) / d
    return max(enter, min(first, second)), min(leave, max(first, second))


@njit(nogil=True, cache=True, error_model="numpy")
def _round(a, b, c, enter, leave):
    """Narrow it to where ``a t^2 + 2 b t + c`` is below 0, the inside of a cylinder or sphere."""
    if a < 1e-24:
        return (2.0, leave) if c > 0 else (enter, leave)
    root = b * b - a * c
    if root <= 0:
        return 2.0, leave
    root = math.sqrt(root)
    return max(enter, (-b - root) / a), min(leave, (-b + root) / a)


@njit(nogil=True, cache=True, error_model="numpy")
def hidden(px, py, pz, qx, qy, qz, solid):
    """Whether the straight line from p to q passes through any solid, in whose own axes it is clipped."""
    dx, dy, dz = qx - px, qy - py, qz - pz
    for k in range(solid.shape[0]):
        ox, oy, oz = px - solid[k, 0], py - solid[k, 1], pz - solid[k, 2]
        # Most lines miss the upright cylinder around the solid: they end here.
        cross = ox * dy - oy * dx
        if cross * cross > solid[k, 15] * solid[k, 15] * (dx * dx + dy * dy):
            continue
        o0 = solid[k, 3] * ox + solid[k, 4] * oy + solid[k, 5] * oz
        o1 = solid[k, 6] * ox + solid[k, 7] * oy + solid[k, 8] * oz
        o2 = solid[k, 9] * ox + solid[k, 10] * oy + solid[k, 11] * oz
        d0 = solid[k, 3] * dx + solid[k, 4] * dy + solid[k, 5] * dz
        d1 = solid[k, 6] * dx + solid[k, 7] * dy + solid[k, 8] * dz
        d2 = solid[k, 9] * dx + solid[k, 10] * dy + solid[k, 11] * dz
        h0, h1, h2 = solid[k, 12], solid[k, 13], solid[k, 14]
        enter, leave = 0.0, 1.0
        if solid[k, 16] == 2.0:
            a, b = d0 * d0 + d1 * d1 + d2 * d2, o0 * d0 + o1 * d1 + o2 * d2
            c = o0 * o0 + o1 * o1 + o2 * o2 - h0 * h0
            enter, leave = _round(a, b, c, enter, leave)
        else:
            enter, leave = _slab(o0, d0, h0, enter, leave)
            if solid[k, 16] == 1.0:
                a, b, c = d1 * d1 + d2 * d2, o1 * d1 + o2 * d2, o1 * o1 + o2 * o2 - h1 * h1
                enter, leave = _round(a, b, c, enter, leave)
            else:
                enter, leave = _slab(o1, d1, h1, enter, leave)
                enter, leave = _slab(o2, d2, h2, enter, leave)
        if enter < leave:
            return True
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def hidden_points(place, viewer, solid, out):
    """Fill ``out`` (n,) with whether each of ``place`` (3, n) is hidden from ``viewer`` (3,)."""
    for i in range(place.shape[1]):
        out[i] = hidden(place[0, i], place[1, i], place[2, i], viewer[0], viewer[1], viewer[2], solid)


@njit(nogil=True, cache=True, error_model="numpy")
def _apart(x, y, px, py, qx, qy):
    """Distance of a place to the straight piece from p to q, in plan."""
    dx, dy = qx - px, qy - py
    square = dx * dx + dy * dy
    s = ((x - px) * dx + (y - py) * dy) / square if square > 0 else 0.0
    s = min(max(s, 0.0), 1.0)
    return math.hypot(px + s * dx - x, py + s * dy - y)


@njit(nogil=True, cache=True, error_model="numpy")
def in_the_way(place, start, end, transmit, middle, solid):
    """Return the solids that can come between columns of ``place`` (north and east first) and either viewer, (n, columns).

    All lines from one viewer to points within a circle lie within its radius of the line to its centre: points of one
    group lie close together, and most groups have no solid before them.
    """
    low_x = high_x = place[0, start]
    low_y = high_y = place[1, start]
    for i in range(start + 1, end):
        low_x, high_x = min(low_x, place[0, i]), max(high_x, place[0, i])
        low_y, high_y = min(low_y, place[1, i]), max(high_y, place[1, i])
    x, y = (low_x + high_x) / 2, (low_y + high_y) / 2
    radius = math.hypot(high_x - low_x, high_y - low_y) / 2 + _SKIN_M
    found = np.empty(solid.shape)
    n = 0
    for k in range(solid.shape[0]):
        away = min(
            _apart(solid[k, 0], solid[k, 1], x, y, transmit[0], transmit[1]),
            _apart(solid[k, 0], solid[k, 1], x, y, middle[0], middle[1]),
        )
        if away <= radius + solid[k, 15]:
            found[n] = solid[k]
            n += 1
    return found[:n]
