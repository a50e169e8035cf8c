"""Tables of what bent rays change.

A table belongs to one source (or receiver) and holds, at places of (target's depth, horizontal distance), how the ray
departs from the straight line of length r: in time, in direction at both ends, in amplitude. Departures are small and
smooth where the straight line itself is not. The time is met by cubics from its exact values and slopes (the ray's own
directions), which hold across a profile's kinks because kinks are places of the table and time has no kink in its slope.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._ray_kernels import eigenrays_into

__all__ = [
    "FIELDS",
    "STEEP_M",
    "at_one_depth",
    "blend",
    "fill_table",
    "glance",
    "gradients",
    "solve",
    "table_error",
]

FIELDS = 8
"""Of a table: departure of the time [m at the source's sound speed], its slopes over distance and depth, its twist;
height [m] by which the target seems lower from the source, and the source higher from the target, than they are;
logarithm of the amplitude over that of the straight line without absorption; curvature of the wave front at the source in
the vertical plane over that along the horizontal, less 1."""

STEEP_M = 1e-5
"""Least distance off the vertical at which rays are looked at."""

_exact = njit(nogil=True, cache=True, error_model="numpy")


@_exact
def _fields(ray, x, h, c_source, c_target, gradient, out):
    """Fill ``out`` (:data:`FIELDS`) from a ray to a target at horizontal distance x, h below the source.

    ``gradient``: of the sound speed just above and below the source.
    """
    r = math.sqrt(x * x + h * h)
    out[0] = c_source * ray[0] - r
    out[1] = c_source * ray[6] - x / r
    out[2] = c_source * math.sin(ray[2]) / c_target - h / r
    out[3] = c_source * ray[7] + x * h / (r * r * r)
    out[4] = x * math.tan(ray[1]) - h
    out[5] = x * math.tan(ray[2]) - h
    out[6] = math.log(r / ray[3]) - ray[4]
    out[7] = 0.0
    sine, cosine = math.sin(ray[1]), math.cos(ray[1])
    if abs(sine) > 1e-5 and cosine > 0.0:
        # Of the time's second derivative over distance, what is not the water's own change along the ray.
        own = ray[8] + gradient[1 if sine > 0.0 else 0] * cosine * cosine * sine / (c_source * c_source)
        out[7] = c_source * own / (sine * sine) * x / cosine - 1.0


@_exact
def gradients(depth, speed, z):
    """Gradients of the sound speed just above and just below z."""
    out = np.zeros(2)
    i = np.searchsorted(depth, z, side="left") - 1
    if 0 <= i < depth.size - 1:
        out[0] = (speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i])
    i = np.searchsorted(depth, z, side="right") - 1
    if 0 <= i < depth.size - 1:
        out[1] = (speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i])
    return out


@_exact
def fill_table(depth, speed, loss, source, node, step, rays, work, table):
    """Fill ``table`` (node, place, :data:`FIELDS`) for targets at the depths ``node`` and distances of ``step`` each.

    ``depth``, ``speed``, ``loss``: the column of water, :func:`eigenrays_into`; ``rays`` (place, COLUMNS) scratch.
    """
    place = np.arange(table.shape[1]) * step
    place[0] = STEEP_M  # straight down, directions alone don't tell where the ray goes
    c_source, gradient = np.interp(source, depth, speed), gradients(depth, speed, source)
    for k in range(node.size):
        eigenrays_into(depth, speed, loss, source, node[k], place, work, rays)
        c_target = np.interp(node[k], depth, speed)
        for i in range(place.size):
            if math.isnan(rays[i, 0]):
                table[k, i, :] = math.nan
            else:
                _fields(rays[i], place[i], node[k] - source, c_source, c_target, gradient, table[k, i])


@_exact
def _cubic(a, b, da, db, u):
    """Hermite's cubic from values and slopes (per cell) at both ends."""
    d = b - a
    return a + u * (da + u * (3 * d - 2 * da - db + u * (da + db - 2 * d)))


@_exact
def blend(x, z, step, node, table, middle, clear):
    """Read a table at distance x and depth z: state, time's departure, the last four fields.

    State 1: read; 0: in shadow; 2: beside the table, within ``clear`` of the source's own depth ``middle``, where rays are too
    varied for a table, or at the shadow's edge: to be solved outright.
    """
    i = int(x / step)
    if i > table.shape[1] - 3 or node.size < 3 or not node[0] <= z <= node[-1] or abs(z - middle) < clear:
        return 2, 0.0, 0.0, 0.0, 0.0, 0.0
    k = min(np.searchsorted(node, z, side="right") - 1, node.size - 2)
    m, left = k - k % 2, abs(i - 1)  # the fields are even in x
    # Shadow begins at some distance: what is farther is dark.
    dark, all_dark = False, True
    for j in range(m, m + 3):
        dark |= math.isnan(table[j, i + 2, 0])
        all_dark &= math.isnan(table[j, left, 0])
    if dark:
        return 0 if all_dark else 2, 0.0, 0.0, 0.0, 0.0, 0.0
    u, high = x / step - i, node[k + 1] - node[k]
    v = (z - node[k]) / high
    low = _cubic(table[k, i, 0], table[k, i + 1, 0], step * table[k, i, 1], step * table[k, i + 1, 1], u)
    slope = _cubic(table[k, i, 2], table[k, i + 1, 2], step * table[k, i, 3], step * table[k, i + 1, 3], u)
    k += 1
    top = _cubic(table[k, i, 0], table[k, i + 1, 0], step * table[k, i, 1], step * table[k, i + 1, 1], u)
    end = _cubic(table[k, i, 2], table[k, i + 1, 2], step * table[k, i, 3], step * table[k, i + 1, 3], u)
    # Cubics through four distances, parabolas through three depths.
    a, b = -u * (u - 1) * (u - 2) / 6, (u + 1) * (u - 1) * (u - 2) / 2
    c, d = -(u + 1) * u * (u - 2) / 2, (u + 1) * u * (u - 1) / 6
    w = (z - node[m]) / (node[m + 2] - node[m])
    seen = met = gain = curve = 0.0
    for j in range(3):
        h = (1 - w) * (1 - 2 * w) if j == 0 else (4 * w * (1 - w) if j == 1 else w * (2 * w - 1))
        n = m + j
        seen += h * (
            a * table[n, left, 4] + b * table[n, i, 4] + c * table[n, i + 1, 4] + d * table[n, i + 2, 4]
        )
        met += h * (
            a * table[n, left, 5] + b * table[n, i, 5] + c * table[n, i + 1, 5] + d * table[n, i + 2, 5]
        )
        gain += h * (
            a * table[n, left, 6] + b * table[n, i, 6] + c * table[n, i + 1, 6] + d * table[n, i + 2, 6]
        )
        curve += h * (
            a * table[n, left, 7] + b * table[n, i, 7] + c * table[n, i + 1, 7] + d * table[n, i + 2, 7]
        )
    return 1, _cubic(low, top, high * slope, high * end, v), seen, met, gain, curve


@_exact
def solve(x, z, leg, scratch):
    """As :func:`blend`, by the ray itself. ``scratch``: work, one distance, one ray, one set of fields."""
    depth, speed, loss, source = leg[0], leg[1], leg[2], leg[3]
    work, place, ray, fields = scratch
    place[0] = max(x, STEEP_M)
    eigenrays_into(depth, speed, loss, source, z, place, work, ray)
    if math.isnan(ray[0, 0]):
        return 0, 0.0, 0.0, 0.0, 0.0, 0.0
    c_source, c_target = np.interp(source, depth, speed), np.interp(z, depth, speed)
    _fields(ray[0], place[0], z - source, c_source, c_target, leg[7], fields)
    return 1, fields[0], fields[4], fields[5], fields[6], fields[7]


@_exact
def at_one_depth(z, step, node, table, middle, clear):
    """Cut a table to one depth, (place, 6): time's departure and its slope, the last four fields.

    Infinite: in shadow; NaN: not to be read.
    """
    out = np.empty((table.shape[1], 6))
    for i in range(table.shape[1] - 2):
        state, out[i, 0], out[i, 2], out[i, 3], out[i, 4], out[i, 5] = blend(
            i * step, z, step, node, table, middle, clear
        )
        if state != 1:
            out[i, :] = math.inf if state == 0 else math.nan
            continue
        k = min(np.searchsorted(node, z, side="right") - 1, node.size - 2)
        high = node[k + 1] - node[k]
        v = (z - node[k]) / high
        out[i, 1] = _cubic(
            table[k, i, 1], table[k + 1, i, 1], high * table[k, i, 3], high * table[k + 1, i, 3], v
        )
    out[-2:] = math.nan
    return out


@_exact
def glance(x, step, cut):
    """As :func:`blend`, in what :func:`at_one_depth` returned."""
    i = int(x / step)
    if i > cut.shape[0] - 3:
        return 2, 0.0, 0.0, 0.0, 0.0, 0.0
    left, u = abs(i - 1), x / step - i
    if not math.isfinite(cut[i + 2, 0]):
        return 0 if math.isinf(cut[left, 0]) else 2, 0.0, 0.0, 0.0, 0.0, 0.0
    time = _cubic(cut[i, 0], cut[i + 1, 0], step * cut[i, 1], step * cut[i + 1, 1], u)
    a, b = -u * (u - 1) * (u - 2) / 6, (u + 1) * (u - 1) * (u - 2) / 2
    c, d = -(u + 1) * u * (u - 2) / 2, (u + 1) * u * (u - 1) / 6
    seen = a * cut[left, 2] + b * cut[i, 2] + c * cut[i + 1, 2] + d * cut[i + 2, 2]
    met = a * cut[left, 3] + b * cut[i, 3] + c * cut[i + 1, 3] + d * cut[i + 2, 3]
    gain = a * cut[left, 4] + b * cut[i, 4] + c * cut[i + 1, 4] + d * cut[i + 2, 4]
    curve = a * cut[left, 5] + b * cut[i, 5] + c * cut[i + 1, 5] + d * cut[i + 2, 5]
    return 1, time, seen, met, gain, curve


@_exact
def table_error(leg, step, table, work, rays, worst):
    """Fill ``worst`` (5,) with the largest errors of what is read in the middle of the table's cells."""
    depth, speed, loss, source, node = leg[0], leg[1], leg[2], leg[3], leg[4]
    true = np.empty(FIELDS)
    place = (np.arange(table.shape[1] - 2) + 0.5) * step
    c_source, gradient = np.interp(source, depth, speed), gradients(depth, speed, source)
    worst[:] = 0.0
    for k in range(node.size - 1):
        z = 0.5 * (node[k] + node[k + 1])
        c_target = np.interp(z, depth, speed)
        eigenrays_into(depth, speed, loss, source, z, place, work, rays)
        for i in range(place.size):
            state, time, seen, met, gain, curve = blend(place[i], z, step, node, table, source, leg[8])
            if state != 1:
                continue
            _fields(rays[i], place[i], z - source, c_source, c_target, gradient, true)
            worst[0] = max(worst[0], abs(time - true[0]))
            worst[1] = max(worst[1], abs(seen - true[4]))
            worst[2] = max(worst[2], abs(met - true[5]))
            worst[3] = max(worst[3], abs(gain - true[6]))
            worst[4] = max(worst[4], abs(curve - true[7]))
