"""The ray between two depths through layers in each of which the sound speed is linear in depth.

Everything follows from Snell's law, cos(angle) / c = p along the whole ray. With the sines s of the angle below the
horizontal at a layer's ends, its thickness d and its gradient g, a layer that is crossed takes

    distance  p (c0 + c1) d / (s0 + s1)
    time      A atanh(g A) / (g A),  A = (c0 + c1) (1 + s0 s1) d / ((s0 + s1) (c0^2 + c1^2 - p^2 c0^2 c1^2))
    length    chord * asin(u) / u,   u = p |g| chord / 2

which are the textbook's forms (s0 - s1) / (p g), ln((c1/c0) (1+s0)/(1+s1)) / g and (angle1 - angle0) / (p g) freed of
their differences of nearly equal numbers, so that they hold for weak gradients and steep rays alike.

A ray is found by the angle at the fastest depth on its way, where it is flattest. Straight down that angle is 90 degrees
and the distance 0; as it falls to 0 the distance grows, always. If the fastest depth is an end of the way and the water
beyond is faster still, the family goes on: negative angles leave that end on its far side, turn back and pass it again.
There the distance may stop growing, at a caustic: that is where the family is cut.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["COLUMNS", "eigenrays_each", "eigenrays_into", "work_rows"]

COLUMNS = 9
"""Of a ray: time [s], angle below the horizontal at source and target [rad], spreading distance [m], absorption [Np],
length [m], ray parameter cos(angle)/c [s/m], changes of the ray parameter with the target's depth and with distance [s/m^2]."""

_exact = njit(nogil=True, cache=True, error_model="numpy")

_SCAN = 48  # places at which the part of the family that turns back is searched for a caustic
_FLAT = 1e-9  # smallest angle [rad] that stands for one from above 0
_ROUNDS = 60
_LEAST_DROP_M = 1e-6  # ends at one depth are taken this far apart


@_exact
def work_rows() -> int:
    """Rows of the scratch array of :func:`eigenrays_into`; it needs two columns more than the profile has points."""
    return 4


@_exact
def _layer(depth, z):
    """Index of the layer that holds z from its upper end on; -1 above the profile, the last index below it."""
    return np.searchsorted(depth, z, side="right") - 1


@_exact
def _speed(depth, speed, z):
    """Sound speed at z; the end values hold beyond the ends."""
    i = _layer(depth, z)
    if i < 0:
        return speed[0]
    if i >= depth.size - 1:
        return speed[-1]
    return speed[i] + (z - depth[i]) / (depth[i + 1] - depth[i]) * (speed[i + 1] - speed[i])


@_exact
def _cut(depth, speed, loss, upper, lower, work):
    """Fill ``work`` with the layers between two depths; return their number, the fastest node and the family's side.

    ``work`` rows: speed at the nodes, thickness, gradient and absorption of the layers. Side: -1 where the family goes on
    above the upper end, 1 below the lower one, 0 where it ends.
    """
    k = depth.size
    i, z, n = _layer(depth, upper), upper, 0
    work[0, 0] = _speed(depth, speed, upper)
    while True:
        end = lower if i >= k - 1 else min(lower, depth[i + 1])
        work[0, n + 1] = _speed(depth, speed, end)
        work[1, n] = end - z
        work[2, n] = (speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i]) if 0 <= i < k - 1 else 0.0
        work[3, n] = loss[max(0, min(i, k - 2))]
        n += 1
        if end >= lower:
            break
        z, i = end, i + 1
    fastest = 0 if work[0, 0] >= work[0, n] else n
    for j in range(1, n):
        if work[0, j] > work[0, fastest]:
            fastest = j
    side = 0
    if work[0, 0] == work[0, fastest] and _rises(depth, speed, upper, -1):
        fastest, side = 0, -1
    elif work[0, n] == work[0, fastest] and _rises(depth, speed, lower, 1):
        fastest, side = n, 1
    return n, fastest, side


@_exact
def _rises(depth, speed, z, side):
    """Whether the water just above (-1) or below (1) z, within the profile, is faster."""
    i = _layer(depth, z)
    if side < 0 and i >= 0 and depth[i] == z:
        i -= 1
    if i < 0 or i >= depth.size - 1:
        return False
    return (speed[i + 1] - speed[i]) * side > 0


@_exact
def _square(c, fastest, s):
    """Square of the sine of the ray's angle where the sound speed is c, given its sine s at ``fastest``."""
    ratio = c / fastest
    return (fastest - c) * (fastest + c) / (fastest * fastest) + ratio * ratio * s * s


@_exact
def _sine(c, fastest, s):
    return math.sqrt(max(0.0, _square(c, fastest, s)))


@_exact
def _change(c, fastest, s, k, at):
    """Derivative of that sine to the angle at ``fastest``, whose sine and cosine are s and k."""
    ratio = c / fastest
    return ratio * k if at == 0.0 else ratio * ratio * s * k / at


