"""Loops that make the field of steered beams. Arrays and numbers only; the stage has checked everything.

Rows are written in whole vectors of sixteen samples, so buffers are that much longer than what counts.
"""

from __future__ import annotations

import numba
import numpy as np

from ._lanes import LANES, load, most, spread, store
from ._slide import back_one, back_three, back_two, on_four, on_one, on_three, on_two
from ._weave import weave_four, weave_two

__all__ = ["LEAD", "double", "weave"]

f32 = np.float32

LEAD = 8
"""Samples before the first of each beam of a field, which stay zero: a cache line of what taps reach back over."""


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


@numba.njit(nogil=True, cache=True, inline="always")
def _half_on(before, here, after, h1, h2, h3):
    near = h1 * (here + on_one(here, after)) + h2 * (back_one(before, here) + on_two(here, after))
    return near + h3 * (back_two(before, here) + on_three(here, after))


@numba.njit(nogil=True, cache=True)
def _weave_double_three(row, at, wide, n, taps, out, to):
    """Parts in turn, after each sample what lies half way to the next, of three samples on either side."""
    h1, h2, h3 = spread(taps[0]), spread(taps[1]), spread(taps[2])
    imag = at + wide
    ar, br, ai, bi = load(row, at - LANES), load(row, at), load(row, imag - LANES), load(row, imag)
    for s in range(0, n, LANES):
        cr, ci = load(row, at + s + LANES), load(row, imag + s + LANES)
        half_r, half_i = _half_on(ar, br, cr, h1, h2, h3), _half_on(ai, bi, ci, h1, h2, h3)
        weave_four(out, to + 4 * s, br, bi, half_r, half_i)
        ar, br, ai, bi = br, cr, bi, ci


@numba.njit(nogil=True, cache=True)
def _weave_double_four(row, at, wide, n, taps, out, to):
    """The same of four samples on either side."""
    h1, h2, h3, h4 = spread(taps[0]), spread(taps[1]), spread(taps[2]), spread(taps[3])
    imag = at + wide
    ar, br, ai, bi = load(row, at - LANES), load(row, at), load(row, imag - LANES), load(row, imag)
    for s in range(0, n, LANES):
        cr, ci = load(row, at + s + LANES), load(row, imag + s + LANES)
        half_r = _half_on(ar, br, cr, h1, h2, h3) + h4 * (back_three(ar, br) + on_four(br, cr))
        half_i = _half_on(ai, bi, ci, h1, h2, h3) + h4 * (back_three(ai, bi) + on_four(bi, ci))
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
def double(
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
    out_wide,
):
    """Steered beams x (2, beam, wide), sample s at pad + s, to a field of ``n_field`` beams (beam, out_wide, 2) that has
    twice the samples, after ``LEAD`` that stay as they are.

    Where ``between_beams`` has taps (of one side), every second beam of the field is made half way between steered
    ones, beginning after beam ``first_beam``; samples half way are made with the taps ``between_samples``. ``level``
    (node, beam) is a gain on the field with so many nodes a sample of x; none if it has no nodes. x, work (6, wide) and
    out are flat; rows of out have room for whole vectors.
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
        to = 2 * (f * out_wide + LEAD)
        if between_samples.size == 3:
            _weave_double_three(row, pad, wide, n, between_samples, out, to)
        elif between_samples.size == 4:
            _weave_double_four(row, pad, wide, n, between_samples, out, to)
        else:
            _weave_double(row, pad, wide, n, between_samples, out, to)


@numba.njit(nogil=True, cache=True, inline="always")
def _levels(level, i, f, beyond, after):
    """Gain of a beam at sixteen samples, so far ``beyond`` node i and ``after`` the next one, in nodes."""
    last = level.shape[0] - 1
    a, b, c = level[min(i, last), f], level[min(i + 1, last), f], level[min(i + 2, last), f]
    # At most one node lies within a vector: there the slope changes.
    return spread(a) + spread(b - a) * beyond + spread(c - b - (b - a)) * after


@numba.njit(nogil=True, cache=True)
def _dense_levels(level, f, s, node_per_sample, gain):
    """The same where more than one node may lie within a vector."""
    last = level.shape[0] - 1
    for k in range(LANES):
        at = min((s + k) * node_per_sample, float(last))
        i = min(int(at), last - 1)
        gain[k] = level[i, f] + f32(at - i) * (level[i + 1, f] - level[i, f])
    return load(gain, 0)


@numba.njit(nogil=True, cache=True)
def weave(
    x,
    n_beam,
    wide,
    at,
    first,
    past,
    first_beam,
    between_beams,
    level,
    node_per_sample,
    work,
    n_field,
    out,
    out_wide,
):
    """Samples ``first`` to ``past`` of the field at the rate of x, whose sample ``first`` stands at ``at`` of a row.

    Otherwise as :func:`double`; sixteen samples of all beams at a time, so that rows of x are read while they are near.
    ``work`` is room for 32 numbers.
    """
    imag = n_beam * wide
    one, nothing = spread(f32(1)), spread(f32(0))
    for k in range(LANES):
        work[k] = f32(k * node_per_sample)
    steps = load(work, 0)
    plain, dense = level.shape[0] == 0, node_per_sample * LANES >= 1
    n_tap = between_beams.size
    gain, beyond, after, i = one, nothing, nothing, 0
    for s in range(first, past, LANES):
        here = at + s - first + first_beam * wide
        to = 2 * (LEAD + s)
        if not plain:
            i = int(s * node_per_sample)
            beyond = spread(f32(s * node_per_sample - i)) + steps
            after = most(beyond - one, nothing)
            if i >= level.shape[0] - 1:
                i, beyond, after = level.shape[0] - 1, nothing, nothing
        for f in range(n_field):
            if not plain:
                if dense:
                    gain = _dense_levels(level, f, s, node_per_sample, work[LANES:])
                else:
                    gain = _levels(level, i, f, beyond, after)
            if n_tap > 0 and f & 1:
                low, high = here, here + wide
                tap = spread(between_beams[0])
                re = tap * (load(x, low) + load(x, high))
                im = tap * (load(x, imag + low) + load(x, imag + high))
                for p in range(1, n_tap):
                    low -= wide
                    high += wide
                    tap = spread(between_beams[p])
                    re = re + tap * (load(x, low) + load(x, high))
                    im = im + tap * (load(x, imag + low) + load(x, imag + high))
                here += wide
            else:
                re, im = load(x, here), load(x, imag + here)
                if n_tap == 0:
                    here += wide
            weave_two(out, to, re * gain, im * gain)
            to += 2 * out_wide
