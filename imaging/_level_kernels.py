"""The level's loops: one node of delay after the other, all directions at once."""

from __future__ import annotations

import math

import numba
import numpy as np

from ._lanes import LANES, load, spread, store

__all__ = ["read_pattern", "tabulate_level", "towards_seabed"]

_FAST = {"contract", "nsz"}


@numba.njit(nogil=True, cache=True, error_model="numpy")
def read_pattern(table, sine):
    """Gain of a pattern whose amplitude is tabled on equally spaced sines from -1 to 1, linear in between.

    Amplitudes are straight lines through a pattern's nulls, gains are not.
    """
    last = table.size - 1
    at = min(max((sine + 1) * 0.5 * last, 0.0), last - 1e-9)
    k = int(at)
    amplitude = table[k] + (at - k) * (table[k + 1] - table[k])
    return amplitude * amplitude


@numba.njit(nogil=True, cache=True, error_model="numpy", fastmath=_FAST)
def towards_seabed(axis, normal, side_sign, clearance_m, range_m, level, down, frame):
    """Fill what directions to the seabed are made of at one straight range; return two numbers for each of them.

    A direction has the product u with the (bent) line and the sine of its range with the seabed's normal: the normal
    is split into its parts along the line and across it; the third axis points to the side. With the numbers (size,
    along) a direction is ``u/size frame[0] + q frame[1] + sqrt(1 - (u/size)^2 - q^2) frame[2]`` where
    ``q = (clearance/range - u/size along)/across`` and ``across`` is the third number.

    Parameters
    ----------
    level, down : float
        What refraction multiplies the level and the downward part of the line with.
    frame : (3, 3)
    """
    x, y, z = axis[0] * level, axis[1] * level, axis[2] * down
    size = math.sqrt(x * x + y * y + z * z)
    x, y, z = x / size, y / size, z / size
    along = x * normal[0] + y * normal[1] + z * normal[2]
    rx, ry, rz = normal[0] - along * x, normal[1] - along * y, normal[2] - along * z
    across = math.sqrt(rx * rx + ry * ry + rz * rz)
    rx, ry, rz = rx / across, ry / across, rz / across
    frame[0, 0], frame[0, 1], frame[0, 2] = x, y, z
    frame[1, 0], frame[1, 1], frame[1, 2] = rx, ry, rz
    frame[2, 0] = side_sign * (ry * z - rz * y)
    frame[2, 1] = side_sign * (rz * x - rx * z)
    frame[2, 2] = side_sign * (rx * y - ry * x)
    return size, along, across, clearance_m / range_m


@numba.njit(nogil=True, cache=True, error_model="numpy", fastmath=_FAST, forceinline=True)
def _directions(u, numbers, frame, axes, normal, bend, apart, transmit_axes, range_m, out):
    """One node: sines at transmitter (along, upward) and array (upward), distances sent, and areas, (5, direction)."""
    size, along, across, sine = numbers
    level, down = bend
    t, v, up, line = transmit_axes[0], transmit_axes[2], axes[2], axes[0]
    t0, t1, t2 = t[0] * level, t[1] * level, t[2] * down
    v0, v1, v2 = v[0] * level, v[1] * level, v[2] * down
    u0, u1, u2 = up[0] * level, up[1] * level, up[2] * down
    # The part along the normal of the vector product with the array's line.
    n0 = line[1] * normal[2] - line[2] * normal[1]
    n1 = line[2] * normal[0] - line[0] * normal[2]
    n2 = line[0] * normal[1] - line[1] * normal[0]
    x0, x1, x2 = frame[0, 0], frame[0, 1], frame[0, 2]
    y0, y1, y2 = frame[1, 0], frame[1, 1], frame[1, 2]
    z0, z1, z2 = frame[2, 0], frame[2, 1], frame[2, 2]
    a0, a1, a2 = apart[0], apart[1], apart[2]
    per_size, per_across = 1 / size, 1 / across
    sent_along, sent_up, seen_up, sent, area = out[0], out[1], out[2], out[3], out[4]
    for j in range(u.size):
        cosine = u[j] * per_size
        q = (sine - cosine * along) * per_across
        p = math.sqrt(1 - cosine * cosine - q * q)  # no number where the range ends above the seabed
        s0 = cosine * x0 + q * y0 + p * z0
        s1 = cosine * x1 + q * y1 + p * z1
        s2 = cosine * x2 + q * y2 + p * z2
        w0, w1, w2 = a0 + range_m * s0, a1 + range_m * s1, a2 + range_m * s2
        distance = math.sqrt(w0 * w0 + w1 * w1 + w2 * w2)
        per_m = 1 / distance
        sent_along[j] = (w0 * t0 + w1 * t1 + w2 * t2) * per_m
        sent_up[j] = (w0 * v0 + w1 * v1 + w2 * v2) * per_m
        seen_up[j] = s0 * u0 + s1 * u1 + s2 * u2
        sent[j] = distance
        area[j] = range_m / max(abs(s0 * n0 + s1 * n1 + s2 * n2), 1e-2)


