"""Inner loops of the echo simulator: choose the scatterers of a ping, spread their echoes onto a fine grid.

``spread_exact`` works in float64 throughout; :mod:`pingloom.simulate._spread_kernels` holds the fast way.
A point that transmitter and receivers see in two places, since one way or both go by a mirror, has both in its column:
rows 0 to 2 as the receivers see it, rows 5 to 7 as the transmitter does. Row 8, where there is one, is delay [s] beyond
that of the straight lines to these places: rays that bend bring it along.

Scatterer k of receiver m comes to ``(delay - grid_start_s) / grid_step_s`` on row m of the grid, with the baseband
phase ``-f0 * delay``, by the taps of a window whose transform the caller divides out (nonuniform FFT of type 1).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["select", "sinc", "spread_exact", "way_at"]

# numpy's error model: the other one tests every divisor for zero, an early exit that keeps loops from being vectorised.
_exact = njit(nogil=True, cache=True, error_model="numpy")
# Inlined by force: else the process that compiles a kernel calls its helpers as compiled on their own, later ones as they
# were compiled with it, and fastmath makes that another rounding, 1e-7: other bytes after a fresh installation.
_fast = njit(nogil=True, cache=True, error_model="numpy", fastmath=True, forceinline=True)

_BLOCK = 512  # scatterers whose intermediate values stay in the first-level cache


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
