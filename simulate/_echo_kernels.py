"""Inner loops of the echo simulator: choose the scatterers of a ping, spread their echoes onto a fine grid.

``spread_fast`` works in float32 around a float64 path to the array's centre; ``spread_exact`` in float64 throughout.
Both put scatterer k of receiver m at ``(delay - grid_start_s) / grid_step_s`` on row m of a grid, with the baseband
phase ``-f0 * delay``, by the taps of a window whose transform the caller divides out (nonuniform FFT of type 1).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .occlusion import hidden

__all__ = ["select", "spread_exact", "spread_fast"]

_BLOCK = 512  # scatterers whose intermediate values stay in the first-level cache


@njit(nogil=True, cache=True)
def _way_at(way, s, out):
    """Evaluate the nine polynomials ``way`` (degree + 1, 9) at ``s``."""
    for k in range(9):
        total = way[way.shape[0] - 1, k]
        for p in range(way.shape[0] - 2, -1, -1):
            total = total * s + way[p, k]
        out[k] = total


@njit(nogil=True, cache=True)
def select(place, modulus, phase, normal, transmit, axes, middle, limits, box, start, out):
    """Copy the scatterers that this ping meets into ``out`` (5, n) from column ``start``; return the new end.

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
    box
        Boxes that hide, (box, 10).
    out
        Rows: north, east, depth, modulus as seen under Lambert's law, phase.
    """
    n = start
    shared = normal.shape[1] == 1
    for i in range(place.shape[1]):
        dx, dy, dz = place[0, i] - transmit[0], place[1, i] - transmit[1], place[2, i] - transmit[2]
        if dx * axes[2, 0] + dy * axes[2, 1] + dz * axes[2, 2] <= 0:
            continue  # behind the baffle
        r = math.sqrt(dx * dx + dy * dy + dz * dz)
        if abs(dx * axes[0, 0] + dy * axes[0, 1] + dz * axes[0, 2]) > limits[2] * r:
            continue
        ex, ey, ez = place[0, i] - middle[0], place[1, i] - middle[1], place[2, i] - middle[2]
        path = r + math.sqrt(ex * ex + ey * ey + ez * ez)
        if path < limits[0] or path > limits[1]:
            continue
        j = 0 if shared else i
        seen = 1.0
        if normal[0, j] != 0 or normal[1, j] != 0 or normal[2, j] != 0:
            seen = -(dx * normal[0, j] + dy * normal[1, j] + dz * normal[2, j]) / r
            if seen <= 0 or ex * normal[0, j] + ey * normal[1, j] + ez * normal[2, j] >= 0:
                continue  # the face is turned away
        if box.shape[0] > 0:
            x, y, z = place[0, i], place[1, i], place[2, i]
            if hidden(x, y, z, transmit[0], transmit[1], transmit[2], box):
                continue
            if hidden(x, y, z, middle[0], middle[1], middle[2], box):
                continue
        out[0, n], out[1, n], out[2, n] = place[0, i], place[1, i], place[2, i]
        out[3, n], out[4, n] = modulus[i] * seen, phase[i]
        n += 1
    return n


# --- reference -------------------------------------------------------------------------------------------


@njit(nogil=True, cache=True)
def _sinc(x):
    x *= math.pi
    return 1.0 - x * x / 6 if abs(x) < 1e-6 else math.sin(x) / x


@njit(nogil=True, cache=True)
def spread_exact(point, n, transmit, axes, way, mid, half, numbers, element, beta, width, grid):
    """Add the echoes of ``point`` (5, n) to ``grid`` (receiver, step) complex128, each path solved on its own.

    ``numbers``: sound speed, centre frequency, sizes over wavelength (transmit along, up, receive along, up), neper
    per metre, amplitude at 1 m, grid start, grid steps per second.
    """
    c, f0, ta, tu, ra, ru, neper, level, grid_start, per_second = numbers
    at = np.empty(9)
    for i in range(n):
        dx, dy, dz = point[0, i] - transmit[0], point[1, i] - transmit[1], point[2, i] - transmit[2]
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        sent = _sinc(ta * (dx * axes[0, 0] + dy * axes[0, 1] + dz * axes[0, 2]) / rt)
        sent *= _sinc(tu * (dx * axes[1, 0] + dy * axes[1, 1] + dz * axes[1, 2]) / rt)
        sent *= level * point[3, i] * math.exp(-neper * rt) / rt
        delay = 2 * rt / c
        for m in range(element.shape[0]):
            r = 0.0
            for _ in range(8):  # each round gains three to four digits: the array is slow against sound
                _way_at(way, (delay - mid) / half, at)
                ex = point[0, i] - at[0] - element[m] * at[3]
                ey = point[1, i] - at[1] - element[m] * at[4]
                ez = point[2, i] - at[2] - element[m] * at[5]
                r = math.sqrt(ex * ex + ey * ey + ez * ez)
                before = delay
                delay = (rt + r) / c
                if abs(delay - before) < 1e-15:
                    break
            got = sent * _sinc(ra * (ex * at[3] + ey * at[4] + ez * at[5]) / r)
            got *= _sinc(ru * (ex * at[6] + ey * at[7] + ez * at[8]) / r) * math.exp(-neper * r) / r
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

# Minimax-like fits in t^2 over |t| <= 1/2 of sin(pi t) / t and cos(pi t); float32 accuracy.
_t = np.cos(np.pi * (np.arange(400) + 0.5) / 400) * 0.25 + 0.25
_SIN = np.polynomial.polynomial.polyfit(_t**2, np.pi * np.sinc(_t), 5).astype(np.float32)
_COS = np.polynomial.polynomial.polyfit(_t**2, np.cos(np.pi * _t), 5).astype(np.float32)
S0, S1, S2, S3, S4, S5 = _SIN
C0, C1, C2, C3, C4, C5 = _COS
_F1, _F2, _HALF = np.float32(1), np.float32(2), np.float32(0.5)


@njit(nogil=True, cache=True, fastmath=True, inline="always")
def _sinc32(x):
    """sin(pi x) / (pi x), branch-free."""
    turn = np.rint(x)
    t = x - turn
    u = t * t
    s = t * (S0 + u * (S1 + u * (S2 + u * (S3 + u * (S4 + u * S5)))))
    odd = turn - _F2 * np.floor(turn * _HALF)
    s *= _F1 - _F2 * odd
    small = abs(x) < np.float32(1e-3)
    return _F1 if small else s / (np.float32(np.pi) * x)


@njit(nogil=True, cache=True, fastmath=True, inline="always")
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
_X, _R, _KAPPA, _PHASE, _FRACTION, _GAIN, _UP, _TA, _TU, _PATH = range(10)
_G0, _G1, _G2, _G3, _G4 = range(10, 15)
_RE, _IM, _W0, _W1, _W2, _W3 = range(15, 21)
_N_SCRATCH = 21


@njit(nogil=True, cache=True, fastmath=True)
def _paths(point, begin, n, transmit, axes, way, mid, half, numbers, f, cell):
    """Float64 part: path by way of the array's centre, its phase and place, as float32 remainders."""
    c, f0, ta, tu, _, ru, neper, level, grid_start, per_second = numbers
    t0, t1, t2 = transmit[0], transmit[1], transmit[2]
    degree = way.shape[0] - 1
    for i in range(n):
        px, py, pz = point[0, begin + i], point[1, begin + i], point[2, begin + i]
        dx, dy, dz = px - t0, py - t1, pz - t2
        rt = math.sqrt(dx * dx + dy * dy + dz * dz)
        # Newton from the delay of an array at rest; the remaining error is (v^2 / r / 2c) e^2, under 1e-11 s.
        s = (2 * rt / c - mid) / half
        cx, cy, cz = way[degree, 0], way[degree, 1], way[degree, 2]
        vx, vy, vz = 0.0, 0.0, 0.0
        for p in range(degree - 1, -1, -1):
            vx, vy, vz = vx * s + cx, vy * s + cy, vz * s + cz
            cx, cy, cz = cx * s + way[p, 0], cy * s + way[p, 1], cz * s + way[p, 2]
        ex, ey, ez = px - cx, py - cy, pz - cz
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        closing = (ex * vx + ey * vy + ez * vz) / (r * half * c)  # range rate over sound speed, negative
        delay = 2 * rt / c + (r - rt) / c / (1 + closing)
        s = (delay - mid) / half
        cx, cy, cz = way[degree, 0], way[degree, 1], way[degree, 2]
        ax, ay, az = way[degree, 3], way[degree, 4], way[degree, 5]
        bx, by, bz = way[degree, 6], way[degree, 7], way[degree, 8]
        for p in range(degree - 1, -1, -1):
            cx, cy, cz = cx * s + way[p, 0], cy * s + way[p, 1], cz * s + way[p, 2]
            ax, ay, az = ax * s + way[p, 3], ay * s + way[p, 4], az * s + way[p, 5]
            bx, by, bz = bx * s + way[p, 6], by * s + way[p, 7], bz * s + way[p, 8]
        ex, ey, ez = px - cx, py - cy, pz - cz
        r = math.sqrt(ex * ex + ey * ey + ez * ez)
        delay = (rt + r) / c
        turn = point[4, begin + i] - f0 * delay
        u = (delay - grid_start) * per_second
        whole = math.floor(u)
        cell[i] = np.int32(whole)
        f[_FRACTION * _BLOCK + i] = np.float32(u - whole)
        f[_PHASE * _BLOCK + i] = np.float32(turn - np.rint(turn))
        f[_X * _BLOCK + i] = np.float32(ex * ax + ey * ay + ez * az)
        f[_UP * _BLOCK + i] = np.float32((ex * bx + ey * by + ez * bz) * ru)
        f[_R * _BLOCK + i] = np.float32(r)
        f[_KAPPA * _BLOCK + i] = np.float32(1 / (1 + closing))
        f[_TA * _BLOCK + i] = np.float32((dx * axes[0, 0] + dy * axes[0, 1] + dz * axes[0, 2]) / rt * ta)
        f[_TU * _BLOCK + i] = np.float32((dx * axes[1, 0] + dy * axes[1, 1] + dz * axes[1, 2]) / rt * tu)
        f[_GAIN * _BLOCK + i] = np.float32(point[3, begin + i] * level / rt)
        f[_PATH * _BLOCK + i] = np.float32((rt + r) * -neper)


