"""Inner loops of the echo simulator: choose the scatterers of a ping, spread their echoes onto a fine grid.

``spread_fast`` works in float32 around a float64 path to the array's centre; ``spread_exact`` in float64 throughout.
A point that transmitter and receivers see in two places, since one way or both go by a mirror, has both in its column:
rows 0 to 2 as the receivers see it, rows 5 to 7 as the transmitter does. Row 8, where there is one, is delay [s] beyond
that of the straight lines to these places: rays that bend bring it along.

Both put scatterer k of receiver m at ``(delay - grid_start_s) / grid_step_s`` on row m of a grid, with the baseband
phase ``-f0 * delay``, by the taps of a window whose transform the caller divides out (nonuniform FFT of type 1).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._wide import ROW, add_taps

__all__ = ["select", "sinc", "spread_exact", "spread_fast", "way_at"]

# numpy's error model: the other one tests every divisor for zero, an early exit that keeps loops from being vectorised.
_exact = njit(nogil=True, cache=True, error_model="numpy")
# Inlined by force: else the process that compiles a kernel calls its helpers as compiled on their own, later ones as they
# were compiled with it, and fastmath makes that another rounding, 1e-7: other bytes after a fresh installation.
_fast = njit(nogil=True, cache=True, error_model="numpy", fastmath=True, forceinline=True)
_fast_inline = njit(nogil=True, cache=True, error_model="numpy", fastmath=True, inline="always")

_BLOCK = ROW  # scatterers whose intermediate values stay in the first-level cache


@_exact
def way_at(way, s, out):
    """Evaluate the nine polynomials ``way`` (degree + 1, 9) at ``s``."""
    for k in range(9):
        total = way[way.shape[0] - 1, k]
        for p in range(way.shape[0] - 2, -1, -1):
            total = total * s + way[p, k]
        out[k] = total


@_fast
def _seen(north, east, depth, normal, transmit, axes, middle, limits, n, seen):
    """Fill ``seen`` with the factor of Lambert's law at each point, 0 where this ping doesn't meet it."""
    t0, t1, t2 = transmit[0], transmit[1], transmit[2]
    m0, m1, m2 = middle[0], middle[1], middle[2]
    a0, a1, a2 = axes[0, 0], axes[0, 1], axes[0, 2]
    n0, n1, n2 = axes[2, 0], axes[2, 1], axes[2, 2]
    b0, b1, b2 = normal[0], normal[1], normal[2]
    shortest, longest, sine = limits
    flat = abs(b0) + abs(b1) + abs(b2) > 0
    for i in range(n):
        dx, dy, dz = north[i] - t0, east[i] - t1, depth[i] - t2
        ex, ey, ez = north[i] - m0, east[i] - m1, depth[i] - m2
        r = math.sqrt(dx * dx + dy * dy + dz * dz)
        path = r + math.sqrt(ex * ex + ey * ey + ez * ez)
        keep = dx * n0 + dy * n1 + dz * n2 > 0  # in front of the baffle
        keep &= abs(dx * a0 + dy * a1 + dz * a2) <= sine * r
        keep &= (path >= shortest) & (path <= longest)
        # A face must be turned to the transmitter and to the array.
        keep &= (ex * b0 + ey * b1 + ez * b2 < 0) | (not flat)
        cosine = max(0.0, -(dx * b0 + dy * b1 + dz * b2) / r) if flat else 1.0
        seen[i] = cosine if keep else 0.0


@_exact
def _squeeze(north, east, depth, modulus, phase, seen, n, end, out):
    """Append the points that are seen to ``out`` without a branch that the processor would mispredict."""
    for i in range(n):
        out[0, end], out[1, end], out[2, end] = north[i], east[i], depth[i]
        out[3, end], out[4, end] = modulus[i] * seen[i], phase[i]
        end += seen[i] > 0
    return end


@_exact
def select(place, modulus, phase, normal, transmit, axes, middle, limits, start, out):
    """Copy the scatterers that this ping meets into ``out`` from column ``start``; return the new end.

    Parameters
    ----------
    place, modulus, phase, normal
        As in :class:`pingloom.simulate.scene.Scatterers`.
    transmit, axes
        Transmitter (3,) and its axes along, up and normal (3, 3).
    middle
        (3,) centre of the array in the middle of the listening time.
    limits
        Shortest and longest path [m], sine of the sector's half width.
    out
        (5, n) north, east, depth, modulus as seen under Lambert's law, phase; with one column to spare.
    """
    seen = np.empty(_BLOCK)
    end = start
    for begin in range(0, place.shape[1], _BLOCK):
        stop = min(begin + _BLOCK, place.shape[1])
        n = stop - begin
        north, east, depth = place[0, begin:stop], place[1, begin:stop], place[2, begin:stop]
        _seen(north, east, depth, normal, transmit, axes, middle, limits, n, seen)
        end = _squeeze(north, east, depth, modulus[begin:stop], phase[begin:stop], seen, n, end, out)
    return end


# --- reference -------------------------------------------------------------------------------------------


@_exact
def sinc(x):
    """sin(pi x) / (pi x)."""
    x *= math.pi
    return 1.0 - x * x / 6 if abs(x) < 1e-6 else math.sin(x) / x


@_exact
def spread_exact(point, n, transmit, axes, way, mid, half, numbers, element, beta, width, grid):
    """Add the echoes of ``point`` (5 or 8, n) to ``grid`` (receiver, step) complex128, each path solved on its own.

    ``numbers``: sound speed, centre frequency, sizes over wavelength (transmit along, up, receive along, up), neper
    per metre, amplitude at 1 m, grid start, grid steps per second.
    """
    c, f0, ta, tu, ra, ru, neper, level, grid_start, per_second = numbers
    at = np.empty(9)
    out = 5 if point.shape[0] > 5 else 0
    for i in range(n):
        dx, dy = point[out, i] - transmit[0], point[out + 1, i] - transmit[1]
        dz = point[out + 2, i] - transmit[2]
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        sent = sinc(ta * (dx * axes[0, 0] + dy * axes[0, 1] + dz * axes[0, 2]) / rt)
        sent *= sinc(tu * (dx * axes[1, 0] + dy * axes[1, 1] + dz * axes[1, 2]) / rt)
        sent *= level * point[3, i] * math.exp(-neper * rt) / rt
        delay = 2 * rt / c
        for m in range(element.shape[0]):
            r = 0.0
            for _ in range(8):  # each round gains three to four digits: the array is slow against sound
                way_at(way, (delay - mid) / half, at)
                ex = point[0, i] - at[0] - element[m] * at[3]
                ey = point[1, i] - at[1] - element[m] * at[4]
                ez = point[2, i] - at[2] - element[m] * at[5]
                r = math.sqrt(ex * ex + ey * ey + ez * ez)
                before = delay
                delay = (rt + r) / c
                if abs(delay - before) < 1e-15:
                    break
            got = sent * sinc(ra * (ex * at[3] + ey * at[4] + ez * at[5]) / r)
            got *= sinc(ru * (ex * at[6] + ey * at[7] + ez * at[8]) / r) * math.exp(-neper * r) / r
            turn = 2 * math.pi * (point[4, i] - f0 * delay)
            value = complex(got * math.cos(turn), got * math.sin(turn))
            u = (delay - grid_start) * per_second
            first = math.ceil(u - width / 2)
            if first < 0 or first + width > grid.shape[1]:
                continue
            for j in range(width):
                z = 2 * (first + j - u) / width
                grid[m, first + j] += value * math.exp(beta * (math.sqrt(max(0.0, 1 - z * z)) - 1))


# --- fast ------------------------------------------------------------------------------------------------

# Fits in t^2 over |t| <= 1/2 of sin(pi t) / t and cos(pi t): within 6e-7 and 7e-6, where the taps' error is 1e-4.
_t = np.cos(np.pi * (np.arange(400) + 0.5) / 400) * 0.25 + 0.25
S0, S1, S2, S3 = np.polynomial.polynomial.polyfit(_t**2, np.pi * np.sinc(_t), 3).astype(np.float32)
C0, C1, C2, C3 = np.polynomial.polynomial.polyfit(_t**2, np.cos(np.pi * _t), 3).astype(np.float32)
_F1, _F2, _HALF = np.float32(1), np.float32(2), np.float32(0.5)


@_fast_inline
def _sinc32(x):
    """sin(pi x) / (pi x), branch-free."""
    turn = np.rint(x)
    t = x - turn
    u = t * t
    s = t * (S0 + u * (S1 + u * (S2 + u * S3)))
    odd = turn - _F2 * np.floor(turn * _HALF)
    s *= _F1 - _F2 * odd
    small = abs(x) < np.float32(1e-3)
    return _F1 if small else s / (np.float32(np.pi) * x)


@_fast_inline
def _exp32(x):
    """exp(x) for -60 < x <= 0: eight terms of the series at x / 64, squared six times."""
    y = max(x, np.float32(-60)) * np.float32(1 / 64)
    p = _F1 + y * np.float32(1 / 7)
    p = _F1 + y * np.float32(1 / 6) * p
    p = _F1 + y * np.float32(1 / 5) * p
    p = _F1 + y * np.float32(1 / 4) * p
    p = _F1 + y * np.float32(1 / 3) * p
    p = _F1 + y * _HALF * p
    p = _F1 + y * p
    p *= p
    p *= p
    p *= p
    p *= p
    p *= p
    return p * p


# Rows of the float32 scratch, each _BLOCK long.
_X, _R, _CLOSING, _PHASE, _FRACTION, _GAIN, _UP, _TA, _TU, _PATH = range(10)
_G0, _G1, _G2, _G3, _G4, _CELL, _SPIN = range(10, 17)
_N_ROW = 17


@_fast_inline
def _value(way, k, s):
    """Polynomial k of degree 7; written out, because a loop here would keep the outer one from being vectorised."""
    k *= 8
    high = way[k + 4] + s * (way[k + 5] + s * (way[k + 6] + s * way[k + 7]))
    return way[k] + s * (way[k + 1] + s * (way[k + 2] + s * (way[k + 3] + s * high)))


@_fast_inline
def _slope(way, k, s):
    """Derivative of :func:`_value` to its fourth power: it only corrects the last digits."""
    k *= 8
    high = 3 * way[k + 3] + s * (4 * way[k + 4] + s * 5 * way[k + 5])
    return way[k + 1] + s * (2 * way[k + 2] + s * high)


@_exact
def _gather(point, begin, n, p):
    """Copy a block's rows of ``point`` to ``p``, so that the loops after it read one array: LLVM's loop vectoriser gives up
    where it would have to check at run time whether more than a few arrays overlap.
    """
    sent = 5 if point.shape[0] > 5 else 0
    for k in range(5):
        p[k * _BLOCK : k * _BLOCK + n] = point[k, begin : begin + n]
    for k in range(3):
        p[(5 + k) * _BLOCK : (5 + k) * _BLOCK + n] = point[sent + k, begin : begin + n]
    if point.shape[0] > 8:
        p[8 * _BLOCK : 8 * _BLOCK + n] = point[8, begin : begin + n]


@_fast
def _paths(n, fixed, way, p, f):
    """Float64 part: the path by way of the array's centre, as float32 remainders of whole steps and turns.

    ``fixed``: transmitter (3), its axes along and up (6), ``mid``, ``half`` and the ``numbers`` of :func:`spread_exact`.
    ``p``: nine rows of the points.
    """
    t0, t1, t2 = fixed[0], fixed[1], fixed[2]
    mid, half, c, f0 = fixed[9], fixed[10], fixed[11], fixed[12]
    ru, grid_start, per_second = fixed[16], fixed[19], fixed[20]
    for i in range(n):
        dx, dy, dz = p[5 * _BLOCK + i] - t0, p[6 * _BLOCK + i] - t1, p[7 * _BLOCK + i] - t2
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        px, py, pz = p[i], p[_BLOCK + i], p[2 * _BLOCK + i]
        dx, dy, dz = px - t0, py - t1, pz - t2
        rest = math.sqrt(dx * dx + dy * dy + dz * dz)
        # Newton from the delay of an array at rest; the remaining error is (v^2 / r / 2c) e^2, under 1e-11 s.
        more = p[8 * _BLOCK + i]
        s = ((rt + rest) / c + more - mid) / half
        ex, ey, ez = px - _value(way, 0, s), py - _value(way, 1, s), pz - _value(way, 2, s)
        vx, vy, vz = _slope(way, 0, s), _slope(way, 1, s), _slope(way, 2, s)
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        closing = (ex * vx + ey * vy + ez * vz) / (r * half * c)  # speed of approach over that of sound
        s = ((rt + rest) / c + more + (r - rest) / c / (1 + closing) - mid) / half
        ex, ey, ez = px - _value(way, 0, s), py - _value(way, 1, s), pz - _value(way, 2, s)
        ax, ay, az = _value(way, 3, s), _value(way, 4, s), _value(way, 5, s)
        bx, by, bz = _value(way, 6, s), _value(way, 7, s), _value(way, 8, s)
        wx, wy, wz = _slope(way, 3, s), _slope(way, 4, s), _slope(way, 5, s)
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        delay = (rt + r) / c + more
        turn = p[4 * _BLOCK + i] - f0 * delay
        u = (delay - grid_start) * per_second
        whole = np.floor(u)
        f[_CELL * _BLOCK + i] = np.float32(whole)
        f[_FRACTION * _BLOCK + i] = np.float32(u - whole)
        f[_PHASE * _BLOCK + i] = np.float32(turn - np.rint(turn))
        f[_X * _BLOCK + i] = np.float32(ex * ax + ey * ay + ez * az)
        f[_UP * _BLOCK + i] = np.float32((ex * bx + ey * by + ez * bz) * ru)
        f[_R * _BLOCK + i] = np.float32(r)
        # A receiver at x hears d later than the centre and is nearer by then: its approach is (closing r + x spin) / r(x).
        f[_CLOSING * _BLOCK + i] = np.float32(closing * r)
        f[_SPIN * _BLOCK + i] = np.float32(
            ((ex * wx + ey * wy + ez * wz) - (vx * ax + vy * ay + vz * az)) / (half * c)
        )


@_fast
def _sent(n, fixed, p, f):
    """What the transmitter sees: direction, spreading, absorption. A loop of its own, or LLVM gives both up."""
    t0, t1, t2 = fixed[0], fixed[1], fixed[2]
    a0, a1, a2, u0, u1, u2 = fixed[3], fixed[4], fixed[5], fixed[6], fixed[7], fixed[8]
    ta, tu, neper, level = fixed[13], fixed[14], fixed[17], fixed[18]
    for i in range(n):
        dx, dy, dz = p[5 * _BLOCK + i] - t0, p[6 * _BLOCK + i] - t1, p[7 * _BLOCK + i] - t2
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        f[_TA * _BLOCK + i] = np.float32((dx * a0 + dy * a1 + dz * a2) / rt * ta)
        f[_TU * _BLOCK + i] = np.float32((dx * u0 + dy * u1 + dz * u2) / rt * tu)
        f[_GAIN * _BLOCK + i] = np.float32(p[3 * _BLOCK + i] * level / rt)
        f[_PATH * _BLOCK + i] = np.float32((rt + f[_R * _BLOCK + i]) * -neper)


@_fast
def _gains(n, fixed, node, f):
    """Amplitude at five nodes along the array: patterns and spreading at each node's own direction."""
    ra, neper = np.float32(fixed[15]), np.float32(fixed[17])
    for i in range(n):
        g = f[_GAIN * _BLOCK + i] * _sinc32(f[_TA * _BLOCK + i]) * _sinc32(f[_TU * _BLOCK + i])
        f[_GAIN * _BLOCK + i] = g * _exp32(f[_PATH * _BLOCK + i])
    for k in range(5):
        out = f[(_G0 + k) * _BLOCK : (_G0 + k + 1) * _BLOCK]
        _gain_at(n, node[k], ra, neper, f, out)


