"""Rays from the array to seabed points of given distance and depth, in layers of linear sound speed.

Arrays and numbers only. A ray keeps its horizontal slowness p = cos(angle)/c (Snell). In a layer from c0 to c1 it
runs on an arc whose chord points along the mean of its end directions, so its horizontal way is
h (cos0 + cos1)/(sin0 + sin1), which loses no digits where the gradient is weak; its derivative against p is
way/(p sin0 sin1). The launch angle is found by Newton's rule on the angle under which the target would be seen along a
straight line, in which the problem is nearly linear.
"""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["find_rays", "profile_speed", "tabulate_factors", "tabulate_straight"]

_MOST_STEPS = 60
_UPWARD_RAD = -1.3
"""Steepest upward launch that is tried: such rays turn in a strong gradient above the array or not at all."""


@numba.njit(nogil=True, cache=True)
def profile_speed(depth, speed, z):
    """Sound speed at a depth: linear between the profile's points, beyond its ends as there. [m/s]"""
    n = depth.size
    if z <= depth[0]:
        return speed[0]
    if z >= depth[n - 1]:
        return speed[n - 1]
    k = np.searchsorted(depth, z)
    w = (z - depth[k - 1]) / (depth[k] - depth[k - 1])
    return speed[k - 1] + w * (speed[k] - speed[k - 1])


@numba.njit(nogil=True, cache=True)
def _arc_time(chord, c0, c1, thickness):
    """Time along an arc from its chord: (2/g) asinh(g chord/(2 sqrt(c0 c1)))."""
    mean = math.sqrt(c0 * c1)
    z = abs(c1 - c0) / thickness * chord / (2 * mean)
    if z < 1e-3:
        return chord / mean * (1 - z * z / 6)
    return chord / mean * math.asinh(z) / z


@numba.njit(nogil=True, cache=True)
def _trace(launch, depth, speed, z_from, z_to):
    """Horizontal way, time and derivative of the way against the launch angle; NaN where the ray does not get there.

    A launch below 0 goes up, turns in faster water above and comes down again; a ray that the surface would have to
    throw back has no direct way.
    """
    n = depth.size
    c_from = profile_speed(depth, speed, z_from)
    p = math.cos(launch) / c_from
    sine_from = abs(math.sin(launch))
    way = 0.0
    time = 0.0
    by_slowness = 0.0  # derivative of the way against p, times the sine at the launch, which alone may be 0
    if launch < 0:
        sine = sine_from
        c = c_from
        z = z_from
        turned = False
        k = np.searchsorted(depth, z_from) - 1
        while k >= 0 and not turned:
            h = z - depth[k]
            if h > 0:
                c_next = speed[k]
                if p * c_next >= 1:
                    slope = (c_next - c) / h
                    left = (1 / p - c) / slope
                    x = sine / (slope * p)
                    way += 2 * x
                    time += 2 * _arc_time(math.hypot(x, left), c, 1 / p, left)
                    by_slowness -= 2 / (slope * p * p) * (sine_from / sine)
                    turned = True
                else:
                    sine_next = math.sqrt(1 - (p * c_next) ** 2)
                    x = h * p * (c + c_next) / (sine + sine_next)
                    way += 2 * x
                    time += 2 * _arc_time(math.hypot(x, h), c, c_next, h)
                    by_slowness += 2 * x / (p * sine * sine_next) * sine_from
                    sine, c, z = sine_next, c_next, depth[k]
            k -= 1
        if not turned:
            return np.nan, np.nan, np.nan
    sine = sine_from
    c = c_from
    z = z_from
    k = np.searchsorted(depth, z_from, side="right")
    while z < z_to:
        if k < n and depth[k] < z_to:
            z_next, c_next = depth[k], speed[k]
        else:
            z_next, c_next = z_to, profile_speed(depth, speed, z_to)
        h = z_next - z
        square = 1 - (p * c_next) ** 2
        # Written as a difference, so that flat rays keep their digits.
        square = sine * sine - p * p * (c_next - c) * (c_next + c) if square < 0.1 else square
        if square <= 0:
            return np.nan, np.nan, np.nan
        sine_next = math.sqrt(square)
        x = h * p * (c + c_next) / (sine + sine_next)
        way += x
        time += _arc_time(math.hypot(x, h), c, c_next, h)
        first = 1.0 if z == z_from else sine_from / sine
        by_slowness += x / (p * sine_next) * first
        sine, c, z = sine_next, c_next, z_next
        k += 1
    # dp/dlaunch = -sin(launch)/c, of either sign.
    sign = 1.0 if launch >= 0 else -1.0
    return way, time, -sign * by_slowness / c_from