@njit(nogil=True, cache=True, fastmath=True)
def _gains(n, numbers, node, f):
    """Amplitude at five nodes along the array: patterns and spreading at each node's own direction."""
    ra, neper = np.float32(numbers[4]), np.float32(numbers[6])
    for i in range(n):
        g = f[_GAIN * _BLOCK + i] * _sinc32(f[_TA * _BLOCK + i]) * _sinc32(f[_TU * _BLOCK + i])
        f[_GAIN * _BLOCK + i] = g * _exp32(f[_PATH * _BLOCK + i])
    for k in range(5):
        x = node[k]
        for i in range(n):
            r0, along = f[_R * _BLOCK + i], f[_X * _BLOCK + i]
            q = x * (x - _F2 * along)
            r = np.sqrt(r0 * r0 + q)
            inverse = _F1 / r
            z = neper * q / (r + r0)
            g = _sinc32(ra * (along - x) * inverse) * _sinc32(f[_UP * _BLOCK + i] * inverse)
            f[(_G0 + k) * _BLOCK + i] = g * inverse * (_F1 - z + _HALF * z * z) * f[_GAIN * _BLOCK + i]


@njit(nogil=True, cache=True, fastmath=True)
def _to_powers(n, inverse, f):
    """Values at the nodes to coefficients of the powers of the place along the array."""
    for i in range(n):
        g0, g1, g2 = f[_G0 * _BLOCK + i], f[_G1 * _BLOCK + i], f[_G2 * _BLOCK + i]
        g3, g4 = f[_G3 * _BLOCK + i], f[_G4 * _BLOCK + i]
        for k in range(5):
            total = inverse[k, 0] * g0 + inverse[k, 1] * g1 + inverse[k, 2] * g2
            f[(_G0 + k) * _BLOCK + i] = total + inverse[k, 3] * g3 + inverse[k, 4] * g4