@_fast
def _gain_at(n, x, ra, neper, f, out):
    for i in range(n):
        r0, along = f[_R * _BLOCK + i], f[_X * _BLOCK + i]
        q = x * (x - _F2 * along)
        r = np.sqrt(r0 * r0 + q)
        inverse = _F1 / r
        z = neper * q / (r + r0)
        g = _sinc32(ra * (along - x) * inverse) * _sinc32(f[_UP * _BLOCK + i] * inverse)
        out[i] = g * inverse * (_F1 - z + _HALF * z * z) * f[_GAIN * _BLOCK + i]


@_fast
def _to_powers(n, w, f):
    """Values at the nodes to coefficients of the powers of the place along the array."""
    for i in range(n):
        g0, g1, g2 = f[_G0 * _BLOCK + i], f[_G1 * _BLOCK + i], f[_G2 * _BLOCK + i]
        g3, g4 = f[_G3 * _BLOCK + i], f[_G4 * _BLOCK + i]
        f[_G0 * _BLOCK + i] = w[0] * g0 + w[1] * g1 + w[2] * g2 + w[3] * g3 + w[4] * g4
        f[_G1 * _BLOCK + i] = w[5] * g0 + w[6] * g1 + w[7] * g2 + w[8] * g3 + w[9] * g4
        f[_G2 * _BLOCK + i] = w[10] * g0 + w[11] * g1 + w[12] * g2 + w[13] * g3 + w[14] * g4
        f[_G3 * _BLOCK + i] = w[15] * g0 + w[16] * g1 + w[17] * g2 + w[18] * g3 + w[19] * g4
        f[_G4 * _BLOCK + i] = w[20] * g0 + w[21] * g1 + w[22] * g2 + w[23] * g3 + w[24] * g4


