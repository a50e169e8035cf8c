"""Choice of the scatterers that a ping meets by ways with mirrors, with their images and what each bounce leaves of them.

A way is a row of numbers: sign and shift of the place's image, bounces off surface and bottom, whether the first is off the
surface, whether the last is off the bottom, whether it goes by facets. ``mirror`` holds wave number, rms height, amplitude
that a bounce off the surface keeps besides, the same of the bottom or below 0 for Rayleigh's, density ratio, real and
imaginary index of refraction of the bottom, water depth.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from ._surface_kernels import answer
from .occlusion import hidden
from .relief import overlooked

__all__ = ["FAINT", "meet_by_ways", "within_reach"]

_exact = njit(nogil=True, cache=True, error_model="numpy")

_ON_BOTTOM_M = 1e-3  # no sound comes up from a bottom to what lies on it

FAINT = 1e-3
"""Amplitude, of a perfect mirror's, below which an arrival is left out: 60 dB."""

_SIGN, _SHIFT, _SURFACE, _BOTTOM, _UP_FIRST, _FROM_BELOW, _FACETS = range(7)
# What following a way leaves.
_X, _Y, _Z, _LENGTH, _EX, _EY, _EZ, _KEPT, _PHASE, _FIRST, _ALL, _FAR, _NX, _NY, _Q, _T = range(16)
_N = 16


@_exact
def _bottom(sine, mirror, with_phase):
    """Amplitude of a bounce off the bottom, and its phase in cycles if that is asked for."""
    if mirror[3] >= 0.0:
        return mirror[3], 0.0
    # The root of n^2 - 1 + sine^2 whose imaginary part is not above 0: a field that decays downwards.
    re = mirror[5] * mirror[5] - mirror[6] * mirror[6] - 1.0 + sine * sine
    im = 2 * mirror[5] * mirror[6]
    size = math.sqrt(re * re + im * im)
    b = -math.sqrt(max(0.0, (size - re) / 2))
    a = math.sqrt(max(0.0, (size + re) / 2))
    z = mirror[4] * sine
    below = (z + a) * (z + a) + b * b
    # (z - a - ib) / (z + a + ib)
    up, aside = (z * z - a * a - b * b) / below, -2 * z * b / below
    return math.sqrt(up * up + aside * aside), math.atan2(aside, up) / (2 * math.pi) if with_phase else 0.0


@_exact
def _follow(px, py, pz, vx, vy, vz, way, mirror, slope_ahead, slope_aside, with_phase, got):
    """Fill ``got`` with a place's image as the viewer sees it, the way's length, its direction at the place and losses."""
    dx, dy = px - vx, py - vy
    x = math.sqrt(dx * dx + dy * dy)
    nx, ny = (dx / x, dy / x) if x > 0 else (1.0, 0.0)
    down = way[_SIGN] * pz + way[_SHIFT] - vz
    tall = abs(down)
    turn = 1.0 if down >= 0 else -1.0
    length = math.sqrt(x * x + down * down)
    sine = tall / length
    n_surface, n_bottom = way[_SURFACE], way[_BOTTOM]
    kept, phase = 1.0, 0.0
    coherent = 1.0
    if n_surface > 0:
        kept *= mirror[2] ** n_surface
        phase += 0.5 * n_surface  # a pressure-release surface turns the sign
        coherent = math.exp(-2 * n_surface * (mirror[0] * mirror[1] * sine) ** 2)
    if n_bottom > 0:
        amplitude, cycles = _bottom(sine, mirror, with_phase)
        kept *= amplitude**n_bottom
        phase += n_bottom * cycles
    got[_KEPT] = kept * (math.sqrt(1 - coherent * coherent) if way[_FACETS] > 0 else coherent)
    got[_PHASE] = phase
    first = vz if way[_UP_FIRST] > 0 else mirror[7] - vz
    q, t, near, far = 0.0, 0.0, 0.0, 0.0
    if way[_FACETS] > 0:
        h1 = max(first if way[_UP_FIRST] > 0 else first + mirror[7], 1e-6)
        h2 = max(tall - h1, 1e-6)
        a = slope_ahead
        uneven, both = (h2 - h1) * a, (h1 + h2) * (1 + a * a)
        root = math.sqrt(max(0.0, both * both + 4 * (x - uneven) * (uneven + x * a * a)))
        # Sines and cosines of middle + tilt and middle - tilt, with tan(middle) = up / on and tan(tilt) = a.
        up, on = both + root, 2 * (x - uneven)
        whole = math.sqrt((up * up + on * on) * (1 + a * a))
        s1, s2 = (up + on * a) / whole, (up - on * a) / whole
        near, far = h1 / s1, h2 / s2
        q = near * (on - up * a) / whole
        t = slope_aside * (s1 + s2) * near * far / (near + far)
        near, far = math.sqrt(near * near + t * t), math.sqrt(far * far + t * t)
        length = near + far
        scale = length / near
        got[_X], got[_Y] = vx + scale * (q * nx - t * ny), vy + scale * (q * ny + t * nx)
        got[_Z] = vz + turn * scale * h1
        # At the place the sound comes from the facet.
        got[_EX], got[_EY] = ((x - q) * nx + t * ny) / far, ((x - q) * ny - t * nx) / far
        got[_EZ] = way[_SIGN] * turn * h2 / far
        got[_FIRST] = h1
    else:
        got[_X], got[_Y], got[_Z] = px, py, vz + down
        got[_EX], got[_EY], got[_EZ] = dx / length, dy / length, way[_SIGN] * down / length
        got[_FIRST] = 0.0
    got[_LENGTH], got[_ALL], got[_FAR], got[_NX], got[_NY], got[_Q], got[_T] = length, tall, x, nx, ny, q, t


