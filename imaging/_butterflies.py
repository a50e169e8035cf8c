"""Butterflies of a Fourier transform on sixteen signals at a time, of radix two, three, four, five, seven and eight.

A row holds one sample of sixteen signals in 32 numbers: real parts, then imaginary parts. Forward ones take rows
``first``, ``first + step`` and so on, transform them and turn them by twiddle factors from ``table``; inverse ones
turn first. The inverse is the forward transform with real and imaginary parts exchanged.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from ._lanes import LANES, load, spread, store

__all__ = [
    "forward_eight",
    "forward_five",
    "forward_four",
    "forward_seven",
    "forward_three",
    "forward_two",
    "inverse_eight",
    "inverse_five",
    "inverse_four",
    "inverse_seven",
    "inverse_three",
    "inverse_two",
]

f32 = np.float32
_HALF = f32(math.sqrt(0.5))
_SIN_3 = f32(math.sin(2 * math.pi / 3))
_COS_5 = (f32(math.cos(2 * math.pi / 5)), f32(math.cos(4 * math.pi / 5)))
_COS_7 = tuple(f32(math.cos(2 * math.pi * k / 7)) for k in (1, 2, 3))
_SIN_7 = tuple(f32(math.sin(2 * math.pi * k / 7)) for k in (1, 2, 3))
_SIN_5 = (f32(math.sin(2 * math.pi / 5)), f32(math.sin(4 * math.pi / 5)))


@numba.njit(nogil=True, cache=True, inline="always")
def _four(ar, ai, br, bi, cr, ci, dr, di):
    """Transform of four numbers."""
    pr, pi, qr, qi = ar + cr, ai + ci, ar - cr, ai - ci
    sr, si, tr, ti = br + dr, bi + di, br - dr, bi - di
    return pr + sr, pi + si, qr + ti, qi - tr, pr - sr, pi - si, qr - ti, qi + tr


@numba.njit(nogil=True, cache=True, inline="always")
def _eight(r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6, r7, i7):
    """Transform of eight numbers."""
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
    return e0, f0, e1, f1, e2, f2, e3, f3, e4, f4, e5, f5, e6, f6, e7, f7


@numba.njit(nogil=True, cache=True, inline="always")
def _seven(r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6):
    """Transform of seven numbers."""
    c1, c2, c3 = spread(_COS_7[0]), spread(_COS_7[1]), spread(_COS_7[2])
    s1, s2, s3 = spread(_SIN_7[0]), spread(_SIN_7[1]), spread(_SIN_7[2])
    pr, pi, ur, ui = r1 + r6, i1 + i6, r1 - r6, i1 - i6
    qr, qi, vr, vi = r2 + r5, i2 + i5, r2 - r5, i2 - i5
    tr, ti, wr, wi = r3 + r4, i3 + i4, r3 - r4, i3 - i4
    ar, ai = r0 + c1 * pr + c2 * qr + c3 * tr, i0 + c1 * pi + c2 * qi + c3 * ti
    br, bi = r0 + c2 * pr + c3 * qr + c1 * tr, i0 + c2 * pi + c3 * qi + c1 * ti
    dr, di = r0 + c3 * pr + c1 * qr + c2 * tr, i0 + c3 * pi + c1 * qi + c2 * ti
    xr, xi = s1 * ur + s2 * vr + s3 * wr, s1 * ui + s2 * vi + s3 * wi
    yr, yi = s2 * ur - s3 * vr - s1 * wr, s2 * ui - s3 * vi - s1 * wi
    zr, zi = s3 * ur - s1 * vr + s2 * wr, s3 * ui - s1 * vi + s2 * wi
    er, ei = r0 + pr + qr + tr, i0 + pi + qi + ti
    return (
        er,
        ei,
        ar + xi,
        ai - xr,
        br + yi,
        bi - yr,
        dr + zi,
        di - zr,
        dr - zi,
        di + zr,
        br - yi,
        bi + yr,
        ar - xi,
        ai + xr,
    )


@numba.njit(nogil=True, cache=True, inline="always")
def _five(r0, i0, r1, i1, r2, i2, r3, i3, r4, i4):
    """Transform of five numbers."""
    c1, c2, s1, s2 = spread(_COS_5[0]), spread(_COS_5[1]), spread(_SIN_5[0]), spread(_SIN_5[1])
    pr, pi, ur, ui = r1 + r4, i1 + i4, r1 - r4, i1 - i4
    qr, qi, vr, vi = r2 + r3, i2 + i3, r2 - r3, i2 - i3
    ar, ai = r0 + c1 * pr + c2 * qr, i0 + c1 * pi + c2 * qi
    br, bi = r0 + c2 * pr + c1 * qr, i0 + c2 * pi + c1 * qi
    xr, xi = s1 * ur + s2 * vr, s1 * ui + s2 * vi
    yr, yi = s2 * ur - s1 * vr, s2 * ui - s1 * vi
    return r0 + pr + qr, i0 + pi + qi, ar + xi, ai - xr, br + yi, bi - yr, br - yi, bi + yr, ar - xi, ai + xr


@numba.njit(nogil=True, cache=True, inline="always")
def _three(r0, i0, r1, i1, r2, i2):
    """Transform of three numbers."""
    half, root = spread(f32(0.5)), spread(_SIN_3)
    pr, pi, ur, ui = r1 + r2, i1 + i2, (r1 - r2) * root, (i1 - i2) * root
    mr, mi = r0 - half * pr, i0 - half * pi
    return r0 + pr, i0 + pi, mr + ui, mi - ur, mr - ui, mi + ur


@numba.njit(nogil=True, cache=True, inline="always")
def _turned(a, row, r, i, table, t):
    """Store a number times a twiddle factor."""
    c, s = spread(table[t]), spread(table[t + 1])
    store(a, row, r * c - i * s)
    store(a, row + LANES, r * s + i * c)


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
def forward_eight(a, first, step, table, t):
    """One butterfly of radix eight, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r3, i3 = load(a, first + 3 * step), load(a, first + 3 * step + LANES)
    r4, i4 = load(a, first + 4 * step), load(a, first + 4 * step + LANES)
    r5, i5 = load(a, first + 5 * step), load(a, first + 5 * step + LANES)
    r6, i6 = load(a, first + 6 * step), load(a, first + 6 * step + LANES)
    r7, i7 = load(a, first + 7 * step), load(a, first + 7 * step + LANES)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6, r7, i7 = _eight(
        r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6, r7, i7
    )
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)
    _turned(a, first + 2 * step, r2, i2, table, t + 2)
    _turned(a, first + 3 * step, r3, i3, table, t + 4)
    _turned(a, first + 4 * step, r4, i4, table, t + 6)
    _turned(a, first + 5 * step, r5, i5, table, t + 8)
    _turned(a, first + 6 * step, r6, i6, table, t + 10)
    _turned(a, first + 7 * step, r7, i7, table, t + 12)


