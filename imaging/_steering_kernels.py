"""Loops that sum focused rows to beams. Arrays and numbers only; the stage has checked everything.

Rows are written in whole vectors of sixteen samples, so buffers are that much longer than what counts.
"""

from __future__ import annotations

import numba
import numpy as np

from ._field_kernels import weave
from ._lanes import LANES, load, spread, store
from ._slide import back_one, back_two, on_one, on_two
from ._tile import TILE_COLUMNS, TILE_ROWS, multiply_tile

__all__ = ["BLOCK", "HALO", "detect", "steer", "steer_and_weave"]

f32 = np.float32

HALO = 8
"""Samples that the filters of steering may reach."""

BLOCK = 192
"""Samples that are steered at a time: whole tiles; their rows and sums stay near the processor."""


@numba.njit(nogil=True, cache=True)
def _near_rows(x, at, n, symmetric, antisymmetric, rows, own, even, odd, sign):
    """A row and its filters with two taps on either side: see :func:`_filtered_rows`."""
    e1, e2 = spread(symmetric[0, 0]), spread(symmetric[0, 1])
    o1, o2 = spread(sign * antisymmetric[0, 0]), spread(sign * antisymmetric[0, 1])
    before, here = load(x, at - LANES), load(x, at)
    for s in range(0, n, LANES):
        after = load(x, at + s + LANES)
        m1, p1, m2, p2 = (
            back_one(before, here),
            on_one(here, after),
            back_two(before, here),
            on_two(here, after),
        )
        store(rows, own + s, here)
        store(rows, even + s, e1 * (p1 + m1) + e2 * (p2 + m2))
        store(rows, odd + s, o1 * (p1 - m1) + o2 * (p2 - m2))
        before, here = here, after


@numba.njit(nogil=True, cache=True)
def _filtered_rows(x, at, n, symmetric, antisymmetric, rank, rows, even, odd, sign):
    """Filters of one rank on n samples from ``at`` to ``even`` and ``odd`` of rows; the latter times ``sign``."""
    side = symmetric.shape[1]
    for s in range(0, n, LANES):
        m, p = load(x, at + s - 1), load(x, at + s + 1)
        e = spread(symmetric[rank, 0]) * (p + m)
        o = spread(sign * antisymmetric[rank, 0]) * (p - m)
        for k in range(1, side):
            m, p = load(x, at + s - k - 1), load(x, at + s + k + 1)
            e = e + spread(symmetric[rank, k]) * (p + m)
            o = o + spread(sign * antisymmetric[rank, k]) * (p - m)
        store(rows, even + s, e)
        store(rows, odd + s, o)


@numba.njit(nogil=True, cache=True)
def _copy(x, at, n, out, to):
    for s in range(0, n, LANES):
        store(out, to + s, load(x, at + s))


@numba.njit(nogil=True, cache=True)
def _fill_rows(x, wide, at, n, used, symmetric, antisymmetric, rows):
    """What is summed over: the series, and what the filters make of them, into rows (row, 2, BLOCK).

    Kinds of rows follow each other: the series themselves, then symmetric and antisymmetric filters of each rank, each
    of as many series as are used. The antisymmetric ones stand with a factor j: their real part is made of the series'
    imaginary part.
    """
    for k in range(used[0]):
        for part in range(2):
            source, own = at + (2 * k + part) * wide, (2 * k + part) * BLOCK
            first = used[0]
            for rank in range(symmetric.shape[0]):
                n_even, n_odd = used[1 + 2 * rank], used[2 + 2 * rank]
                # A filter that is not used writes to the last place, which nobody reads.
                spare = rows.size // BLOCK - 1
                even = (2 * (first + k) + part if k < n_even else spare) * BLOCK
                odd = (2 * (first + n_even + k) + 1 - part if k < n_odd else spare) * BLOCK
                sign = f32(1) if part == 0 else f32(-1)
                if symmetric.shape[1] == 2:
                    _near_rows(x, source, n, symmetric, antisymmetric, rows, own, even, odd, sign)
                else:
                    _copy(x, source, n, rows, own)
                    _filtered_rows(x, source, n, symmetric, antisymmetric, rank, rows, even, odd, sign)
                first += n_even + n_odd


