"""Loops of focusing onto points. Arrays and numbers only; the stage has checked everything."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["cosine_sine", "delay_and_sum"]

_BLOCK = 256
"""Points at a time: their working memory (20 kB) and one channel's samples stay in the nearest caches."""

# Chebyshev interpolation of cos(2 pi u) and sin(2 pi u)/u in u^2 over |u| <= 1/8, computed for this file; the
# largest error is 5e-11, a thousandth of what complex64 data can tell.
_COS = (0.99999999995249, -19.73920865013, 64.939316135542, -85.44284465693, 59.220168451208)
_SIN = (6.2831853071524, -41.341702153391, 81.605204709793, -76.697866223042, 41.472829142562)


@numba.njit(nogil=True, cache=True)
def cosine_sine(turns, cosine, sine):
    """Cosine and sine of 2 pi ``turns`` (n,) float64; without branches, so that the loop runs in vectors."""
    for k in range(turns.size):
        # The nearest quarter of a turn comes off in float64: of 1e5 turns, 1e-11 of a turn is lost.
        quarter = np.floor(4 * turns[k] + 0.5)
        u = turns[k] - 0.25 * quarter
        v = u * u
        c = _COS[0] + v * (_COS[1] + v * (_COS[2] + v * (_COS[3] + v * _COS[4])))
        s = u * (_SIN[0] + v * (_SIN[1] + v * (_SIN[2] + v * (_SIN[3] + v * _SIN[4]))))
        half = np.floor(0.5 * quarter)
        odd = quarter - 2 * half
        sign = 1 - 2 * (half - 2 * np.floor(0.5 * half))
        cosine[k] = sign * (c * (1 - odd) - s * odd)
        sine[k] = sign * (s * (1 - odd) + c * odd)


@numba.njit(nogil=True, cache=True)
def _delays(px, py, pz, element, velocity, speed, axis, spread, transmit_s, delay_s, used):
    """Two-way delay of a block of points to one element, and 1 where the element belongs to the aperture.

    The element moves evenly while the echo travels: |d - v t| = c t is solved for t in closed form.
    """
    vx, vy, vz = velocity[0], velocity[1], velocity[2]
    gain = speed * speed - (vx * vx + vy * vy + vz * vz)
    for k in range(px.size):
        dx = px[k] - element[0]
        dy = py[k] - element[1]
        dz = pz[k] - element[2]
        square = dx * dx + dy * dy + dz * dz
        along = dx * axis[0] + dy * axis[1] + dz * axis[2]
        closing = dx * vx + dy * vy + dz * vz
        delay_s[k] = transmit_s[k] + (np.sqrt(closing * closing + gain * square) - closing) / gain
        used[k] = 1.0 if square >= spread * along * along else 0.0


# Only the short float32 sum over a filter's taps may be reordered, so that it runs in vectors.
@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def _add_channel(x, delay_s, used, cosine, sine, first_s, rate_hz, taps, weight, re, im, total):
    """Add a channel x (2, sample), read at the delays and turned by the carrier, to sums over a block of points."""
    n_tap = np.uint64(taps.shape[1])
    n_fraction = taps.shape[0] - 1
    lead = taps.shape[1] // 2 - 1
    last = x.shape[1] - taps.shape[1] + lead
    xr = x[0]
    xi = x[1]
    for k in range(delay_s.size):
        position = (delay_s[k] - first_s) * rate_hz
        whole = np.floor(position)
        # Compared as floats: a delay far outside the record would not fit a whole number.
        if used[k] == 0.0 or whole < lead or whole > last:
            continue
        # Unsigned, or each access would ask whether it counts from the end.
        i = np.uint64(np.int64(whole) - lead)
        row = np.uint64(np.int64((position - whole) * n_fraction + 0.5))
        a = np.float32(0)
        b = np.float32(0)
        for p in range(n_tap):
            q = np.uint64(p)
            h = taps[row, q]
            a += h * xr[i + q]
            b += h * xi[i + q]
        re[k] += weight * (a * cosine[k] - b * sine[k])
        im[k] += weight * (a * sine[k] + b * cosine[k])
        total[k] += weight


@numba.njit(nogil=True, cache=True)
def delay_and_sum(
    x,
    element,
    velocity,
    weight,
    axis,
    spread,
    point,
    transmit_s,
    first_s,
    rate_hz,
    carrier_hz,
    speed,
    taps,
    normalise,
    out,
):
    """Focus x (channel, 2, sample) float32, real and imaginary part, onto each point of out (point,).

    A point's channels are always added in the same order, in float64, so blocks and threads change nothing.
    """
    n_point = out.size
    px, py, pz = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK)
    delay_s, used, turns = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK)
    cosine, sine = np.empty(_BLOCK), np.empty(_BLOCK)
    re, im, total = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK)
    for start in range(0, n_point, _BLOCK):
        n = min(_BLOCK, n_point - start)
        for k in range(n):
            # Seen from elements that have moved on while the pulse was under way.
            t = transmit_s[start + k]
            px[k] = point[start + k, 0] - velocity[0] * t
            py[k] = point[start + k, 1] - velocity[1] * t
            pz[k] = point[start + k, 2] - velocity[2] * t
            re[k] = im[k] = total[k] = 0.0
        for m in range(x.shape[0]):
            if weight[m] == 0.0:
                continue
            _delays(
                px[:n],
                py[:n],
                pz[:n],
                element[m],
                velocity,
                speed,
                axis,
                spread,
                transmit_s[start : start + n],
                delay_s[:n],
                used[:n],
            )
            for k in range(n):
                turns[k] = carrier_hz * delay_s[k]
            cosine_sine(turns[:n], cosine[:n], sine[:n])
            _add_channel(
                x[m],
                delay_s[:n],
                used[:n],
                cosine[:n],
                sine[:n],
                first_s,
                rate_hz,
                taps,
                weight[m],
                re,
                im,
                total,
            )
        for k in range(n):
            scale = 1.0
            if normalise:
                scale = 1.0 / total[k] if total[k] != 0.0 else 0.0
            out[start + k] = complex(re[k] * scale, im[k] * scale)