@_exact
def _blocked(px, py, pz, vx, vy, vz, way, depth, got, solid, relief):
    """Whether anything stands in a way: each of its straight pieces against the bodies, the last against the relief."""
    n = int(way[_SURFACE] + way[_BOTTOM])
    up = way[_UP_FIRST] > 0
    gone = vz if up else depth - vz  # height fallen or risen until the next bounce, unfolded
    ax, ay, az = vx, vy, vz
    h1, tall = got[_FIRST], got[_ALL]
    for k in range(n + 1):
        bx, by, bz = px, py, pz
        if k < n:
            if way[_FACETS] == 0:
                ahead, aside = got[_FAR] * gone / tall, 0.0
            elif gone <= h1:
                ahead, aside = got[_Q] * gone / h1, got[_T] * gone / h1
            else:
                part = (gone - h1) / max(tall - h1, 1e-9)
                ahead, aside = got[_Q] + (got[_FAR] - got[_Q]) * part, got[_T] * (1 - part)
            bx, by = vx + ahead * got[_NX] - aside * got[_NY], vy + ahead * got[_NY] + aside * got[_NX]
            bz = 0.0 if up else depth
            gone += depth
            up = not up
        if hidden(bx, by, bz, ax, ay, az, solid):
            return True
        if k < n:
            ax, ay, az = bx, by, bz
    return way[_FROM_BELOW] == 0 and overlooked(px, py, pz, ax, ay, az, relief)


@_exact
def within_reach(place, transmit, axes, middle, ways, limits, chosen):
    """Fill ``chosen`` with the numbers of the places whose mirrored way keeps the limits; return how many.

    Quick, before anything is drawn or bent: facets make a way longer, and hardly turn it to the side.
    """
    shortest, longest, sine = limits
    t0, t1, t2 = transmit[0], transmit[1], transmit[2]
    m0, m1, m2 = middle[0], middle[1], middle[2]
    a0, a1, a2 = axes[0, 0], axes[0, 1], axes[0, 2]
    n0, n1, n2 = axes[2, 0], axes[2, 1], axes[2, 2]
    s0, h0 = ways[0, _SIGN], ways[0, _SHIFT] - t2
    s1, h1 = ways[1, _SIGN], ways[1, _SHIFT] - m2
    facets = ways[0, _FACETS] + ways[1, _FACETS] > 0
    n = 0
    for i in range(place.shape[1]):
        px, py, pz = place[0, i], place[1, i], place[2, i]
        dx, dy, dz = px - t0, py - t1, s0 * pz + h0
        ex, ey, ez = px - m0, py - m1, s1 * pz + h1
        r = math.sqrt(dx * dx + dy * dy + dz * dz)
        path = r + math.sqrt(ex * ex + ey * ey + ez * ez)
        keep = (path <= longest) & ((path >= shortest) | facets)
        keep &= abs(dx * a0 + dy * a1 + dz * a2) <= sine * r
        keep &= dx * n0 + dy * n1 + dz * n2 > 0  # in front of the baffle
        chosen[n] = i
        n += keep
    return n


