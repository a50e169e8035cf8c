"""Choice of a ping's scatterers where each has a normal of its own, or a table instead of Lambert's law."""

from __future__ import annotations

import math

from numba import njit

from .occlusion import hidden, in_the_way
from .relief import overlooked

__all__ = ["answer", "drop_hidden", "select_rough"]

_exact = njit(nogil=True, cache=True, error_model="numpy")


@_exact
def answer(cosine, law):
    """Amplitude of unit area at a cosine of incidence, the sine of the grazing angle."""
    if law.size == 0:
        return cosine
    place = math.asin(min(1.0, cosine)) / (0.5 * math.pi) * (law.size - 1)
    k = min(int(place), law.size - 2)
    return law[k] + (place - k) * (law[k + 1] - law[k])


@_exact
def select_rough(place, modulus, phase, normal, law, transmit, axes, middle, limits, start, out):
    """Copy the scatterers that this ping meets into ``out`` from column ``start``; return the new end.

    As ``_echo_kernels.select`` before anything is hidden, but with a normal for each point, (3, n) or (3, 1) for all,
    and ``law``: amplitude at evenly spaced grazing angles from 0 to 90 degrees; empty: their sine.
    """
    shortest, longest, sine = limits
    each = normal.shape[1] > 1
    end = start
    for i in range(place.shape[1]):
        k = i if each else 0
        dx, dy, dz = place[0, i] - transmit[0], place[1, i] - transmit[1], place[2, i] - transmit[2]
        ex, ey, ez = place[0, i] - middle[0], place[1, i] - middle[1], place[2, i] - middle[2]
        r = math.sqrt(dx * dx + dy * dy + dz * dz)
        path = r + math.sqrt(ex * ex + ey * ey + ez * ez)
        if path < shortest or path > longest:
            continue
        if dx * axes[2, 0] + dy * axes[2, 1] + dz * axes[2, 2] <= 0:  # behind the baffle
            continue
        if abs(dx * axes[0, 0] + dy * axes[0, 1] + dz * axes[0, 2]) > sine * r:
            continue
        cosine = -(dx * normal[0, k] + dy * normal[1, k] + dz * normal[2, k]) / r
        back = ex * normal[0, k] + ey * normal[1, k] + ez * normal[2, k]
        if cosine <= 0 or back >= 0:
            continue
        seen = answer(cosine, law)
        if seen <= 0:
            continue
        out[0, end], out[1, end], out[2, end] = place[0, i], place[1, i], place[2, i]
        out[3, end], out[4, end] = modulus[i] * seen, phase[i]
        end += 1
    return end


@_exact
def drop_hidden(out, start, end, transmit, middle, solid, relief):
    """Close the gaps that points leave which solids or the relief hide from transmitter or array; return the new end."""
    if end <= start:
        return end
    solid = in_the_way(out[:2], start, end, transmit, middle, solid)
    if solid.shape[0] == 0 and relief.shape[0] == 1:
        return end
    kept = start
    for i in range(start, end):
        x, y, z = out[0, i], out[1, i], out[2, i]
        if hidden(x, y, z, transmit[0], transmit[1], transmit[2], solid):
            continue
        if hidden(x, y, z, middle[0], middle[1], middle[2], solid):
            continue
        if overlooked(x, y, z, transmit[0], transmit[1], transmit[2], relief):
            continue
        if overlooked(x, y, z, middle[0], middle[1], middle[2], relief):
            continue
        for k in range(5):
            out[k, kept] = out[k, i]
        kept += 1
    return kept