@_fast
def _receiver(n, x, xi, per_metre, cycles, tap, f, place, row):
    """One receiver: exact path difference to the centre, phase, amplitude, place on the grid, tap weights."""
    for i in range(n):
        r0 = f[_R * _BLOCK + i]
        q = x * (x - _F2 * f[_X * _BLOCK + i])
        r = np.sqrt(r0 * r0 + q)
        d = q * (r - f[_CLOSING * _BLOCK + i] - x * f[_SPIN * _BLOCK + i]) / ((r + r0) * r)
        t = f[_PHASE * _BLOCK + i] - cycles * d
        t -= np.rint(t)
        u = t * t
        s = t * (S0 + u * (S1 + u * (S2 + u * S3)))
        c = C0 + u * (C1 + u * (C2 + u * C3))
        g = f[_G3 * _BLOCK + i] + xi * f[_G4 * _BLOCK + i]
        g = f[_G1 * _BLOCK + i] + xi * (f[_G2 * _BLOCK + i] + xi * g)
        g = f[_G0 * _BLOCK + i] + xi * g
        row[i] = g * (_F1 - _F2 * s * s)
        row[_BLOCK + i] = g * _F2 * s * c
        v = d * per_metre + f[_FRACTION * _BLOCK + i]
        whole = np.floor(v)
        place[i] = np.int32(f[_CELL * _BLOCK + i] + whole)
        z = v - whole - _HALF
        w = z * z
        # Taps 0 and 3, 1 and 2 mirror each other: even and odd parts in z.
        outer = tap[0] + w * (tap[1] + w * tap[2])
        outer_odd = z * (tap[3] + w * (tap[4] + w * tap[5]))
        inner = tap[6] + w * (tap[7] + w * tap[8])
        inner_odd = z * (tap[9] + w * (tap[10] + w * tap[11]))
        row[2 * _BLOCK + i] = outer + outer_odd
        row[3 * _BLOCK + i] = inner + inner_odd
        row[4 * _BLOCK + i] = inner - inner_odd
        row[5 * _BLOCK + i] = outer - outer_odd


