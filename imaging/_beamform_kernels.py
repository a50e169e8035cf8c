"""Loops of the beams: focus, steer, field. Arrays and numbers only; the stage has checked everything.

Rows are written in whole vectors of sixteen samples, so buffers are that much longer than what counts.
"""

from __future__ import annotations

import numba
import numpy as np

from ._lanes import LANES, load, spread, store
from ._slide import back_four, back_one, back_three, back_two, on_four, on_one, on_three, on_two
from ._tile import TILE_COLUMNS, TILE_ROWS, multiply_tile
from ._weave import weave_four, weave_two

__all__ = ["BLOCK", "HALO", "detect", "field", "focus", "steer"]

f32 = np.float32
_FAST = {"contract", "reassoc", "nsz"}

HALO = 8
"""Samples that the filters of steering may reach."""

BLOCK = 192
"""Samples that are steered at a time: whole tiles; their rows and sums stay near the processor."""


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
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
    imag = out.size // 2
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
                store(out, mirror + s, er + fi)
                store(out, imag + mirror + s, ei - fr)
                store(out, to + s, er - fi)
                store(out, imag + to + s, ei + fr)


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


@numba.njit(nogil=True, cache=True)
def _between_beams(x, at, stride, n, taps, gain, out, to):
    """A row half way between rows ``at`` and ``at + stride``, times a gain: symmetric taps on the rows on both sides."""
    for s in range(0, n, LANES):
        total = spread(taps[0]) * (load(x, at + s) + load(x, at + s + stride))
        for p in range(1, taps.size):
            total = total + spread(taps[p]) * (
                load(x, at + s - p * stride) + load(x, at + s + (p + 1) * stride)
            )
        store(out, to + s, total * load(gain, s))


@numba.njit(nogil=True, cache=True)
def _steered_beam(x, at, n, gain, out, to):
    for s in range(0, n, LANES):
        store(out, to + s, load(x, at + s) * load(gain, s))


@numba.njit(nogil=True, cache=True)
def _ramps(node_per_sample, n_node, span, node, ramp):
    """For each vector of samples the node below its first sample, and for each sample how far beyond that node it lies,
    and how far beyond the next one, in ramp (2, span)."""
    for v in range(span // LANES):
        i = min(int(v * LANES * node_per_sample), n_node - 1)
        node[v] = i
        for s in range(v * LANES, (v + 1) * LANES):
            beyond = f32(s * node_per_sample - i)
            ramp[s] = beyond
            ramp[span + s] = max(beyond - f32(1), f32(0))


@numba.njit(nogil=True, cache=True)
def _gain_row(table, beam, node_per_sample, span, node, ramp, column, gain, pad):
    """Gain of a beam, tabled (node, beam), at each sample: linear between nodes, constant beyond the last."""
    n_node = table.shape[0]
    for i in range(n_node):
        column[i] = table[i, beam]
    column[n_node] = column[n_node + 1] = column[n_node - 1]
    if node_per_sample * LANES < 1:
        for v in range(span // LANES):
            a, b, c = column[node[v]], column[node[v] + 1], column[node[v] + 2]
            # At most one node lies within a vector: there the slope changes.
            row = spread(a) + spread(b - a) * load(ramp, v * LANES)
            store(gain, pad + v * LANES, row + spread(c - b - (b - a)) * load(ramp, span + v * LANES))
    else:
        for s in range(span):
            at = min(s * node_per_sample, n_node - 1.0)
            i = int(at)
            gain[pad + s] = column[i] + f32(at - i) * (column[i + 1] - column[i])


@numba.njit(nogil=True, cache=True)
def _weave(row, at, wide, n, out, to):
    """Real and imaginary parts in turn."""
    for s in range(0, n, LANES):
        weave_two(out, to + 2 * s, load(row, at + s), load(row, at + wide + s))


@numba.njit(nogil=True, cache=True, inline="always")
def _half_on(before, here, after, h1, h2, h3, h4):
    near = h1 * (here + on_one(here, after)) + h2 * (back_one(before, here) + on_two(here, after))
    far = h3 * (back_two(before, here) + on_three(here, after))
    return near + far + h4 * (back_three(before, here) + on_four(here, after))


@numba.njit(nogil=True, cache=True)
def _weave_double_near(row, at, wide, n, taps, out, to):
    """Parts in turn, after each sample what lies half way to the next, of four samples on either side."""
    h1, h2, h3, h4 = spread(taps[0]), spread(taps[1]), spread(taps[2]), spread(taps[3])
    imag = at + wide
    ar, br, ai, bi = load(row, at - LANES), load(row, at), load(row, imag - LANES), load(row, imag)
    for s in range(0, n, LANES):
        cr, ci = load(row, at + s + LANES), load(row, imag + s + LANES)
        half_r, half_i = _half_on(ar, br, cr, h1, h2, h3, h4), _half_on(ai, bi, ci, h1, h2, h3, h4)
        weave_four(out, to + 4 * s, br, bi, half_r, half_i)
        ar, br, ai, bi = br, cr, bi, ci


@numba.njit(nogil=True, cache=True)
def _weave_double(row, at, wide, n, taps, out, to):
    """The same of any number of samples on either side."""
    for s in range(0, n, LANES):
        r, i = at + s, at + wide + s
        a, b = load(row, r), load(row, i)
        c = spread(taps[0]) * (a + load(row, r + 1))
        d = spread(taps[0]) * (b + load(row, i + 1))
        for p in range(1, taps.size):
            h = spread(taps[p])
            c = c + h * (load(row, r - p) + load(row, r + p + 1))
            d = d + h * (load(row, i - p) + load(row, i + p + 1))
        weave_four(out, to + 4 * s, a, b, c, d)


@numba.njit(nogil=True, cache=True)
def field(
    x,
    n_beam,
    wide,
    pad,
    n,
    first_beam,
    between_beams,
    between_samples,
    level,
    node_per_sample,
    node,
    work,
    n_field,
    out,
):
    """Steered beams x (2, beam, wide), sample s at pad + s, to a field of ``n_field`` beams (beam, sample, 2).

    Where ``between_beams`` has taps (of one side), every second beam of the field is made half way between steered
    ones, beginning after beam ``first_beam``; where ``between_samples`` has, the same holds for samples. ``level``
    (node, beam) is a gain on the field with so many nodes a sample of x; none if it has no nodes. x, work (6, wide) and
    out are flat; out has room for a vector of samples after the last beam.
    """
    ratio = 2 if between_beams.size > 0 else 1
    imag = n_beam * wide
    span = wide - 2 * pad
    row, ramp = work[: 2 * wide], work[2 * wide : 4 * wide]
    gain, column = work[4 * wide : 5 * wide], work[5 * wide :]
    gain[:] = f32(1)
    if level.shape[0] > 0:
        _ramps(node_per_sample, level.shape[0], span, node, ramp)
    for f in range(n_field):
        at = (first_beam + f // ratio) * wide
        if level.shape[0] > 0:
            _gain_row(level, f, node_per_sample, span, node, ramp, column, gain, pad)
        for part in range(2):
            if f % ratio == 1:
                _between_beams(x, part * imag + at, wide, wide, between_beams, gain, row, part * wide)
            else:
                _steered_beam(x, part * imag + at, wide, gain, row, part * wide)
        if between_samples.size == 0:
            _weave(row, pad, wide, n, out, f * 2 * n)
        elif between_samples.size == 4:
            _weave_double_near(row, pad, wide, n, between_samples, out, f * 4 * n)
        else:
            _weave_double(row, pad, wide, n, between_samples, out, f * 4 * n)
