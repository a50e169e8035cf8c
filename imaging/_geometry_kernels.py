"""Loops of a ping's geometry: poses between the navigation's rows, and the array that they carry."""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["carry_array", "find_footprint", "find_poses"]


@numba.njit(nogil=True, cache=True, error_model="numpy")
def find_poses(row_s, row_value, row_rate, time_s, value, rate):
    """Cubic Hermite polynomials between rows (k, 6), straight on beyond the first and the last, at increasing times."""
    n_row, n_column = row_value.shape
    k = 0
    for i in range(time_s.size):
        t = time_s[i]
        if n_row == 1 or t < row_s[0] or t > row_s[n_row - 1]:
            end = 0 if n_row == 1 or t < row_s[0] else n_row - 1
            for d in range(n_column):
                value[i, d] = row_value[end, d] + row_rate[end, d] * (t - row_s[end])
                rate[i, d] = row_rate[end, d]
            continue
        # Times go up: the row is the last one's or little further.
        if not row_s[k] <= t < row_s[min(k + 2, n_row - 1)]:
            k = np.searchsorted(row_s, t, side="right") - 1
        if k < n_row - 2 and t >= row_s[k + 1]:
            k += 1
        k = min(k, n_row - 2)
        h = row_s[k + 1] - row_s[k]
        u = (t - row_s[k]) / h
        for d in range(n_column):
            a, da, db = row_value[k, d], row_rate[k, d] * h, row_rate[k + 1, d] * h
            way = row_value[k + 1, d] - a
            c2, c3 = 3 * way - 2 * da - db, da + db - 2 * way
            value[i, d] = a + u * (da + u * (c2 + u * c3))
            rate[i, d] = (da + u * (2 * c2 + u * 3 * c3)) / h


@numba.njit(nogil=True, cache=True, error_model="numpy")
def carry_array(pose, rate, strip, shift, array_centre, array_axes, origin, centre, velocity, axes):
    """Where an array fixed to the vehicle is at each pose, in the strip frame.

    Parameters
    ----------
    pose, rate : (n, 6)
        North, east, depth, heading, pitch, roll, and their derivatives.
    strip : (3,)
        North and east of the strip's origin, its heading.
    shift : (3,)
        To be added to each pose: along the heading, to starboard of it, and to the heading.
    array_centre, array_axes : (3,), (3, 3)
        In the body frame; axes in rows.
    origin, centre, velocity, axes : (n, 3), (n, 3), (n, 3), (n, 3, 3)
        Filled: body origin and array centre, the latter's velocity, the array's axes.
    """
    c_strip, s_strip = math.cos(strip[2]), math.sin(strip[2])
    turn = np.empty((3, 3))
    for i in range(pose.shape[0]):
        heading, pitch, roll = pose[i, 3], pose[i, 4], pose[i, 5]
        c, s = math.cos(heading), math.sin(heading)
        north = pose[i, 0] - strip[0] + c * shift[0] - s * shift[1]
        east = pose[i, 1] - strip[1] + s * shift[0] + c * shift[1]
        origin[i, 0] = c_strip * north + s_strip * east
        origin[i, 1] = c_strip * east - s_strip * north
        origin[i, 2] = pose[i, 2]
        # Rz(heading in the strip) Ry(pitch) Rx(roll)
        ch, sh = math.cos(heading + shift[2] - strip[2]), math.sin(heading + shift[2] - strip[2])
        cp, sp = math.cos(pitch), math.sin(pitch)
        cr, sr = math.cos(roll), math.sin(roll)
        turn[0, 0], turn[0, 1], turn[0, 2] = ch * cp, ch * sp * sr - sh * cr, ch * sp * cr + sh * sr
        turn[1, 0], turn[1, 1], turn[1, 2] = sh * cp, sh * sp * sr + ch * cr, sh * sp * cr - ch * sr
        turn[2, 0], turn[2, 1], turn[2, 2] = -sp, cp * sr, cp * cr
        # Rates of turn about the body's axes, and what they make of the lever arm.
        wx = rate[i, 5] - rate[i, 3] * sp
        wy = rate[i, 4] * cr + rate[i, 3] * sr * cp
        wz = rate[i, 3] * cr * cp - rate[i, 4] * sr
        x, y, z = array_centre[0], array_centre[1], array_centre[2]
        vx, vy, vz = wy * z - wz * y, wz * x - wx * z, wx * y - wy * x
        way0 = c_strip * rate[i, 0] + s_strip * rate[i, 1]
        way1 = c_strip * rate[i, 1] - s_strip * rate[i, 0]
        for d in range(3):
            centre[i, d] = origin[i, d] + turn[d, 0] * x + turn[d, 1] * y + turn[d, 2] * z
            way = way0 if d == 0 else (way1 if d == 1 else rate[i, 2])
            velocity[i, d] = way + turn[d, 0] * vx + turn[d, 1] * vy + turn[d, 2] * vz
            for a in range(3):
                axes[i, a, d] = (
                    turn[d, 0] * array_axes[a, 0]
                    + turn[d, 1] * array_axes[a, 1]
                    + turn[d, 2] * array_axes[a, 2]
                )


@numba.njit(nogil=True, cache=True, error_model="numpy")
def find_footprint(tx, axis, plane, side_sign, n_column, across_m, sine):
    """Lowest and highest place along track that the sector of a ping touches; NaN where its edges don't end. [m]"""
    low, high = np.inf, -np.inf
    lean = axis[0] + plane[1] * axis[2]
    a = lean**2 - sine**2 * (1 + plane[1] ** 2)
    if a <= 0:
        return np.nan, np.nan
    for i in range(5):
        across = side_sign * (0.5 + (n_column - 1) * i / 4) * across_m
        below = plane[0] + plane[1] * tx[0] + plane[2] * across - tx[2]
        ahead = -(axis[1] * (across - tx[1]) + axis[2] * below) / lean
        drop = below + plane[1] * ahead
        slant_square = ahead**2 + (across - tx[1]) ** 2 + drop**2
        b = sine**2 * (ahead + plane[1] * drop)
        root = math.sqrt(b**2 + a * sine**2 * slant_square)
        low = min(low, tx[0] + ahead + (b - root) / a)
        high = max(high, tx[0] + ahead + (b + root) / a)
    return low, high
