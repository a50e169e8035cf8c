"""The fast way to spread echoes: float32 around a float64 path to the array's centre, in loops that LLVM vectorises.

What keeps them so, all found with LLVM's own remarks (``llvmlite.binding.set_option("", "--debug-only=loop-vectorize")``):

- One array to read: where a loop would have to check at run time whether more than a few arrays overlap, the loop
  vectoriser gives up. So a block's points are copied to one scratch, ``p``, before anything is computed.
- Indices that can't wrap: ``n = min(n, ...)`` says so where LLVM doesn't see it by itself.
- Short loops: a processor looks a few hundred instructions ahead. Where one point's chain of results is as long as that,
  it waits; two loops with a row of scratch between them take two thirds of the time of one.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._wide import ROW, add_taps

__all__ = ["spread_fast"]

_exact = njit(nogil=True, cache=True, error_model="numpy")
# Inlined by force: else the process that compiles a kernel calls its helpers as compiled on their own, later ones as they
# were compiled with it, and fastmath makes that another rounding, 1e-7: other bytes after a fresh installation.
_fast = njit(nogil=True, cache=True, error_model="numpy", fastmath=True, forceinline=True)
_fast_inline = njit(nogil=True, cache=True, error_model="numpy", fastmath=True, inline="always")

_BLOCK = 256  # points whose intermediate values stay in the first-level cache

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

# Rows of the float64 scratch: nine of the point (0 to 2 its place as the receivers see it, from _SENT on as the transmitter
# does), then what one loop leaves for the next.
_MODULUS, _CYCLES, _SENT, _LATE = 3, 4, 5, 8
_OUTWARD, _WHEN, _SPEED, _APPROACH = 9, 10, 11, 14
_N_POINT_ROW = 15


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
    """Copy a block's rows of ``point`` to ``p``; what is seen in one place is so from there twice."""
    sent = _SENT if point.shape[0] > 5 else 0
    for k in range(5):
        p[k * _BLOCK : k * _BLOCK + n] = point[k, begin : begin + n]
    for k in range(3):
        p[(_SENT + k) * _BLOCK : (_SENT + k) * _BLOCK + n] = point[sent + k, begin : begin + n]
    if point.shape[0] > 8:
        p[_LATE * _BLOCK : _LATE * _BLOCK + n] = point[8, begin : begin + n]


@_fast
def _leave(n, fixed, p, f):
    """What the transmitter sees: distance, direction, spreading, absorption.

    ``fixed``: transmitter (3), its axes along and up (6), ``mid``, ``half`` and the ``numbers`` of ``spread_exact``.
    """
    n = min(n, _BLOCK)
    t0, t1, t2 = fixed[0], fixed[1], fixed[2]
    a0, a1, a2, u0, u1, u2 = fixed[3], fixed[4], fixed[5], fixed[6], fixed[7], fixed[8]
    ta, tu, neper, level = fixed[13], fixed[14], fixed[17], fixed[18]
    for i in range(n):
        dx, dy = p[_SENT * _BLOCK + i] - t0, p[(_SENT + 1) * _BLOCK + i] - t1
        dz = p[(_SENT + 2) * _BLOCK + i] - t2
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        p[_OUTWARD * _BLOCK + i] = rt
        f[_TA * _BLOCK + i] = np.float32((dx * a0 + dy * a1 + dz * a2) / rt * ta)
        f[_TU * _BLOCK + i] = np.float32((dx * u0 + dy * u1 + dz * u2) / rt * tu)
        f[_GAIN * _BLOCK + i] = np.float32(p[_MODULUS * _BLOCK + i] * level / rt)
        f[_PATH * _BLOCK + i] = np.float32(rt * -neper)


@_fast
def _meet(n, fixed, way, p):
    """When the array's centre hears each point, in the time of ``way``, and how fast it moves then.

    One step of Newton's from the delay of an array at rest; the remaining error is (v^2 / r / 2c) e^2, under 1e-11 s.
    """
    n = min(n, _BLOCK)
    t0, t1, t2 = fixed[0], fixed[1], fixed[2]
    mid, half, c = fixed[9], fixed[10], fixed[11]
    for i in range(n):
        px, py, pz = p[i], p[_BLOCK + i], p[2 * _BLOCK + i]
        dx, dy, dz = px - t0, py - t1, pz - t2
        rest = math.sqrt(dx * dx + dy * dy + dz * dz)
        still = (p[_OUTWARD * _BLOCK + i] + rest) / c + p[_LATE * _BLOCK + i]
        s = (still - mid) / half
        ex, ey, ez = px - _value(way, 0, s), py - _value(way, 1, s), pz - _value(way, 2, s)
        vx, vy, vz = _slope(way, 0, s), _slope(way, 1, s), _slope(way, 2, s)
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        closing = (ex * vx + ey * vy + ez * vz) / (r * half * c)  # speed of approach over that of sound
        p[_WHEN * _BLOCK + i] = (still + (r - rest) / c / (1 + closing) - mid) / half
        p[_SPEED * _BLOCK + i] = vx
        p[(_SPEED + 1) * _BLOCK + i] = vy
        p[(_SPEED + 2) * _BLOCK + i] = vz
        p[_APPROACH * _BLOCK + i] = closing