@numba.njit(nogil=True, cache=True)
def find_rays(depth, speed, z_from, horizontal, z_to, launch, time):
    """Fill the launch angle below the horizontal and the one-way time of the ray to each target; NaN: none gets there.

    Parameters
    ----------
    depth, speed : ndarray of float64, shape (k,)
        Profile, depths increasing. [m, m/s]
    z_from : float
        Depth of the array. [m]
    horizontal, z_to : ndarray of float64, shape (n,)
        Targets, distances above 0 and increasing. [m]
    launch, time : ndarray of float64, shape (n,)
        [rad, s]
    """
    bend = 0.0
    for i in range(horizontal.size):
        launch[i] = np.nan
        time[i] = np.nan
        h = z_to[i] - z_from
        if h <= 0:
            continue
        wanted = math.atan2(h, horizontal[i])
        low, high = _UPWARD_RAD, 0.5 * math.pi
        guess = min(wanted + bend, 0.5 * (wanted + high))
        for _ in range(_MOST_STEPS):
            way, t, slope = _trace(guess, depth, speed, z_from, z_to[i])
            if not way < np.inf:  # turned back: too flat
                low = guess
                guess = 0.5 * (low + high)
                continue
            error = wanted - math.atan2(h, way)
            if abs(error) < 1e-12 * (1 + wanted):
                # The last digits of the distance: time changes with it by the horizontal slowness.
                p = math.cos(guess) / profile_speed(depth, speed, z_from)
                launch[i] = guess
                time[i] = t + p * (horizontal[i] - way)
                bend = guess - wanted
                break
            if error > 0:
                low = guess
            else:
                high = guess
            step = error * (way * way + h * h) / (-h * slope)
            guess = guess + step if low < guess + step < high else 0.5 * (low + high)


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_factors(
    horizontal,
    drop,
    launch,
    time,
    speed_from,
    speed,
    reference,
    beams,
    at_array,
    unseen,
    slant,
    travel,
    factor,
):
    """Fill a table of rays, see ``refraction.py``; return how many nodes lie before the first that no ray reaches.

    Parameters
    ----------
    horizontal, drop : ndarray of float64, shape (n,)
        Distances and drops below the array. [m]
    launch, time : ndarray of float64, shape (n,) or (0,)
        Of bent rays, as :func:`find_rays` finds them; none: straight rays at ``speed``. [rad, s]
    speed_from, speed, reference, beams, at_array : float
        Sound speeds: the profile's at the array, along straight rays, and those of the table. [m/s]
    unseen : float
        Stretch of what no ray reaches.
    slant, travel : ndarray of float64, shape (n,)
    factor : ndarray of float64, shape (4, n)
    """
    n = horizontal.size
    for i in range(n):
        x, h = horizontal[i], drop[i]
        r = math.sqrt(x * x + h * h)
        sign = 1.0
        if launch.size > 0:
            t = time[i]
            p = math.cos(launch[i]) / speed_from
            sign = 1.0 if launch[i] > 0 else (-1.0 if launch[i] < 0 else 0.0)
        else:
            t = r / speed
            p = x / (r * speed)
        path = reference * t
        q = sign * math.sqrt(max(1 / (at_array * at_array) - p * p, 0.0))
        curve = reference * path * p / x
        slant[i] = r
        travel[i] = path
        factor[0, i] = (path / r) ** 2
        factor[1, i] = curve
        factor[2, i] = curve * beams / reference
        factor[3, i] = beams * path * q / h
    first = 0
    while first < n and travel[first] < np.inf:
        first += 1
    # What lies in the shade of a faster layer is heard never; so is what a fold of the rays brings back beyond it.
    for i in range(first, n):
        factor[0, i] = unseen
        for k in range(1, 4):
            factor[k, i] = 1.0
    return first


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_straight(
    horizontal, below, slope, speed, reference, beams, at_array, unseen, slant, travel, factor
):
    """Fill a table of straight rays over a seabed that begins ``below`` the array and falls by ``slope`` per metre abeam.

    Other parameters as for :func:`tabulate_factors`; ``horizontal`` may begin at 0.
    """
    n = horizontal.size
    place, none = np.empty((2, n)), np.empty(0)
    x, drop = place[0], place[1]
    for i in range(n):
        x[i] = max(horizontal[i], 1e-4)
        drop[i] = max(below + slope * horizontal[i], 1e-3)
    tabulate_factors(
        x, drop, none, none, reference, speed, reference, beams, at_array, unseen, slant, travel, factor
    )