@numba.njit(nogil=True, cache=True)
def forward_seven(a, first, step, table, t):
    """One butterfly of radix seven, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r3, i3 = load(a, first + 3 * step), load(a, first + 3 * step + LANES)
    r4, i4 = load(a, first + 4 * step), load(a, first + 4 * step + LANES)
    r5, i5 = load(a, first + 5 * step), load(a, first + 5 * step + LANES)
    r6, i6 = load(a, first + 6 * step), load(a, first + 6 * step + LANES)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6 = _seven(
        r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6
    )
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)
    _turned(a, first + 2 * step, r2, i2, table, t + 2)
    _turned(a, first + 3 * step, r3, i3, table, t + 4)
    _turned(a, first + 4 * step, r4, i4, table, t + 6)
    _turned(a, first + 5 * step, r5, i5, table, t + 8)
    _turned(a, first + 6 * step, r6, i6, table, t + 10)


@numba.njit(nogil=True, cache=True)
def forward_five(a, first, step, table, t):
    """One butterfly of radix five, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r3, i3 = load(a, first + 3 * step), load(a, first + 3 * step + LANES)
    r4, i4 = load(a, first + 4 * step), load(a, first + 4 * step + LANES)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4 = _five(r0, i0, r1, i1, r2, i2, r3, i3, r4, i4)
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)
    _turned(a, first + 2 * step, r2, i2, table, t + 2)
    _turned(a, first + 3 * step, r3, i3, table, t + 4)
    _turned(a, first + 4 * step, r4, i4, table, t + 6)