@_exact
def _crossed(a, b, d, g, sa, sb, p):
    """Distance over p, time and length of a layer that is crossed."""
    far = (a + b) * d / (sa + sb)
    base = far * (1.0 + sa * sb) / (a * a + b * b - p * p * a * a * b * b)
    y = g * base
    time = base * (math.atanh(y) / y if abs(y) > 1e-4 else 1.0 + y * y / 3.0)
    chord = math.hypot(p * far, d)
    u = 0.5 * p * abs(g) * chord
    return far, time, chord * (math.asin(min(u, 1.0)) / u if u > 1e-4 else 1.0 + u * u / 6.0)


@_exact
def _reach(angle, depth, speed, ends, n, fastest, side, work):
    """Distance and its derivative for the ray at ``angle`` where it is fastest; NaN for a ray that doesn't come back."""
    c = work[0, fastest]
    s, k = math.sin(angle), math.cos(angle)
    p, dp = k / c, -s / c
    far, dfar = 0.0, 0.0
    sa = _sine(work[0, 0], c, s)
    da = _change(work[0, 0], c, s, k, sa)
    for j in range(n):
        sb = _sine(work[0, j + 1], c, s)
        db = _change(work[0, j + 1], c, s, k, sb)
        step = (work[0, j] + work[0, j + 1]) * work[1, j] / (sa + sb)
        far += step
        dfar -= step * (da + db) / (sa + sb)
        sa, da = sb, db
    if angle < 0.0:
        up, dup, _, _, _ = _turned(angle, depth, speed, speed, ends, c, side)
        return p * far + up, dp * far + p * dfar + dup
    return p * far, dp * far + p * dfar


@_exact
def _turned(angle, depth, speed, loss, ends, c, side):
    """Distance, its derivative, time, length and absorption of the piece beyond the end, out and back; NaN without turn."""
    s, k = math.sin(angle), math.cos(angle)
    p, dp = k / c, -s / c
    far, dfar, time, length, lost = 0.0, 0.0, 0.0, 0.0, 0.0
    z, here, sa, da = ends[0] if side < 0 else ends[1], c, -s, -k
    i = _layer(depth, z)
    if side < 0 and depth[i] == z:
        i -= 1
    while 0 <= i < depth.size - 1:
        end = depth[i] if side < 0 else depth[i + 1]
        there = speed[i] if side < 0 else speed[i + 1]
        g = abs(speed[i + 1] - speed[i]) / (depth[i + 1] - depth[i])
        square = _square(there, c, s)
        if square <= 0.0:
            far += sa / (p * g)
            dfar += da / (p * g) - sa * dp / (p * p * g)
            piece = math.asin(sa) / (p * g)
            return (
                2 * far,
                2 * dfar,
                2 * (time + math.atanh(sa) / g),
                2 * (length + piece),
                2 * (lost + loss[i] * piece),
            )
        sb = math.sqrt(square)
        db = _change(there, c, s, k, sb)
        step, dt, piece = _crossed(here, there, abs(end - z), g if there > here else -g, sa, sb, p)
        far += p * step
        dfar += dp * step - p * step * (da + db) / (sa + sb)
        time, length, lost = time + dt, length + piece, lost + loss[i] * piece
        z, here, sa, da, i = end, there, sb, db, i + side
    return math.nan, math.nan, math.nan, math.nan, math.nan


@_exact
def _last(depth, speed, ends, n, fastest, side, work):
    """Angle and distance of the family's last ray."""
    if side == 0:
        return _FLAT, _reach(_FLAT, depth, speed, ends, n, fastest, side, work)[0]
    c, most = work[0, fastest], work[0, fastest]
    z = ends[0] if side < 0 else ends[1]
    for j in range(depth.size):
        if (depth[j] < z and side < 0) or (depth[j] > z and side > 0):
            most = max(most, speed[j])
    low = -math.acos(c / most) * (1.0 - 1e-9)
    good = 0.0
    for j in range(1, _SCAN + 1):
        angle = low * j / _SCAN
        slope = _reach(angle, depth, speed, ends, n, fastest, side, work)[1]
        if not slope < 0.0:
            bad = angle
            for _ in range(50):
                middle = 0.5 * (good + bad)
                if _reach(middle, depth, speed, ends, n, fastest, side, work)[1] < 0.0:
                    good = middle
                else:
                    bad = middle
            break
        good = angle
    return good, _reach(good, depth, speed, ends, n, fastest, side, work)[0]


