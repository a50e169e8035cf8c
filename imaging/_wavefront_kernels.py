"""Loops that flatten wave fronts. Arrays and numbers only; the stage has checked everything.

Rows are written in whole vectors of sixteen samples, so buffers are that much longer than what counts.
"""

from __future__ import annotations

import numba
import numpy as np

from ._lanes import LANES, load, spread, store
from ._slide import back_four, back_one, back_three, back_two, on_four, on_one, on_three, on_two

__all__ = ["focus"]

f32 = np.float32


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def _weigh(x, at, other, first, past, n, a, b, fold, out, to, apart):
    """a times samples ``first`` to ``past`` of the row of n at ``at``, zeros beyond it.

    Where ``fold`` is set, that plus and, ``apart`` further on, minus b times the row at ``other``.
    """
    begin = min(max(first, 0), past)
    end = max(min(past, n), begin)
    one = x[at + begin : at + end]
    two = x[other + begin : other + end]
    total = out[to + begin - first : to + end - first]
    difference = out[to + apart + begin - first : to + apart + end - first]
    if fold:
        for s in range(one.size):
            total[s] = a * one[s] + b * two[s]
        for s in range(one.size):
            difference[s] = a * one[s] - b * two[s]
    else:
        for s in range(one.size):
            total[s] = a * one[s]
    for row in range(2 if fold else 1):
        for s in range(first, begin):
            out[to + row * apart + s - first] = f32(0)
        for s in range(end, past):
            out[to + row * apart + s - first] = f32(0)


@numba.njit(nogil=True, cache=True, inline="always")
def _turned(table, at, width, yr, yi, out, to, wide):
    c, q = load(table, at + width), load(table, at + 2 * width)
    store(out, to, yr * c - yi * q)
    store(out, to + wide, yr * q + yi * c)


@numba.njit(nogil=True, cache=True, inline="always")
def _moved_near(before, here, after, d, o1, o2, e0, e1, e2):
    m1, p1, m2, p2 = back_one(before, here), on_one(here, after), back_two(before, here), on_two(here, after)
    even = e0 * here + e1 * (p1 + m1) + e2 * (p2 + m2)
    return here + d * (o1 * (p1 - m1) + o2 * (p2 - m2) + d * even)


@numba.njit(nogil=True, cache=True)
def _move_near(x, real, imag, n, taps, table, at, width, out, to, wide):
    """Delay by a polynomial of degree 2 with two taps on either side, and turn.

    Samples from ``real`` and ``imag`` of x, tables from ``at``, to ``to`` of out and ``wide`` beyond.
    """
    o1, o2 = spread(taps[0, 1]), spread(taps[0, 2])
    e0, e1, e2 = spread(taps[1, 0]), spread(taps[1, 1]), spread(taps[1, 2])
    ar, br, ai, bi = load(x, real - LANES), load(x, real), load(x, imag - LANES), load(x, imag)
    for s in range(0, n, LANES):
        d = load(table, at + s)
        cr, ci = load(x, real + s + LANES), load(x, imag + s + LANES)
        yr = _moved_near(ar, br, cr, d, o1, o2, e0, e1, e2)
        yi = _moved_near(ai, bi, ci, d, o1, o2, e0, e1, e2)
        _turned(table, at + s, width, yr, yi, out, to + s, wide)
        ar, br, ai, bi = br, cr, bi, ci


@numba.njit(nogil=True, cache=True, inline="always")
def _odd(before, here, after, t1, t2, t3, t4):
    near = t1 * (on_one(here, after) - back_one(before, here)) + t2 * (
        on_two(here, after) - back_two(before, here)
    )
    far = t3 * (on_three(here, after) - back_three(before, here))
    return near + far + t4 * (on_four(here, after) - back_four(before, here))


@numba.njit(nogil=True, cache=True, inline="always")
def _even(before, here, after, t1, t2, t3, t4):
    near = t1 * (on_one(here, after) + back_one(before, here)) + t2 * (
        on_two(here, after) + back_two(before, here)
    )
    far = t3 * (on_three(here, after) + back_three(before, here))
    return near + far + t4 * (on_four(here, after) + back_four(before, here))