@_fast
def _paths(n, fixed, way, p, f):
    """The path by way of the array's centre, as float32 remainders of whole steps and turns; places from the centre."""
    n = min(n, _BLOCK)
    c, f0, grid_start, per_second = fixed[11], fixed[12], fixed[19], fixed[20]
    for i in range(n):
        s = p[_WHEN * _BLOCK + i]
        ex, ey = p[i] - _value(way, 0, s), p[_BLOCK + i] - _value(way, 1, s)
        ez = p[2 * _BLOCK + i] - _value(way, 2, s)
        p[i], p[_BLOCK + i], p[2 * _BLOCK + i] = ex, ey, ez
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        delay = (p[_OUTWARD * _BLOCK + i] + r) / c + p[_LATE * _BLOCK + i]
        turn = p[_CYCLES * _BLOCK + i] - f0 * delay
        u = (delay - grid_start) * per_second
        whole = np.floor(u)
        f[_CELL * _BLOCK + i] = np.float32(whole)
        f[_FRACTION * _BLOCK + i] = np.float32(u - whole)
        f[_PHASE * _BLOCK + i] = np.float32(turn - np.rint(turn))
        f[_R * _BLOCK + i] = np.float32(r)
        # A receiver at x hears d later than the centre and is nearer by then: its approach is (closing r + x spin) / r(x).
        f[_CLOSING * _BLOCK + i] = np.float32(p[_APPROACH * _BLOCK + i] * r)


@_fast
def _turned(n, fixed, way, p, f):
    """Places along and up the array as it is turned when it hears them, and what its turning adds to its approach."""
    n = min(n, _BLOCK)
    half, c, ru = fixed[10], fixed[11], fixed[16]
    for i in range(n):
        s = p[_WHEN * _BLOCK + i]
        ex, ey, ez = p[i], p[_BLOCK + i], p[2 * _BLOCK + i]
        vx, vy = p[_SPEED * _BLOCK + i], p[(_SPEED + 1) * _BLOCK + i]
        vz = p[(_SPEED + 2) * _BLOCK + i]
        ax, ay, az = _value(way, 3, s), _value(way, 4, s), _value(way, 5, s)
        bx, by, bz = _value(way, 6, s), _value(way, 7, s), _value(way, 8, s)
        wx, wy, wz = _slope(way, 3, s), _slope(way, 4, s), _slope(way, 5, s)
        f[_X * _BLOCK + i] = np.float32(ex * ax + ey * ay + ez * az)
        f[_UP * _BLOCK + i] = np.float32((ex * bx + ey * by + ez * bz) * ru)
        f[_SPIN * _BLOCK + i] = np.float32(
            ((ex * wx + ey * wy + ez * wz) - (vx * ax + vy * ay + vz * az)) / (half * c)
        )


@_fast
def _gains(n, fixed, node, alone, f):
    """Amplitude at five nodes along the array: patterns and spreading at each node's own direction.

    A receiver that is ``alone`` needs only the middle one, which stands at the centre.
    """
    ra, neper = np.float32(fixed[15]), np.float32(fixed[17])
    for i in range(n):
        g = f[_GAIN * _BLOCK + i] * _sinc32(f[_TA * _BLOCK + i]) * _sinc32(f[_TU * _BLOCK + i])
        f[_GAIN * _BLOCK + i] = g * _exp32(f[_PATH * _BLOCK + i] - neper * f[_R * _BLOCK + i])
    for k in range(2 if alone else 0, 3 if alone else 5):
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
def _differences(n, x, f, d):
    """Exact path differences of one receiver to the centre."""
    n = min(n, ROW)
    for i in range(n):
        r0 = f[_R * _BLOCK + i]
        q = x * (x - _F2 * f[_X * _BLOCK + i])
        r = np.sqrt(r0 * r0 + q)
        d[i] = q * (r - f[_CLOSING * _BLOCK + i] - x * f[_SPIN * _BLOCK + i]) / ((r + r0) * r)


@_fast
def _values(n, xi, cycles, f, d, row):
    """Amplitude and phase of one receiver, as real and imaginary part."""
    n = min(n, ROW)
    for i in range(n):
        t = f[_PHASE * _BLOCK + i] - cycles * d[i]
        t -= np.rint(t)
        u = t * t
        s = t * (S0 + u * (S1 + u * (S2 + u * S3)))
        c = C0 + u * (C1 + u * (C2 + u * C3))
        g = f[_G3 * _BLOCK + i] + xi * f[_G4 * _BLOCK + i]
        g = f[_G1 * _BLOCK + i] + xi * (f[_G2 * _BLOCK + i] + xi * g)
        g = f[_G0 * _BLOCK + i] + xi * g
        row[2 * i] = g * (_F1 - _F2 * s * s)
        row[2 * i + 1] = g * _F2 * s * c


