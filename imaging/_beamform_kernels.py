"""Loops of the beams: focus, steer, field. Arrays and numbers only; the stage has checked everything.

Rows are written in whole vectors of sixteen samples, so buffers are that much longer than what counts.
"""

from __future__ import annotations

import numba
import numpy as np

from ._lanes import LANES, load, spread, store
from ._tile import TILE_COLUMNS, TILE_ROWS, multiply_tile

__all__ = ["BLOCK", "COLUMNS", "HALO", "detect", "field", "focus", "steer"]

f32 = np.float32
_FAST = {"contract", "reassoc", "nsz"}

HALO = 8
"""Samples that the filters after the sums may reach."""

BLOCK = 464
"""Samples that are steered at a time: with their halo whole tiles, near the processor's first-level cache."""

COLUMNS = BLOCK + 2 * HALO
"""Of a row of sums."""


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _copy(x, at, first, past, n, to, out):
    """Samples ``first`` to ``past`` of a row of n at ``at`` in x; zeros where there is none."""
    begin = max(first, 0)
    end = min(past, n)
    for s in range(first, min(begin, past)):
        out[to + s - first] = f32(0)
    source = x[at + begin : at + max(begin, end)]
    target = out[to + begin - first : to + begin - first + source.size]
    for s in range(source.size):
        target[s] = source[s]
    for s in range(max(end, first), past):
        out[to + s - first] = f32(0)


@numba.njit(nogil=True, cache=True)
def _move_2(x, real, imag, n, taps, table, at, width, out, to_real, to_imag):
    """Delay by a polynomial of degree 2 and turn: samples ``real`` and ``imag`` on of x, table from ``at`` on."""
    side = taps.shape[1] - 1
    for s in range(0, n, LANES):
        d = load(table, at + s)
        r, i = real + s, imag + s
        xr, xi = load(x, r), load(x, i)
        e = spread(taps[1, 0])
        er, ei = e * xr, e * xi
        odd_r, odd_i = spread(f32(0)), spread(f32(0))
        for k in range(1, side + 1):
            o, e = spread(taps[0, k]), spread(taps[1, k])
            ar, br = load(x, r + k), load(x, r - k)
            ai, bi = load(x, i + k), load(x, i - k)
            odd_r, odd_i = odd_r + o * (ar - br), odd_i + o * (ai - bi)
            er, ei = er + e * (ar + br), ei + e * (ai + bi)
        yr, yi = xr + d * (odd_r + d * er), xi + d * (odd_i + d * ei)
        c, q = load(table, at + width + s), load(table, at + 2 * width + s)
        store(out, to_real + s, yr * c - yi * q)
        store(out, to_imag + s, yr * q + yi * c)


@numba.njit(nogil=True, cache=True)
def _move_4(x, real, imag, n, taps, table, at, width, out, to_real, to_imag):
    """The same by a polynomial of degree 4."""
    side = taps.shape[1] - 1
    for s in range(0, n, LANES):
        d = load(table, at + s)
        r, i = real + s, imag + s
        xr, xi = load(x, r), load(x, i)
        e, g = spread(taps[1, 0]), spread(taps[3, 0])
        er, ei, gr, gi = e * xr, e * xi, g * xr, g * xi
        odd_r, odd_i, third_r, third_i = spread(f32(0)), spread(f32(0)), spread(f32(0)), spread(f32(0))
        for k in range(1, side + 1):
            ar, br = load(x, r + k), load(x, r - k)
            ai, bi = load(x, i + k), load(x, i - k)
            dr, di, sr, si = ar - br, ai - bi, ar + br, ai + bi
            o, e = spread(taps[0, k]), spread(taps[1, k])
            odd_r, odd_i, er, ei = odd_r + o * dr, odd_i + o * di, er + e * sr, ei + e * si
            o, e = spread(taps[2, k]), spread(taps[3, k])
            third_r, third_i, gr, gi = third_r + o * dr, third_i + o * di, gr + e * sr, gi + e * si
        yr = xr + d * (odd_r + d * (er + d * (third_r + d * gr)))
        yi = xi + d * (odd_i + d * (ei + d * (third_i + d * gi)))
        c, q = load(table, at + width + s), load(table, at + 2 * width + s)
        store(out, to_real + s, yr * c - yi * q)
        store(out, to_imag + s, yr * q + yi * c)