@numba.njit(nogil=True, cache=True, error_model="numpy", fastmath=_FAST, forceinline=True)
def _absorb(absorption, range_m, sent, out):
    """Fill what is left after absorption both ways: one exponential, and a series for what directions differ by."""
    n = sent.size
    middle = sent[n // 2]
    base = math.exp(-absorption * (middle + range_m))
    widest = 0.0
    for j in range(n):
        widest = max(widest, abs(absorption * (sent[j] - middle)))
    if widest < 0.05:
        for j in range(n):
            x = absorption * (middle - sent[j])
            # To the sixth power: below 2e-13 of the whole.
            out[j] = base * (
                1 + x * (1 + x / 2 * (1 + x / 3 * (1 + x / 4 * (1 + x / 5 * (1 + x * (1 / 6))))))
            )
    else:
        for j in range(n):
            out[j] = math.exp(-absorption * (sent[j] + range_m))


@numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def _read_gains(transmit_along, transmit_up, receive_up, receive_along, least_gain, out, along, vertical):
    """Read one node's patterns: gains along the array, and of the vertical patterns, (direction,) each."""
    for j in range(along.size):
        along[j] = receive_along[j] * max(read_pattern(transmit_along, out[0, j]), least_gain)
        up = read_pattern(transmit_up, out[1, j]) * read_pattern(receive_up, out[2, j])
        vertical[j] = max(up, least_gain)


@numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def _find_gain(factor, range_m, along, vertical, out, gain):
    """Stored intensity of a unit of backscatter, (direction,); 0 where there is none."""
    for j in range(gain.size):
        both_ways = 1 / (out[3, j] * range_m)
        g = factor * along[j] * vertical[j] * both_ways * both_ways * out[5, j] * out[4, j]
        gain[j] = g if out[3, j] >= 0 and g < np.inf else 0.0


@numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=True)
def _read_at_beams(gain, to_beams, undo, row, amplitude):
    """Amplitudes that undo the gains (direction,), read at the beams by ``to_beams`` (direction * whole vectors,)."""
    n_u, wide = gain.size, row.size
    for j in range(n_u):
        undo[j] = 1 / math.sqrt(gain[j]) if gain[j] > 0 else 0.0
    for b in range(0, wide, LANES):
        total = spread(np.float32(0))
        for j in range(n_u):
            total = total + spread(undo[j]) * load(to_beams, j * wide + b)
        store(row, b, total)
    for b in range(amplitude.size):
        amplitude[b] = row[b]


