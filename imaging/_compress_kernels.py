"""Pulse compression of sixteen receivers at a time: transform, times reference, back, with no reordering in between.

A block holds one sample (or bin) of sixteen receivers in a row of 32 numbers: real parts, then imaginary parts. The
forward transform decimates in frequency and leaves its bins in digit-reversed order; the reference is stored in that
order; the inverse transform takes them as they lie (Gentleman and Sande 1966; Duhamel and Vetterli 1990).
"""

from __future__ import annotations

import numba
import numpy as np

from ._butterflies import (
    forward_eight,
    forward_five,
    forward_four,
    forward_seven,
    forward_three,
    forward_two,
    inverse_eight,
    inverse_five,
    inverse_four,
    inverse_seven,
    inverse_three,
    inverse_two,
)
from ._lanes import LANES, load, spread, store, transpose

__all__ = ["compress_block", "deal_in", "deal_out", "scale_rows"]

f32 = np.float32
_ROW = 2 * LANES
_NEAR = 512
"""Rows of a block that stays near: 64 kB."""


@numba.njit(nogil=True, cache=True)
def _forward(a, begin, n, radix, q, table, t):
    """One stage over rows ``begin`` to ``begin + n``, in groups of ``radix * q``."""
    for group in range(begin, begin + n, radix * q):
        for j in range(q):
            at, turn = (group + j) * _ROW, t + 2 * (radix - 1) * j
            if radix == 8:
                forward_eight(a, at, q * _ROW, table, turn)
            elif radix == 7:
                forward_seven(a, at, q * _ROW, table, turn)
            elif radix == 5:
                forward_five(a, at, q * _ROW, table, turn)
            elif radix == 4:
                forward_four(a, at, q * _ROW, table, turn)
            elif radix == 3:
                forward_three(a, at, q * _ROW, table, turn)
            else:
                forward_two(a, at, q * _ROW, table, turn)


@numba.njit(nogil=True, cache=True)
def _inverse(a, begin, n, radix, q, table, t):
    for group in range(begin, begin + n, radix * q):
        for j in range(q):
            at, turn = (group + j) * _ROW, t + 2 * (radix - 1) * j
            if radix == 8:
                inverse_eight(a, at, q * _ROW, table, turn)
            elif radix == 7:
                inverse_seven(a, at, q * _ROW, table, turn)
            elif radix == 5:
                inverse_five(a, at, q * _ROW, table, turn)
            elif radix == 4:
                inverse_four(a, at, q * _ROW, table, turn)
            elif radix == 3:
                inverse_three(a, at, q * _ROW, table, turn)
            else:
                inverse_two(a, at, q * _ROW, table, turn)


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