@njit(nogil=True, cache=True, fastmath=True)
def _receiver(n, x, xi, per_metre, cycles, tap, f, cell, place):
    """One receiver: exact path difference to the centre, phase, amplitude, place on the grid, tap weights."""
    for i in range(n):
        r0 = f[_R * _BLOCK + i]
        q = x * (x - _F2 * f[_X * _BLOCK + i])
        d = q / (np.sqrt(r0 * r0 + q) + r0) * f[_KAPPA * _BLOCK + i]
        t = f[_PHASE * _BLOCK + i] - cycles * d
        t -= np.rint(t)
        u = t * t
        s = t * (S0 + u * (S1 + u * (S2 + u * (S3 + u * (S4 + u * S5)))))
        c = C0 + u * (C1 + u * (C2 + u * (C3 + u * (C4 + u * C5))))
        g = f[_G3 * _BLOCK + i] + xi * f[_G4 * _BLOCK + i]
        g = f[_G1 * _BLOCK + i] + xi * (f[_G2 * _BLOCK + i] + xi * g)
        g = f[_G0 * _BLOCK + i] + xi * g
        f[_RE * _BLOCK + i] = g * (_F1 - _F2 * s * s)
        f[_IM * _BLOCK + i] = g * _F2 * s * c
        v = d * per_metre + f[_FRACTION * _BLOCK + i]
        whole = np.floor(v)
        place[i] = cell[i] + np.int32(whole)
        z = v - whole - _HALF
        w = z * z
        # Taps 0 and 3, 1 and 2 mirror each other: even and odd parts in z.
        even = tap[0] + w * (tap[1] + w * (tap[2] + w * tap[3]))
        odd = z * (tap[4] + w * (tap[5] + w * (tap[6] + w * tap[7])))
        f[_W0 * _BLOCK + i], f[_W3 * _BLOCK + i] = even + odd, even - odd
        even = tap[8] + w * (tap[9] + w * (tap[10] + w * tap[11]))
        odd = z * (tap[12] + w * (tap[13] + w * (tap[14] + w * tap[15])))
        f[_W1 * _BLOCK + i], f[_W2 * _BLOCK + i] = even + odd, even - odd