@numba.njit(nogil=True, cache=True)
def _fold(out, real, imag, stride, n, a, b):
    """Replace two rows by a times the first plus and minus b times the second."""
    u, v = spread(a), spread(b)
    for s in range(0, n, LANES):
        for place in (real + s, imag + s):
            x, y = u * load(out, place), v * load(out, place + stride)
            store(out, place, x + y)
            store(out, place + stride, x - y)


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
    ``row`` is room for one channel, real part and imaginary part.
    """
    n_series = plus.size
    width = table.size // (3 * run_start.shape[0])
    half = row.size // 2
    side = taps.shape[1] - 1
    n_run = run_shift.shape[1]
    for k in range(n_series):
        for mirror in range(2):
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
            begin = first + low - side
            end = past + high + side + LANES
            for part in range(2):
                _copy(x, (part * n_channel + m) * n_sample, begin, end, n_sample, part * half, row)
            to = ((k + mirror * n_series) * 2) * wide + pad + first
            for j in range(n_run):
                a = run_start[t, j]
                n = run_start[t, j + 1] - a
                if n <= 0:
                    continue
                source = a + run_shift[t, j] - low + side
                at = t * 3 * width + a
                if taps.shape[0] == 2:
                    _move_2(row, source, half + source, n, taps, table, at, width, out, to + a, to + wide + a)
                else:
                    _move_4(row, source, half + source, n, taps, table, at, width, out, to + a, to + wide + a)
        to = k * 2 * wide + pad + first
        a = shading[plus[k]]
        b = shading[minus[k]] if minus[k] >= 0 else f32(0)
        _fold(out, to, to + wide, n_series * 2 * wide if folded else 0, past - first, a, b)


@numba.njit(nogil=True, cache=True)
def _product(x, wide, first_row, at, n_column, factors, at_factor, n_series, n_used, raw, to):
    """Sums over the first series for four half beams: real part and imaginary part of a row lie ``COLUMNS`` apart."""
    for part in range(2):
        from_x = first_row * 2 * wide + part * wide + at
        into = to + part * COLUMNS
        for c in range(0, n_column, TILE_COLUMNS):
            multiply_tile(factors, at_factor, n_used, x, from_x + c, 2 * wide, raw, into + c, 2 * COLUMNS)


@numba.njit(nogil=True, cache=True, inline="always")
def _filtered(raw, at, stride, symmetric, antisymmetric):
    """c_0 term plus filtered ones of a half beam at a place of the first kind's row; kinds lie ``stride`` apart."""
    real, imag = load(raw, at), load(raw, at + COLUMNS)
    for i in range(symmetric.shape[0]):
        er, ei = at + (1 + 2 * i) * stride, at + (1 + 2 * i) * stride + COLUMNS
        dr, di = er + stride, ei + stride
        for k in range(1, symmetric.shape[1] + 1):
            e, o = spread(symmetric[i, k - 1]), spread(antisymmetric[i, k - 1])
            # The antisymmetric filters stand with a factor j.
            real = (
                real
                + e * (load(raw, er + k) + load(raw, er - k))
                - o * (load(raw, di + k) - load(raw, di - k))
            )
            imag = (
                imag
                + e * (load(raw, ei + k) + load(raw, ei - k))
                + o * (load(raw, dr + k) - load(raw, dr - k))
            )
    return real, imag


@numba.njit(nogil=True, cache=True)
def _sums(x, wide, pad, start, n, block, folded, used, factors, raw):
    """All kinds of sums of four half beams over ``n`` samples and their halo into raw (E or O, kind, 4, 2, column)."""
    n_kind, n_block, n_series = factors.shape[1:4]
    flat = factors.reshape(-1)
    for odd in range(2):
        for kind in range(n_kind):
            _product(
                x,
                wide,
                n_series if odd == 1 and folded else 0,
                pad + start - HALO,
                n + 2 * HALO,
                flat,
                ((odd * n_kind + kind) * n_block + block) * n_series * TILE_ROWS,
                n_series,
                used[kind],
                raw,
                (odd * n_kind + kind) * TILE_ROWS * 2 * COLUMNS,
            )


@numba.njit(nogil=True, cache=True)
def steer(
    x,
    wide,
    pad,
    first,
    past,
    folded,
    half_beams,
    used,
    factors,
    symmetric,
    antisymmetric,
    raw,
    out,
    out_wide,
):
    """Beams of a patch from focused rows x (row, 2, wide) into out (2, beam, out_wide), sample s at pad + s; all flat.

    Four half beams and ``BLOCK`` samples at a time: sums over the receivers, then the filters, then E + O and E - O.
    """
    n_kind = factors.shape[1]
    stride = TILE_ROWS * 2 * COLUMNS
    n_half = half_beams.shape[1]
    imag = out.size // 2
    for start in range(first, past, BLOCK):
        n = min(BLOCK, past - start)
        for block in range(factors.shape[2]):
            _sums(x, wide, pad, start, n, block, folded, used, factors, raw)
            for h in range(min(TILE_ROWS, n_half - block * TILE_ROWS)):
                plus = half_beams[0, block * TILE_ROWS + h]
                minus = half_beams[1, block * TILE_ROWS + h]
                at = h * 2 * COLUMNS + HALO
                for s in range(0, n, LANES):
                    er, ei = _filtered(raw, at + s, stride, symmetric, antisymmetric)
                    fr, fi = _filtered(raw, at + n_kind * stride + s, stride, symmetric, antisymmetric)
                    store(out, plus * out_wide + pad + start + s, er - fi)
                    store(out, imag + plus * out_wide + pad + start + s, ei + fr)
                    if minus >= 0:
                        store(out, minus * out_wide + pad + start + s, er + fi)
                        store(out, imag + minus * out_wide + pad + start + s, ei - fr)