@numba.njit(nogil=True, cache=True)
def _move(x, real, imag, n, taps, table, at, width, out, to, wide):
    """The same with four taps on either side, of degree 2 or 4."""
    o1, o2, o3, o4 = spread(taps[0, 1]), spread(taps[0, 2]), spread(taps[0, 3]), spread(taps[0, 4])
    e1, e2, e3, e4 = spread(taps[1, 1]), spread(taps[1, 2]), spread(taps[1, 3]), spread(taps[1, 4])
    e0 = spread(taps[1, 0])
    high = taps.shape[0] == 4
    k = 2 if high else 0
    u1, u2, u3, u4 = spread(taps[k, 1]), spread(taps[k, 2]), spread(taps[k, 3]), spread(taps[k, 4])
    k += 1
    g1, g2, g3, g4 = spread(taps[k, 1]), spread(taps[k, 2]), spread(taps[k, 3]), spread(taps[k, 4])
    g0 = spread(taps[k, 0])
    ar, br, ai, bi = load(x, real - LANES), load(x, real), load(x, imag - LANES), load(x, imag)
    for s in range(0, n, LANES):
        d = load(table, at + s)
        cr, ci = load(x, real + s + LANES), load(x, imag + s + LANES)
        second_r = e0 * br + _even(ar, br, cr, e1, e2, e3, e4)
        second_i = e0 * bi + _even(ai, bi, ci, e1, e2, e3, e4)
        if high:
            fourth = g0 * br + _even(ar, br, cr, g1, g2, g3, g4)
            second_r = second_r + d * (_odd(ar, br, cr, u1, u2, u3, u4) + d * fourth)
            fourth = g0 * bi + _even(ai, bi, ci, g1, g2, g3, g4)
            second_i = second_i + d * (_odd(ai, bi, ci, u1, u2, u3, u4) + d * fourth)
        yr = br + d * (_odd(ar, br, cr, o1, o2, o3, o4) + d * second_r)
        yi = bi + d * (_odd(ai, bi, ci, o1, o2, o3, o4) + d * second_i)
        _turned(table, at + s, width, yr, yi, out, to + s, wide)
        ar, br, ai, bi = br, cr, bi, ci


@numba.njit(nogil=True, cache=True)
def _fold(out, at, other, n, wide):
    """Replace two rows by their sum and their difference."""
    for part in range(2):
        for s in range(part * wide, part * wide + n, LANES):
            x, y = load(out, at + s), load(out, other + s)
            store(out, at + s, x + y)
            store(out, other + s, x - y)


@numba.njit(nogil=True, cache=True)
def _move_runs(row, half, low, run_start, run_shift, taps, table, at, width, out, to, wide):
    """Move a row, whose first vector lies before the first sample at the lowest shift, run by run."""
    for j in range(run_shift.size):
        start = run_start[j]
        n = run_start[j + 1] - start
        real = LANES + start + run_shift[j] - low
        if n <= 0:
            continue
        if taps.shape[1] == 3:
            _move_near(row, real, half + real, n, taps, table, at + start, width, out, to + start, wide)
        else:
            _move(row, real, half + real, n, taps, table, at + start, width, out, to + start, wide)


@numba.njit(nogil=True, cache=True)
def focus(
    x,
    n_channel,
    n_sample,
    first,
    past,
    plus,
    minus,
    folded,
    shading,
    table_of,
    run_start,
    run_shift,
    table,
    taps,
    pad,
    wide,
    row,
    out,
):
    """Move each channel by its tabled delay, turn and weigh it, and fold mirror images into sum and difference.

    x (2 * channel * sample,) real, then imaginary parts. Tables (table, 3, sample) begin at sample ``first``. out
    (row, 2, wide) has sample s at pad + s; rows are the series, and if the array folds the differences after the sums.
    Mirror images that share a table are folded before they are moved. ``row`` is room for two channels, each real part
    and imaginary part.
    """
    n_series = plus.size
    width = table.size // (3 * run_start.shape[0])
    half = row.size // 4
    n_run = run_shift.shape[1]
    for k in range(n_series):
        fold = minus[k] >= 0 and table_of[plus[k]] == table_of[minus[k]]
        to = k * 2 * wide + pad + first
        apart = n_series * 2 * wide
        for mirror in range(1 if fold else 2):
            m = plus[k] if mirror == 0 else minus[k]
            if m < 0:
                continue
            t = table_of[m]
            low = run_shift[t, 0]
            high = low
            for j in range(n_run):
                if run_start[t, j + 1] > run_start[t, j]:
                    low = min(low, run_shift[t, j])
                    high = max(high, run_shift[t, j])
            begin = first + low - LANES
            end = past + high + 2 * LANES
            other = max(minus[k], 0)
            for part in range(2):
                one, two = (part * n_channel + m) * n_sample, (part * n_channel + other) * n_sample
                a, b = shading[m], shading[other]
                _weigh(x, one, two, begin, end, n_sample, a, b, fold, row, part * half, 2 * half)
            at = t * 3 * width
            for r in range(2 if fold else 1):
                into = to + (mirror + r) * apart
                one = row[2 * r * half : 2 * (r + 1) * half]
                _move_runs(
                    one, half, low, run_start[t], run_shift[t], taps, table, at, width, out, into, wide
                )
        if folded and minus[k] >= 0 and not fold:
            _fold(out, to, to + apart, past - first, wide)