@_exact
def _find(x, guess, last, reach, depth, speed, ends, n, fastest, side, work):
    """Angle of the ray that comes down at x, by Newton's steps kept between two rays that bracket it; NaN: in shadow."""
    if not x <= reach:
        return math.nan
    low, high = last, 0.5 * math.pi
    drop = max(ends[1] - ends[0], 0.01 * x)
    wanted = math.atan2(drop, x)
    angle = guess if low < guess <= high else max(low, min(high, math.atan2(ends[1] - ends[0], x)))
    for _ in range(_ROUNDS):
        got, slope = _reach(angle, depth, speed, ends, n, fastest, side, work)
        if abs(got - x) <= 1e-10 * x + 1e-14 * drop:
            break
        if got > x:
            low = angle
        else:
            high = angle
        # As an angle seen from a fixed height the distance is nearly linear in the ray's own angle.
        step = (math.atan2(drop, got) - wanted) * (got * got + drop * drop) / (drop * slope)
        angle += step
        if not low < angle < high:
            angle = 0.5 * (low + high)
        if high - low < 1e-15:
            break
    return angle


@_exact
def _describe(x, angle, depth, speed, loss, ends, n, fastest, side, work, upward, out):
    """Fill ``out`` with what :data:`COLUMNS` names for the ray at ``angle``; ``upward``: the target is the upper end."""
    c = work[0, fastest]
    s, k = math.sin(angle), math.cos(angle)
    p = k / c
    got, slope = _reach(angle, depth, speed, ends, n, fastest, side, work)
    time, length, lost, far = 0.0, 0.0, 0.0, 0.0
    first = sa = _sine(work[0, 0], c, s)
    for j in range(n):
        sb = _sine(work[0, j + 1], c, s)
        step, dt, piece = _crossed(work[0, j], work[0, j + 1], work[1, j], work[2, j], sa, sb, p)
        far, time, length, lost = far + step, time + dt, length + piece, lost + work[3, j] * piece
        sa = sb
    top, bottom = first, sa
    if angle < 0.0:
        more, _, dt, piece, gone = _turned(angle, depth, speed, loss, ends, c, side)
        far, time, length, lost = far + more / p, time + dt, length + piece, lost + gone
        top, bottom = (-first, sa) if side < 0 else (first, -sa)
    # Power through a ring of the ray tube; c0 c1 makes it the same both ways.
    other = first * sa if side == 0 and 0 < fastest < n else (sa if fastest == 0 else first)
    share = c * other / (abs(s) if side == 0 and 0 < fastest < n else 1.0) / (work[0, 0] * work[0, n])
    out[0] = time + p * (x - got)
    down, up = math.atan2(top, p * work[0, 0]), math.atan2(bottom, p * work[0, n])
    out[1], out[2] = (-up, -down) if upward else (down, up)
    out[3] = math.sqrt(far * abs(slope) * share)
    out[4], out[5], out[6] = lost, length, p
    cut = top / (p * work[0, 0]) if upward else bottom / (p * work[0, n])  # tangent of the ray at the target
    out[7] = (-1.0 if upward else 1.0) * (s / (cut * c) if cut != 0.0 else p) / slope
    out[8] = -s / (c * slope)


@_exact
def eigenrays_into(depth, speed, loss, source, target, horizontal, work, out):
    """Fill ``out`` (n, :data:`COLUMNS`) with the direct rays from one depth to another over each of ``horizontal`` (n,).

    Parameters
    ----------
    depth, speed : (k,)
        Profile, depths ascending; linear between the points, the end values beyond them.
    loss : (k - 1,)
        Absorption of the layers. [Np/m]
    source, target : float
        Depths.
    work : (:func:`work_rows`, k + 2)
        Scratch.
    out
        NaN where no direct ray arrives.
    """
    upward = target < source
    upper, lower = (target, source) if upward else (source, target)
    lower = max(lower, upper + _LEAST_DROP_M)
    ends = (upper, lower)
    n, fastest, side = _cut(depth, speed, loss, upper, lower, work)
    last, reach = math.nan, math.nan
    guess = math.nan
    nearest = _reach(_FLAT, depth, speed, ends, n, fastest, side, work)[0]
    for i in range(horizontal.size):
        x = horizontal[i]
        if x > nearest and math.isnan(last):
            last, reach = _last(depth, speed, ends, n, fastest, side, work)
        if x > nearest:
            guess = _find(x, guess, last, reach, depth, speed, ends, n, fastest, side, work)
        else:
            guess = _find(x, guess, _FLAT, nearest, depth, speed, ends, n, fastest, side, work)
        if math.isnan(guess):
            out[i, :] = math.nan
        else:
            _describe(x, guess, depth, speed, loss, ends, n, fastest, side, work, upward, out[i])


@_exact
def eigenrays_each(depth, speed, loss, source, target, horizontal, out):
    """As :func:`eigenrays_into` with sources and targets of their own, (n,) each."""
    work = np.empty((work_rows(), depth.size + 2))
    i = 0
    while i < horizontal.size:
        j = i + 1
        while j < horizontal.size and source[j] == source[i] and target[j] == target[i]:
            j += 1
        eigenrays_into(depth, speed, loss, source[i], target[i], horizontal[i:j], work, out[i:j])
        i = j
