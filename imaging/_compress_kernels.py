"""Pulse compression of sixteen receivers at a time: transform, times reference, back, with no reordering in between.

A block holds one sample (or bin) of sixteen receivers in a row of 32 numbers: real parts, then imaginary parts. The
forward transform decimates in frequency and leaves its bins in digit-reversed order; the reference is stored in that
order; the inverse transform takes them as they lie (Gentleman and Sande 1966; Duhamel and Vetterli 1990). The inverse
uses the forward butterflies with real and imaginary parts exchanged.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from ._lanes import LANES, load, spread, store, transpose

__all__ = ["compress_block", "deal_in", "deal_out", "scale_rows"]

f32 = np.float32
_ROW = 2 * LANES
_HALF = f32(math.sqrt(0.5))
_NEAR = 512
"""Rows of a block that stays near: 64 kB."""


@numba.njit(nogil=True, cache=True, inline="always")
def _four(ar, ai, br, bi, cr, ci, dr, di):
    """Transform of four numbers."""
    pr, pi, qr, qi = ar + cr, ai + ci, ar - cr, ai - ci
    sr, si, tr, ti = br + dr, bi + di, br - dr, bi - di
    return pr + sr, pi + si, qr + ti, qi - tr, pr - sr, pi - si, qr - ti, qi + tr


@numba.njit(nogil=True, cache=True, inline="always")
def _turned(a, row, r, i, table, t):
    """Store a number times a twiddle factor."""
    c, s = spread(table[t]), spread(table[t + 1])
    store(a, row, r * c - i * s)
    store(a, row + LANES, r * s + i * c)


@numba.njit(nogil=True, cache=True)
def _forward_eight(a, first, step, table, t):
    """One butterfly of radix eight, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r3, i3 = load(a, first + 3 * step), load(a, first + 3 * step + LANES)
    r4, i4 = load(a, first + 4 * step), load(a, first + 4 * step + LANES)
    r5, i5 = load(a, first + 5 * step), load(a, first + 5 * step + LANES)
    r6, i6 = load(a, first + 6 * step), load(a, first + 6 * step + LANES)
    r7, i7 = load(a, first + 7 * step), load(a, first + 7 * step + LANES)
    half = spread(_HALF)
    e0, f0, e2, f2, e4, f4, e6, f6 = _four(
        r0 + r4, i0 + i4, r1 + r5, i1 + i5, r2 + r6, i2 + i6, r3 + r7, i3 + i7
    )
    xr, xi, yr, yi = r1 - r5, i1 - i5, r3 - r7, i3 - i7
    e1, f1, e3, f3, e5, f5, e7, f7 = _four(
        r0 - r4,
        i0 - i4,
        (xr + xi) * half,
        (xi - xr) * half,
        i2 - i6,
        r6 - r2,
        (yi - yr) * half,
        (spread(f32(0)) - yr - yi) * half,
    )
    store(a, first, e0)
    store(a, first + LANES, f0)
    _turned(a, first + step, e1, f1, table, t)
    _turned(a, first + 2 * step, e2, f2, table, t + 2)
    _turned(a, first + 3 * step, e3, f3, table, t + 4)
    _turned(a, first + 4 * step, e4, f4, table, t + 6)
    _turned(a, first + 5 * step, e5, f5, table, t + 8)
    _turned(a, first + 6 * step, e6, f6, table, t + 10)
    _turned(a, first + 7 * step, e7, f7, table, t + 12)


@numba.njit(nogil=True, cache=True, inline="always")
def _taken(a, row, table, t):
    """Load a number, parts exchanged, times a twiddle factor."""
    i, r = load(a, row), load(a, row + LANES)
    c, s = spread(table[t]), spread(table[t + 1])
    return r * c - i * s, r * s + i * c


@numba.njit(nogil=True, cache=True, inline="always")
def _put(a, row, r, i):
    """Store a number with its parts exchanged back."""
    store(a, row, i)
    store(a, row + LANES, r)


