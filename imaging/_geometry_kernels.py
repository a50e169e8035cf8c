"""Loops of a ping's geometry: poses between the navigation's rows, and the array that they carry."""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["carry_array", "find_footprint", "find_poses"]


@numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def _find_pose(row_s, row_value, row_rate, t, k, value, rate):
    """Fill pose and rate at one time; return the row before it. ``k`` is the last time's."""
    n_row, n_column = row_value.shape
    if n_row == 1 or t < row_s[0] or t > row_s[n_row - 1]:
        end = 0 if n_row == 1 or t < row_s[0] else n_row - 1
        for d in range(n_column):
            value[d] = row_value[end, d] + row_rate[end, d] * (t - row_s[end])
            rate[d] = row_rate[end, d]
        return k
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
        value[d] = a + u * (da + u * (c2 + u * c3))
        rate[d] = (da + u * (2 * c2 + u * 3 * c3)) / h
    return k


@numba.njit(nogil=True, cache=True, error_model="numpy")
def find_poses(row_s, row_value, row_rate, time_s, value, rate):
    """Cubic Hermite polynomials between rows (k, 6), straight on beyond the first and the last, at increasing times."""
    k = 0
    for i in range(time_s.size):
        k = _find_pose(row_s, row_value, row_rate, time_s[i], k, value[i], rate[i])


@numba.njit(nogil=True, cache=True, error_model="numpy")
def carry_array(
    row_s,
    row_value,
    row_rate,
    begin_s,
    delay_s,
    strip_north,
    strip_east,
    strip_heading,
    shift_along,
    shift_starboard,
    shift_heading,
    array_centre,
    array_axes,
    transmitter,
    altitude,
    slope_along,
    slope_across,
    centre,
    velocity,
    axes,
    fixed,
):
    """Where an array fixed to the vehicle is at transmission and at delays after it, in the strip frame.

    Parameters
    ----------
    row_s, row_value, row_rate : (k,), (k, 6), (k, 6)
        Navigation: north, east, depth, heading, pitch, roll, and their derivatives.
    begin_s : float
        Of the transmission.
    delay_s : (n,)
    strip_north, strip_east, strip_heading : float
        The strip's origin and heading.
    shift_along, shift_starboard, shift_heading : float
        To be added to each pose: along the heading, to starboard of it, and to the heading.
    array_centre, array_axes, transmitter : (3,), (3, 3), (3,)
        In the body frame; axes in rows.
    altitude, slope_along, slope_across : float
        Of the body origin at transmission over the seabed; the seabed's depth grows by the slopes.
    centre, velocity, axes : (n + 1, 3), (n + 1, 3), (n + 1, 3, 3)
        Filled: array centre, its velocity, the array's axes; the transmission's first.
    fixed : (2, 3)
        Filled: the transmitter at transmission, and the seabed's plane (see :class:`PingGeometry`).

    Returns
    -------
    float
        Depth of the seabed under the body origin.
    """
    c_strip, s_strip = math.cos(strip_heading), math.sin(strip_heading)
    c_turn, s_turn = math.cos(shift_heading - strip_heading), math.sin(shift_heading - strip_heading)
    turn, pose, rate = np.empty((3, 3)), np.empty(6), np.empty(6)
    x, y, z = array_centre[0], array_centre[1], array_centre[2]
    k = 0
    seabed = 0.0
    for i in range(delay_s.size + 1):
        t = begin_s if i == 0 else delay_s[i - 1] + begin_s
        k = _find_pose(row_s, row_value, row_rate, t, k, pose, rate)
        c, s = math.cos(pose[3]), math.sin(pose[3])
        north = pose[0] - strip_north + c * shift_along - s * shift_starboard
        east = pose[1] - strip_east + s * shift_along + c * shift_starboard
        along, across = c_strip * north + s_strip * east, c_strip * east - s_strip * north
        # Rz(heading in the strip) Ry(pitch) Rx(roll)
        ch, sh = c * c_turn - s * s_turn, s * c_turn + c * s_turn
        cp, sp = math.cos(pose[4]), math.sin(pose[4])
        cr, sr = math.cos(pose[5]), math.sin(pose[5])
        turn[0, 0], turn[0, 1], turn[0, 2] = ch * cp, ch * sp * sr - sh * cr, ch * sp * cr + sh * sr
        turn[1, 0], turn[1, 1], turn[1, 2] = sh * cp, sh * sp * sr + ch * cr, sh * sp * cr - ch * sr
        turn[2, 0], turn[2, 1], turn[2, 2] = -sp, cp * sr, cp * cr
        # Rates of turn about the body's axes, and what they make of the lever arm.
        wx = rate[5] - rate[3] * sp
        wy = rate[4] * cr + rate[3] * sr * cp
        wz = rate[3] * cr * cp - rate[4] * sr
        vx, vy, vz = wy * z - wz * y, wz * x - wx * z, wx * y - wy * x
        way0 = c_strip * rate[0] + s_strip * rate[1]
        way1 = c_strip * rate[1] - s_strip * rate[0]
        for d in range(3):
            origin = along if d == 0 else (across if d == 1 else pose[2])
            centre[i, d] = origin + turn[d, 0] * x + turn[d, 1] * y + turn[d, 2] * z
            way = way0 if d == 0 else (way1 if d == 1 else rate[2])
            velocity[i, d] = way + turn[d, 0] * vx + turn[d, 1] * vy + turn[d, 2] * vz
            for a in range(3):
                axes[i, a, d] = (
                    turn[d, 0] * array_axes[a, 0]
                    + turn[d, 1] * array_axes[a, 1]
                    + turn[d, 2] * array_axes[a, 2]
                )
        if i == 0:
            seabed = pose[2] + altitude
            fixed[1, 0] = seabed - slope_along * along - slope_across * across
            fixed[1, 1], fixed[1, 2] = slope_along, slope_across
            for d in range(3):
                fixed[0, d] = centre[0, d]
                for b in range(3):
                    fixed[0, d] += turn[d, b] * (transmitter[b] - array_centre[b])
    return seabed


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