@numba.njit(nogil=True, cache=True)
def forward_four(a, first, step, table, t):
    """One butterfly of radix four, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r3, i3 = load(a, first + 3 * step), load(a, first + 3 * step + LANES)
    r0, i0, r1, i1, r2, i2, r3, i3 = _four(r0, i0, r1, i1, r2, i2, r3, i3)
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)
    _turned(a, first + 2 * step, r2, i2, table, t + 2)
    _turned(a, first + 3 * step, r3, i3, table, t + 4)


@numba.njit(nogil=True, cache=True)
def forward_three(a, first, step, table, t):
    """One butterfly of radix three, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r2, i2 = load(a, first + 2 * step), load(a, first + 2 * step + LANES)
    r0, i0, r1, i1, r2, i2 = _three(r0, i0, r1, i1, r2, i2)
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)
    _turned(a, first + 2 * step, r2, i2, table, t + 2)


@numba.njit(nogil=True, cache=True)
def forward_two(a, first, step, table, t):
    """One butterfly of radix two, twiddled after."""
    r0, i0 = load(a, first), load(a, first + LANES)
    r1, i1 = load(a, first + step), load(a, first + step + LANES)
    r0, i0, r1, i1 = r0 + r1, i0 + i1, r0 - r1, i0 - i1
    store(a, first, r0)
    store(a, first + LANES, i0)
    _turned(a, first + step, r1, i1, table, t)


@numba.njit(nogil=True, cache=True)
def inverse_eight(a, first, step, table, t):
    """One butterfly of radix eight of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    r4, i4 = _taken(a, first + 4 * step, table, t + 6)
    r5, i5 = _taken(a, first + 5 * step, table, t + 8)
    r6, i6 = _taken(a, first + 6 * step, table, t + 10)
    r7, i7 = _taken(a, first + 7 * step, table, t + 12)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6, r7, i7 = _eight(
        r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6, r7, i7
    )
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
    _put(a, first + 2 * step, r2, i2)
    _put(a, first + 3 * step, r3, i3)
    _put(a, first + 4 * step, r4, i4)
    _put(a, first + 5 * step, r5, i5)
    _put(a, first + 6 * step, r6, i6)
    _put(a, first + 7 * step, r7, i7)


@numba.njit(nogil=True, cache=True)
def inverse_seven(a, first, step, table, t):
    """One butterfly of radix seven of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    r4, i4 = _taken(a, first + 4 * step, table, t + 6)
    r5, i5 = _taken(a, first + 5 * step, table, t + 8)
    r6, i6 = _taken(a, first + 6 * step, table, t + 10)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6 = _seven(
        r0, i0, r1, i1, r2, i2, r3, i3, r4, i4, r5, i5, r6, i6
    )
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
    _put(a, first + 2 * step, r2, i2)
    _put(a, first + 3 * step, r3, i3)
    _put(a, first + 4 * step, r4, i4)
    _put(a, first + 5 * step, r5, i5)
    _put(a, first + 6 * step, r6, i6)


@numba.njit(nogil=True, cache=True)
def inverse_five(a, first, step, table, t):
    """One butterfly of radix five of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    r4, i4 = _taken(a, first + 4 * step, table, t + 6)
    r0, i0, r1, i1, r2, i2, r3, i3, r4, i4 = _five(r0, i0, r1, i1, r2, i2, r3, i3, r4, i4)
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
    _put(a, first + 2 * step, r2, i2)
    _put(a, first + 3 * step, r3, i3)
    _put(a, first + 4 * step, r4, i4)


@numba.njit(nogil=True, cache=True)
def inverse_four(a, first, step, table, t):
    """One butterfly of radix four of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r3, i3 = _taken(a, first + 3 * step, table, t + 4)
    r0, i0, r1, i1, r2, i2, r3, i3 = _four(r0, i0, r1, i1, r2, i2, r3, i3)
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
    _put(a, first + 2 * step, r2, i2)
    _put(a, first + 3 * step, r3, i3)


@numba.njit(nogil=True, cache=True)
def inverse_three(a, first, step, table, t):
    """One butterfly of radix three of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r2, i2 = _taken(a, first + 2 * step, table, t + 2)
    r0, i0, r1, i1, r2, i2 = _three(r0, i0, r1, i1, r2, i2)
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
    _put(a, first + 2 * step, r2, i2)


@numba.njit(nogil=True, cache=True)
def inverse_two(a, first, step, table, t):
    """One butterfly of radix two of the inverse, twiddled before."""
    i0, r0 = load(a, first), load(a, first + LANES)
    r1, i1 = _taken(a, first + step, table, t)
    r0, i0, r1, i1 = r0 + r1, i0 + i1, r0 - r1, i0 - i1
    _put(a, first, r0, i0)
    _put(a, first + step, r1, i1)