@numba.njit(nogil=True, cache=True)
def _inverse_eight(a, first, step, table, t):
    """One butterfly of radix eight of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    r4, i4 = _taken(a, first + 4 * step, table, t + 6)
    r5, i5 = _taken(a, first + 5 * step, table, t + 8)
    r6, i6 = _taken(a, first + 6 * step, table, t + 10)
    r7, i7 = _taken(a, first + 7 * step, table, t + 12)
    half = spread(_HALF)
    e0, f0, e2, f2, e4, f4, e6, f6 = _four(
        r0 + r4, i0 + i4, r1 + r5, i1 + i5, r2 + r6, i2 + i6, r3 + r7, i3 + i7
    )
    xr, xi, yr, yi = r1 - r5, i1 - i5, r3 - r7, i3 - i7
    e1, f1, e3, f3, e5, f5, e7, f7 = _four(
        r0 - r4,
        i0 - i4,
        (xr + xi) * half,
        (xi - xr) * half,
        i2 - i6,
        r6 - r2,
        (yi - yr) * half,
        (spread(f32(0)) - yr - yi) * half,
    )
    _put(a, first, e0, f0)
    _put(a, first + step, e1, f1)
    _put(a, first + 2 * step, e2, f2)
    _put(a, first + 3 * step, e3, f3)
    _put(a, first + 4 * step, e4, f4)
    _put(a, first + 5 * step, e5, f5)
    _put(a, first + 6 * step, e6, f6)
    _put(a, first + 7 * step, e7, f7)


@numba.njit(nogil=True, cache=True)
def _forward_four(a, first, step, table, t):
    e0, f0, e1, f1, e2, f2, e3, f3 = _four(
        load(a, first),
        load(a, first + LANES),
        load(a, first + step),
        load(a, first + step + LANES),
        load(a, first + 2 * step),
        load(a, first + 2 * step + LANES),
        load(a, first + 3 * step),
        load(a, first + 3 * step + LANES),
    )
    store(a, first, e0)
    store(a, first + LANES, f0)
    _turned(a, first + step, e1, f1, table, t)
    _turned(a, first + 2 * step, e2, f2, table, t + 2)
    _turned(a, first + 3 * step, e3, f3, table, t + 4)


@numba.njit(nogil=True, cache=True)
def _inverse_four(a, first, step, table, t):
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    e0, f0, e1, f1, e2, f2, e3, f3 = _four(r0, i0, r1, i1, r2, i2, r3, i3)
    _put(a, first, e0, f0)
    _put(a, first + step, e1, f1)
    _put(a, first + 2 * step, e2, f2)
    _put(a, first + 3 * step, e3, f3)


@numba.njit(nogil=True, cache=True)
def _forward_two(a, first, step, table, t):
    ar, ai = load(a, first), load(a, first + LANES)
    br, bi = load(a, first + step), load(a, first + step + LANES)
    store(a, first, ar + br)
    store(a, first + LANES, ai + bi)
    _turned(a, first + step, ar - br, ai - bi, table, t)


@numba.njit(nogil=True, cache=True)
def _inverse_two(a, first, step, table, t):
    ai, ar = load(a, first), load(a, first + LANES)
    br, bi = _taken(a, first + step, table, t)
    _put(a, first, ar + br, ai + bi)
    _put(a, first + step, ar - br, ai - bi)


@numba.njit(nogil=True, cache=True)
def _forward(a, begin, n, radix, q, table, t):
    """One stage over rows ``begin`` to ``begin + n``, in groups of ``radix * q``."""
    for group in range(begin, begin + n, radix * q):
        for j in range(q):
            at, turn = (group + j) * _ROW, t + 2 * (radix - 1) * j
            if radix == 8:
                _forward_eight(a, at, q * _ROW, table, turn)
            elif radix == 4:
                _forward_four(a, at, q * _ROW, table, turn)
            else:
                _forward_two(a, at, q * _ROW, table, turn)


@numba.njit(nogil=True, cache=True)
def _inverse(a, begin, n, radix, q, table, t):
    for group in range(begin, begin + n, radix * q):
        for j in range(q):
            at, turn = (group + j) * _ROW, t + 2 * (radix - 1) * j
            if radix == 8:
                _inverse_eight(a, at, q * _ROW, table, turn)
            elif radix == 4:
                _inverse_four(a, at, q * _ROW, table, turn)
            else:
                _inverse_two(a, at, q * _ROW, table, turn)


@numba.njit(nogil=True, cache=True)
def _filter(a, begin, n, reference, each):
    """Multiply bins by the reference: one for all sixteen, or (bin, 2, 16)."""
    for k in range(begin, begin + n):
        at = k * _ROW
        if each:
            c, s = load(reference, at), load(reference, at + LANES)
        else:
            c, s = spread(reference[2 * k]), spread(reference[2 * k + 1])
        r, i = load(a, at), load(a, at + LANES)
        store(a, at, r * c - i * s)
        store(a, at + LANES, r * s + i * c)


@numba.njit(nogil=True, cache=True)
def compress_block(a, radix, rest, start, table, reference, each):
    """Compress the block ``a`` (n_fft * 32,) float32 in place.

    ``radix``, ``rest`` and ``start`` (stage,) give each stage's radix, the points it leaves to the next and where its
    twiddle factors begin in ``table``. Stages whose groups are large pass over the whole block; the others, the
    reference and the way back are done a near part at a time.
    """
    n = a.size // _ROW
    n_stage = radix.size
    far = 0
    while far < n_stage and radix[far] * rest[far] > _NEAR:
        _forward(a, 0, n, radix[far], rest[far], table, start[far])
        far += 1
    part = rest[far - 1] if far > 0 else n
    for begin in range(0, n, part):
        for s in range(far, n_stage):
            _forward(a, begin, part, radix[s], rest[s], table, start[s])
        _filter(a, begin, part, reference, each)
        for s in range(n_stage - 1, far - 1, -1):
            _inverse(a, begin, part, radix[s], rest[s], table, start[s])
    for s in range(far - 1, -1, -1):
        _inverse(a, 0, n, radix[s], rest[s], table, start[s])


@numba.njit(nogil=True, cache=True)
def deal_in(echo, first, n_channel, n_sample, a):
    """Lay ``echo`` (channel * sample * 2,) of up to sixteen channels from ``first`` into a block; zeros follow."""
    whole = n_sample // 8 * 8 if n_channel == LANES else 0
    stride = 2 * n_sample
    for k in range(0, whole, 8):
        transpose(echo, first * stride + 2 * k, stride, a, k * _ROW, LANES)
    for c in range(LANES):
        for k in range(whole, n_sample):
            if c < n_channel:
                a[k * _ROW + c] = echo[(first + c) * stride + 2 * k]
                a[k * _ROW + LANES + c] = echo[(first + c) * stride + 2 * k + 1]
            else:
                a[k * _ROW + c] = f32(0)
                a[k * _ROW + LANES + c] = f32(0)
    for k in range(n_sample * _ROW, a.size):
        a[k] = f32(0)


@numba.njit(nogil=True, cache=True)
def scale_rows(a, factor):
    """Multiply the first rows of a block by complex numbers (row * 2,)."""
    for k in range(factor.size // 2):
        at = k * _ROW
        c, s = spread(factor[2 * k]), spread(factor[2 * k + 1])
        r, i = load(a, at), load(a, at + LANES)
        store(a, at, r * c - i * s)
        store(a, at + LANES, r * s + i * c)


@numba.njit(nogil=True, cache=True)
def deal_out(a, first, n_channel, n_out, real, imag):
    """Write a block's first ``n_out`` samples to planes (channel * n_out,), channels from ``first``."""
    whole = n_out // LANES * LANES if n_channel == LANES else 0
    for k in range(0, whole, LANES):
        to = first * n_out + k
        transpose(a, k * _ROW, _ROW, real, to, n_out)
        transpose(a, k * _ROW + LANES, _ROW, imag, to, n_out)
    for c in range(n_channel):
        to = (first + c) * n_out
        for k in range(whole, n_out):
            real[to + k] = a[k * _ROW + c]
            imag[to + k] = a[k * _ROW + LANES + c]