@_exact
def meet_by_ways(
    chosen, place, modulus, phase, normal, law, transmit, axes, middle, faces, ways, mirror, limits, share, draw, solid,
    relief, start, out
):  # fmt: skip
    """Copy the scatterers that this ping meets by one way out and one back into ``out``; return the new end.

    Parameters
    ----------
    chosen
        (m,) numbers of those to look at, as :func:`within_reach` leaves them.
    place, modulus, phase, normal, law
        As in :class:`pingloom.simulate.scene.Scatterers`; the normal (3, n) or (3, 1).
    transmit, axes
        Transmitter (3,) and its axes along, up and normal (3, 3).
    middle, faces
        (3,) centre of the array in the middle of the listening time, and its normal.
    ways
        (2, 7) out and back.
    limits
        Shortest and longest path [m], sine of the sector's half width.
    share
        Factor on the modulus, for those that stand for others too.
    draw
        (5, m) slopes ahead and aside of the facets out and back, phase [cycles]; or (5, 0) where no way goes by facets.
    solid, relief
        What stands in the way.
    out
        (8, n) image as the receivers see it, modulus, phase, image as the transmitter sees it; with a column to spare.
        The modulus is that of Lambert's law or its table, split evenly over both directions, times the bounces'.
    """
    shortest, longest, _ = limits
    each, drawn = normal.shape[1] > 1, draw.shape[1] > 0
    echoes_all_round = not each and abs(normal[0, 0]) + abs(normal[1, 0]) + abs(normal[2, 0]) == 0
    from_below = ways[0, _FROM_BELOW] + ways[1, _FROM_BELOW] > 0
    clear = solid.shape[0] == 0 and relief.shape[0] == 1
    sent, heard = np.empty(_N), np.empty(_N)
    end = start
    for j in range(chosen.size):
        i = chosen[j]
        px, py, pz = place[0, i], place[1, i], place[2, i]
        if from_below and mirror[7] - pz < _ON_BOTTOM_M:
            continue
        a, b, c, d = (draw[0, j], draw[1, j], draw[2, j], draw[3, j]) if drawn else (0.0, 0.0, 0.0, 0.0)
        _follow(px, py, pz, transmit[0], transmit[1], transmit[2], ways[0], mirror, a, b, not drawn, sent)
        ox, oy, oz = sent[_X] - transmit[0], sent[_Y] - transmit[1], sent[_Z] - transmit[2]
        if ox * axes[2, 0] + oy * axes[2, 1] + oz * axes[2, 2] <= 0:  # behind the baffle
            continue
        _follow(px, py, pz, middle[0], middle[1], middle[2], ways[1], mirror, c, d, not drawn, heard)
        if (heard[_X] - middle[0]) * faces[0] + (heard[_Y] - middle[1]) * faces[1] + (
            heard[_Z] - middle[2]
        ) * faces[2] <= 0:
            continue
        path = sent[_LENGTH] + heard[_LENGTH]
        if path < shortest or path > longest:
            continue
        kept = sent[_KEPT] * heard[_KEPT]
        if kept < FAINT:
            continue
        if not echoes_all_round:
            k = i if each else 0
            to = -(sent[_EX] * normal[0, k] + sent[_EY] * normal[1, k] + sent[_EZ] * normal[2, k])
            fro = -(heard[_EX] * normal[0, k] + heard[_EY] * normal[1, k] + heard[_EZ] * normal[2, k])
            if to <= 0 or fro <= 0:
                continue
            kept *= math.sqrt(answer(to, law) * answer(fro, law))
        if not clear:
            if _blocked(
                px, py, pz, transmit[0], transmit[1], transmit[2], ways[0], mirror[7], sent, solid, relief
            ):
                continue
            if _blocked(
                px, py, pz, middle[0], middle[1], middle[2], ways[1], mirror[7], heard, solid, relief
            ):
                continue
        out[0, end], out[1, end], out[2, end] = heard[_X], heard[_Y], heard[_Z]
        out[3, end] = modulus[i] * kept * share
        out[4, end] = phase[i] + sent[_PHASE] + heard[_PHASE] + (draw[4, j] if drawn else 0.0)
        out[5, end], out[6, end], out[7, end] = sent[_X], sent[_Y], sent[_Z]
        end += 1
    return end