@_fast
def _add(n, place, row, line):
    """Add the taps to one receiver's line, real and imaginary parts interleaved, four points at a time."""
    for i in range(n, (n + 3) // 4 * 4):
        row[i], row[_BLOCK + i], place[i] = 0, 0, place[0]
    for i in range(0, n, 4):
        a, b, c, d = place[i], place[i + 1], place[i + 2], place[i + 3]
        add_taps(line, 2 * a - 2, 2 * b - 2, 2 * c - 2, 2 * d - 2, row, i)


@_exact
def spread_fast(point, n, fixed, way, element, x_scale, node, inverse, tap, edge, grid):
    """As :func:`spread_exact` with four taps, on ``grid`` (receiver, 2 x step) float32, interleaved.

    Parameters
    ----------
    point, n
        As :func:`select` leaves them.
    fixed, way
        Float64 numbers (21,) in the order of :func:`_paths`, and the row's way, (72,): nine polynomials one after the other.
    element, x_scale, node, inverse
        float32: places along the array (m,), half the array's length, five places along it, and (25,) from values
        there to powers of ``x / x_scale``.
    tap
        (12,) float32: even and odd polynomials of taps 0 and 1.
    edge
        Grid steps at both ends that a path by way of the centre has to keep clear of.
    grid
        Added to.
    """
    f = np.empty(_N_ROW * _BLOCK, np.float32)
    p = np.zeros(9 * _BLOCK)
    place = np.empty(_BLOCK, np.int32)
    row = np.zeros(
        6 * _BLOCK, np.float32
    )  # zeros: weights of points that only fill up to four must be finite
    per_metre = np.float32(fixed[20] / fixed[11])
    cycles = np.float32(fixed[12] / fixed[11])
    last = grid.shape[1] // 2 - edge
    for begin in range(0, n, _BLOCK):
        size = min(_BLOCK, n - begin)
        _gather(point, begin, size, p)
        _paths(size, fixed, way, p, f)
        _sent(size, fixed, p, f)
        for i in range(size):
            if f[_CELL * _BLOCK + i] < edge or f[_CELL * _BLOCK + i] >= last:
                # Selection keeps them away, but memory must be safe whatever it does.
                f[_CELL * _BLOCK + i] = edge
                f[_GAIN * _BLOCK + i] = 0
        _gains(size, fixed, node, f)
        _to_powers(size, inverse, f)
        for m in range(element.shape[0]):
            _receiver(size, element[m], element[m] / x_scale, per_metre, cycles, tap, f, place, row)
            _add(size, place, row, grid[m])