@_fast
def _weights(n, per_metre, tap, f, d, place, row):
    """Place on the grid and tap weights."""
    n = min(n, ROW)
    for i in range(n):
        v = d[i] * per_metre + f[_FRACTION * _BLOCK + i]
        whole = np.floor(v)
        place[i] = np.int32(f[_CELL * _BLOCK + i] + whole)
        z = v - whole - _HALF
        w = z * z
        # Taps 0 and 3, 1 and 2 mirror each other: even and odd parts in z.
        outer = tap[0] + w * (tap[1] + w * tap[2])
        outer_odd = z * (tap[3] + w * (tap[4] + w * tap[5]))
        inner = tap[6] + w * (tap[7] + w * tap[8])
        inner_odd = z * (tap[9] + w * (tap[10] + w * tap[11]))
        row[2 * ROW + i] = outer + outer_odd
        row[3 * ROW + i] = inner + inner_odd
        row[4 * ROW + i] = inner - inner_odd
        row[5 * ROW + i] = outer - outer_odd


@_fast
def _receiver(n, x, x_scale, per_metre, cycles, tap, f, d, place, row):
    """All of one receiver, its points made divisible by four."""
    _differences(n, x, f, d)
    _values(n, x / x_scale, cycles, f, d, row)
    _weights(n, per_metre, tap, f, d, place, row)
    for i in range(n, (n + 3) // 4 * 4):
        row[2 * i], row[2 * i + 1], place[i] = 0, 0, place[0]


@_fast
def _add_lines(n, place, row, line0, line1, line2, line3):
    """Four receivers in turn: neighbours in a block often share grid steps, and a load waits for the store before it."""
    for i in range(0, n, 4):
        add_taps(line0, place, row, 0, i)
        add_taps(line1, place, row, 1, i)
        add_taps(line2, place, row, 2, i)
        add_taps(line3, place, row, 3, i)


@_exact
def spread_fast(point, n, fixed, way, element, x_scale, node, inverse, tap, edge, grid):
    """As ``spread_exact`` with four taps, on ``grid`` (receiver, 2 x step) float32, interleaved.

    Parameters
    ----------
    point, n
        As ``select`` leaves them.
    fixed, way
        Float64 numbers (21,) in the order of :func:`_leave`, and the row's way, (72,): nine polynomials one after the other.
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
    p = np.zeros(_N_POINT_ROW * _BLOCK)
    d = np.empty(ROW, np.float32)
    place = np.empty(4 * ROW, np.int32)
    # Zeros: weights of points that only fill up to four must be finite.
    row = np.zeros(4 * 6 * ROW, np.float32)
    per_metre = np.float32(fixed[20] / fixed[11])
    cycles = np.float32(fixed[12] / fixed[11])
    last = grid.shape[1] // 2 - edge
    alone = element.shape[0] == 1 and element[0] == 0
    for begin in range(0, n, _BLOCK):
        size = min(_BLOCK, n - begin)
        _gather(point, begin, size, p)
        _leave(size, fixed, p, f)
        _meet(size, fixed, way, p)
        _paths(size, fixed, way, p, f)
        _turned(size, fixed, way, p, f)
        for i in range(size):
            if f[_CELL * _BLOCK + i] < edge or f[_CELL * _BLOCK + i] >= last:
                # Selection keeps them away, but memory must be safe whatever it does.
                f[_CELL * _BLOCK + i] = edge
                f[_GAIN * _BLOCK + i] = 0
        _gains(size, fixed, node, alone, f)
        if alone:
            f[_G0 * _BLOCK : (_G0 + 1) * _BLOCK] = f[_G2 * _BLOCK : (_G2 + 1) * _BLOCK]
            f[(_G0 + 1) * _BLOCK : (_G4 + 1) * _BLOCK] = 0
        else:
            _to_powers(size, inverse, f)
        for first in range(0, size, ROW):
            few, some = min(ROW, size - first), f[first:]
            for m in range(0, element.shape[0], 4):
                lines = min(4, element.shape[0] - m)
                for k in range(lines):
                    at, values = place[k * ROW : (k + 1) * ROW], row[6 * k * ROW : 6 * (k + 1) * ROW]
                    _receiver(few, element[m + k], x_scale, per_metre, cycles, tap, some, d, at, values)
                if lines == 4:
                    _add_lines(few, place, row, grid[m], grid[m + 1], grid[m + 2], grid[m + 3])
                else:
                    for k in range(lines):
                        for i in range(0, few, 4):
                            add_taps(grid[m + k], place, row, k, i)