@numba.njit(nogil=True, cache=True, error_model="numpy")
def tabulate_level(
    delay_s,
    speed,
    nearer_m,
    ray_travel,
    ray_slant,
    ray_factor,
    speed_ratio,
    direction,
    transmitter,
    transmit_axes,
    centre,
    axes,
    plane,
    side_sign,
    receive_along,
    transmit_along,
    transmit_up,
    receive_up,
    least_gain,
    source,
    absorption,
    noise_gain,
    to_beams,
    amplitude,
    noise,
    relative,
    sine_up,
):
    """Fill the level's tables of one ping.

    Parameters
    ----------
    delay_s : (node,)
        Two-way, increasing. With the reference speed, and what the transmitter stands nearer along the array's normal, it
        gives the travel from the array, at which the rays' straight distance and four factors (4, k) are tabled:
        ``ray_travel`` (k,) increases.
    plane : (3,)
        Of the seabed: see :class:`PingGeometry`.
    receive_along : (node, u)
    transmit_along, transmit_up, receive_up : (n,)
        Patterns: see :func:`read_pattern`.
    source : float
        Source level, receiver's gain and the cell's size.
    absorption : float
        One way. [Np/m of intensity]
    noise_gain : float
        Noise power of a beam over that of a channel.
    to_beams : (u * whole vectors of beams,) float32
    amplitude : (node, beam) float32
        Filled: factor that turns the field into the root of backscatter; 0 where there is no seabed.
    noise : (node,)
        Filled: backscatter of a unit of noise power in the best direction, infinite where there is no seabed.
    relative : (u,)
        Filled: gain along the array, 1 at its best, at the farthest node that all directions see.
    sine_up : (node,)
        Filled: of the middle direction above the array's normal; 0 where it doesn't meet the seabed.
    """
    n_u = direction.size
    frame, apart, normal, out = np.empty((3, 3)), np.empty(3), np.empty(3), np.empty((6, n_u))
    along, vertical, gain = np.empty(n_u), np.empty(n_u), np.empty(n_u)
    undo, row = np.empty(n_u, np.float32), np.empty(to_beams.size // n_u, np.float32)
    steep = 1 / math.sqrt(1 + plane[1] * plane[1] + plane[2] * plane[2])
    normal[0], normal[1], normal[2] = -plane[1] * steep, -plane[2] * steep, steep
    last = ray_travel.size - 1
    k = 0
    for i in range(delay_s.size):
        travel = max((speed * delay_s[i] + nearer_m) / 2, 0.05)
        while k < last - 1 and travel >= ray_travel[k + 1]:
            k += 1
        w = 0.0
        if last > 0:
            w = min(max((travel - ray_travel[k]) / (ray_travel[k + 1] - ray_travel[k]), 0.0), 1.0)
        up = min(k + 1, last)
        share = (1 - w) * ray_slant[k] / ray_travel[k] + w * ray_slant[up] / ray_travel[up]
        curve = (1 - w) * ray_factor[1, k] + w * ray_factor[1, up]
        level = (1 - w) * ray_factor[2, k] + w * ray_factor[2, up]
        down = (1 - w) * ray_factor[3, k] + w * ray_factor[3, up]
        range_m = travel * share
        # A cell's area over what it were along straight rays.
        wider = 1 / (share * share * curve * level)
        bend = level * share, down * share
        clearance = (
            (plane[0] - centre[i, 2]) * normal[2] - centre[i, 0] * normal[0] - centre[i, 1] * normal[1]
        )
        numbers = towards_seabed(axes[i, 0], normal, side_sign, clearance, range_m, bend[0], bend[1], frame)
        for d in range(3):
            apart[d] = centre[i, d] - transmitter[d]
        # Direction cosines that the array measures turn into true ones by the ratio of sound speeds.
        turned = bend[0] * speed_ratio, bend[1] * speed_ratio
        _directions(direction, numbers, frame, axes[i], normal, turned, apart, transmit_axes, range_m, out)
        _absorb(absorption, range_m, out[3], out[5])
        _read_gains(
            transmit_along, transmit_up, receive_up, receive_along[i], least_gain, out, along, vertical
        )
        _find_gain(source * wider, range_m, along, vertical, out, gain)
        _read_at_beams(gain, to_beams, undo, row, amplitude[i])
        best = 0.0
        seen = 0
        for j in range(n_u):
            best = max(best, gain[j])
            seen += gain[j] > 0
        noise[i] = noise_gain / best if best > 0 else np.inf
        if seen == n_u or i == 0:
            for j in range(n_u):
                relative[j] = along[j] if gain[j] > 0 else 0.0
        middle = out[2, n_u // 2] / speed_ratio
        sine_up[i] = middle if middle == middle else 0.0
    top = 1e-30
    for j in range(n_u):
        top = max(top, relative[j])
    for j in range(n_u):
        relative[j] /= top