@njit(nogil=True, cache=True, fastmath=True)
def _add(n, f, place, line):
    """Add the taps to one receiver's line, real and imaginary parts interleaved."""
    for i in range(n):
        o = 2 * place[i] - 2
        re, im = f[_RE * _BLOCK + i], f[_IM * _BLOCK + i]
        w0, w1, w2, w3 = (
            f[_W0 * _BLOCK + i],
            f[_W1 * _BLOCK + i],
            f[_W2 * _BLOCK + i],
            f[_W3 * _BLOCK + i],
        )
        line[o] += w0 * re
        line[o + 1] += w0 * im
        line[o + 2] += w1 * re
        line[o + 3] += w1 * im
        line[o + 4] += w2 * re
        line[o + 5] += w2 * im
        line[o + 6] += w3 * re
        line[o + 7] += w3 * im


@njit(nogil=True, cache=True)
def spread_fast(
    point, n, transmit, axes, way, mid, half, numbers, element, x_scale, node, inverse, tap, edge, grid
):
    """As :func:`spread_exact` with four taps, on ``grid`` (receiver, 2 x step) float32 interleaved.

    ``element`` float32 (m,), ``x_scale`` half the array's length, ``node`` five places along it and ``inverse`` (5, 5)
    from values there to powers of ``x / x_scale``; ``tap`` (16,) polynomials of the taps; ``edge``: grid steps at both
    ends that a path by way of the centre has to keep clear of.
    """
    f = np.empty(_N_SCRATCH * _BLOCK, np.float32)
    cell = np.empty(_BLOCK, np.int32)
    place = np.empty(_BLOCK, np.int32)
    per_metre = np.float32(numbers[9] / numbers[0])
    cycles = np.float32(numbers[1] / numbers[0])
    last = grid.shape[1] // 2 - edge
    for begin in range(0, n, _BLOCK):
        size = min(_BLOCK, n - begin)
        _paths(point, begin, size, transmit, axes, way, mid, half, numbers, f, cell)
        for i in range(size):
            if (
                cell[i] < edge or cell[i] >= last
            ):  # selection keeps them away; memory must be safe all the same
                cell[i] = edge
                f[_GAIN * _BLOCK + i] = 0
        _gains(size, numbers, node, f)
        _to_powers(size, inverse, f)
        for m in range(element.shape[0]):
            _receiver(size, element[m], element[m] / x_scale, per_metre, cycles, tap, f, cell, place)
            _add(size, f, place, grid[m])