@numba.njit(nogil=True, cache=True)
def detect(
    x,
    wide,
    pad,
    first,
    past,
    folded,
    half_beams,
    used,
    factors,
    symmetric,
    antisymmetric,
    raw,
    out,
    out_wide,
):
    """Intensities of a patch's beams into out (beam, out_wide); otherwise as :func:`steer`."""
    n_kind = factors.shape[1]
    stride = TILE_ROWS * 2 * COLUMNS
    n_half = half_beams.shape[1]
    for start in range(first, past, BLOCK):
        n = min(BLOCK, past - start)
        for block in range(factors.shape[2]):
            _sums(x, wide, pad, start, n, block, folded, used, factors, raw)
            for h in range(min(TILE_ROWS, n_half - block * TILE_ROWS)):
                plus = half_beams[0, block * TILE_ROWS + h]
                minus = half_beams[1, block * TILE_ROWS + h]
                at = h * 2 * COLUMNS + HALO
                for s in range(0, n, LANES):
                    er, ei = _filtered(raw, at + s, stride, symmetric, antisymmetric)
                    fr, fi = _filtered(raw, at + n_kind * stride + s, stride, symmetric, antisymmetric)
                    re, im = er - fi, ei + fr
                    store(out, plus * out_wide + pad + start + s, re * re + im * im)
                    if minus >= 0:
                        re, im = er + fi, ei - fr
                        store(out, minus * out_wide + pad + start + s, re * re + im * im)


@numba.njit(nogil=True, cache=True)
def _halfway(x, at, stride, n, taps, out, to):
    """A row half way between rows ``at`` and ``at + stride``: symmetric taps on the rows on both sides."""
    for s in range(0, n, LANES):
        total = spread(f32(0))
        for p in range(taps.size):
            total = total + spread(taps[p]) * (
                load(x, at + s - p * stride) + load(x, at + s + (p + 1) * stride)
            )
        store(out, to + s, total)


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _weave_2(real, imag, out):
    for s in range(real.size):
        out[2 * s] = real[s]
        out[2 * s + 1] = imag[s]


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _weave_4(real, imag, half_real, half_imag, out):
    for s in range(real.size):
        out[4 * s] = real[s]
        out[4 * s + 1] = imag[s]
        out[4 * s + 2] = half_real[s]
        out[4 * s + 3] = half_imag[s]


@numba.njit(nogil=True, cache=True)
def field(x, n_beam, wide, pad, n, first_beam, between_beams, between_samples, row, out):
    """Steered beams x (2, beam, wide), sample s at pad + s, to the field out (beam, sample, 2), both at more places.

    Where ``between_beams`` has taps (of one side), every second beam of the field is made half way between steered
    ones, beginning after beam ``first_beam``; where ``between_samples`` has, the same holds for samples. x and row
    (4, wide) are flat.
    """
    ratio = 2 if between_beams.size > 0 else 1
    span = (n + LANES - 1) // LANES * LANES
    imag = n_beam * wide
    for f in range(out.shape[0]):
        at = (first_beam + f // ratio) * wide
        a = row[pad : pad + n]
        b = row[wide + pad : wide + pad + n]
        if f % ratio == 1:
            for part in range(2):
                _halfway(x, part * imag + at, wide, wide - LANES, between_beams, row, part * wide)
        else:
            row[:wide] = x[at : at + wide]
            row[wide : 2 * wide] = x[imag + at : imag + at + wide]
        into = out[f].reshape(-1)
        if between_samples.size == 0:
            _weave_2(a, b, into)
        else:
            for part in range(2):
                _halfway(row, part * wide + pad, 1, span, between_samples, row, (2 + part) * wide + pad)
            c = row[2 * wide + pad : 2 * wide + pad + n]
            d = row[3 * wide + pad : 3 * wide + pad + n]
            _weave_4(a, b, c, d, into)