@numba.njit(nogil=True, cache=True)
def _sums(x, wide, at, n, folded, used, factors, symmetric, antisymmetric, rows, sums):
    """E and O of all half beams over n samples from ``at`` into sums (E or O, half beam, 2, BLOCK)."""
    n_block, n_row = factors.shape[1:3]
    flat = factors.reshape(-1)
    for odd in range(2):
        if odd == 0 or folded:
            _fill_rows(x, wide, at + odd * used[0] * 2 * wide, n, used, symmetric, antisymmetric, rows)
        for c in range(0, n, TILE_COLUMNS):
            for part in range(2):
                for b in range(n_block):
                    place = odd * n_block + b
                    multiply_tile(
                        flat,
                        place * n_row * TILE_ROWS,
                        n_row,
                        rows,
                        part * BLOCK + c,
                        2 * BLOCK,
                        sums,
                        (2 * place * TILE_ROWS + part) * BLOCK + c,
                        2 * BLOCK,
                    )


@numba.njit(nogil=True, cache=True)
def _split(sums, n_half, half_beams, n, out, at, out_wide):
    """E + O and E - O of n samples into out (2, beam, out_wide), from place ``at`` of a row on."""
    imag = out.size // 2
    for h in range(half_beams.shape[1]):
        plus, minus = half_beams[0, h], half_beams[1, h]
        e, o = 2 * h * BLOCK, (n_half + h) * 2 * BLOCK
        to = plus * out_wide + at
        mirror = (minus if minus >= 0 else plus) * out_wide + at
        for s in range(0, n, LANES):
            er, ei, fr, fi = (
                load(sums, e + s),
                load(sums, e + BLOCK + s),
                load(sums, o + s),
                load(sums, o + BLOCK + s),
            )
            store(out, mirror + s, er + fi)
            store(out, imag + mirror + s, ei - fr)
            store(out, to + s, er - fi)
            store(out, imag + to + s, ei + fr)


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
    rows,
    sums,
    out,
    out_wide,
):
    """Beams of a patch from focused rows x (row, 2, wide) into out (2, beam, out_wide), sample s at pad + s; all flat.

    A block of samples at a time: rows of the series and their filtered forms, their sums E and O, then E + O and E - O.
    """
    for start in range(first, past, BLOCK):
        n = min(BLOCK, past - start)
        _sums(x, wide, pad + start, n, folded, used, factors, symmetric, antisymmetric, rows, sums)
        _split(sums, factors.shape[1] * TILE_ROWS, half_beams, n, out, pad + start, out_wide)


@numba.njit(nogil=True, cache=True)
def steer_and_weave(
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
    rows,
    sums,
    block,
    n_beam,
    first_beam,
    between_beams,
    level,
    node_per_sample,
    work,
    n_field,
    out,
    out_wide,
):
    """Field of a patch that holds all ``n_beam`` beams, by :func:`steer` and :func:`weave` in turn for each block.

    ``block`` is room for a block of all beams: what is steered is woven while it is near.
    """
    for start in range(first, past, BLOCK):
        n = min(BLOCK, past - start)
        _sums(x, wide, pad + start, n, folded, used, factors, symmetric, antisymmetric, rows, sums)
        _split(sums, factors.shape[1] * TILE_ROWS, half_beams, n, block, 0, BLOCK)
        weave(
            block,
            n_beam,
            BLOCK,
            0,
            start,
            start + n,
            first_beam,
            between_beams,
            level,
            node_per_sample,
            work,
            n_field,
            out,
            out_wide,
        )


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
    rows,
    sums,
    out,
    out_wide,
):
    """Intensities of a patch's beams into out (beam, out_wide); otherwise as :func:`steer`."""
    for start in range(first, past, BLOCK):
        n = min(BLOCK, past - start)
        _sums(x, wide, pad + start, n, folded, used, factors, symmetric, antisymmetric, rows, sums)
        for h in range(half_beams.shape[1]):
            plus, minus = half_beams[0, h], half_beams[1, h]
            e, o = 2 * h * BLOCK, (factors.shape[1] * TILE_ROWS + h) * 2 * BLOCK
            to = plus * out_wide + pad + start
            mirror = (minus if minus >= 0 else plus) * out_wide + pad + start
            for s in range(0, n, LANES):
                er, ei, fr, fi = (
                    load(sums, e + s),
                    load(sums, e + BLOCK + s),
                    load(sums, o + s),
                    load(sums, o + BLOCK + s),
                )
                re, im = er + fi, ei - fr
                store(out, mirror + s, re * re + im * im)
                re, im = er - fi, ei + fr
                store(out, to + s, re * re + im * im)
