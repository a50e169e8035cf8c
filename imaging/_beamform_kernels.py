"""Loops of the beams. Arrays and numbers only; the stage has checked everything."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["double", "focus", "interleave", "steer"]


_FAST = {"contract", "reassoc", "nsz"}


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _add_tap(re, im, xr, xi, weight):
    """Add one tap of a channel xr, xi (sample,) whose weight changes from sample to sample."""
    for s in range(re.size):
        re[s] += weight[s] * xr[s]
        im[s] += weight[s] * xi[s]


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _turn(re, im, cosine, sine):
    """Multiply by a phase in place."""
    for s in range(re.size):
        a = re[s]
        b = im[s]
        re[s] = a * cosine[s] - b * sine[s]
        im[s] = a * sine[s] + b * cosine[s]


@numba.njit(nogil=True, cache=True)
def focus(x, run_start, run_shift, taps, cosine, sine, first, pad, out):
    """Move each channel by its tabled delay and phase.

    x (2, channel, sample); a run of samples shares its whole shift: run k of channel m reaches from run_start[m, k]
    up to run_start[m, k + 1], counted from sample ``first``. taps (tap, channel, sample), cosine and sine (channel,
    sample) are tabled from ``first`` on. out (2, channel, padded sample).
    """
    n_channel, n = x.shape[1:]
    n_tap = taps.shape[0]
    n_run = run_shift.shape[1]
    for m in range(n_channel):
        for k in range(n_run):
            s0 = run_start[m, k]
            s1 = run_start[m, k + 1]
            if s1 <= s0:
                continue
            shift = first + run_shift[m, k]
            out[0, m, pad + first + s0 : pad + first + s1] = 0
            out[1, m, pad + first + s0 : pad + first + s1] = 0
            # Samples whose filter would reach beyond the recording stay zero.
            s0 = max(s0, -shift)
            s1 = min(s1, n - n_tap + 1 - shift)
            if s1 <= s0:
                continue
            re = out[0, m, pad + first + s0 : pad + first + s1]
            im = out[1, m, pad + first + s0 : pad + first + s1]
            for p in range(n_tap):
                near = slice(s0 + shift + p, s1 + shift + p)
                _add_tap(re, im, x[0, m, near], x[1, m, near], taps[p, m, s0:s1])
            _turn(re, im, cosine[m, s0:s1], sine[m, s0:s1])


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _add4(yr, yi, xr, xi, wr, wi):
    """Add one channel through a complex filter of four taps."""
    a, b, c, d = wr[0], wr[1], wr[2], wr[3]
    e, f, g, h = wi[0], wi[1], wi[2], wi[3]
    for s in range(yr.size):
        r0, r1, r2, r3 = xr[s], xr[s + 1], xr[s + 2], xr[s + 3]
        i0, i1, i2, i3 = xi[s], xi[s + 1], xi[s + 2], xi[s + 3]
        yr[s] += a * r0 + b * r1 + c * r2 + d * r3 - e * i0 - f * i1 - g * i2 - h * i3
        yi[s] += a * i0 + b * i1 + c * i2 + d * i3 + e * r0 + f * r1 + g * r2 + h * r3


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _add2(yr, yi, xr, xi, wr, wi):
    """Add one channel through a complex filter of two taps."""
    a, b = wr[0], wr[1]
    e, f = wi[0], wi[1]
    for s in range(yr.size):
        r0, r1 = xr[s], xr[s + 1]
        i0, i1 = xi[s], xi[s + 1]
        yr[s] += a * r0 + b * r1 - e * i0 - f * i1
        yi[s] += a * i0 + b * i1 + e * r0 + f * r1


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def steer(x, offset, weight_re, weight_im, pad, from_beam, to_beam, from_sample, to_sample, out):
    """Sum the channels of x (2, channel, padded) with short complex filters into out (2, beam, sample).

    Samples go in blocks, so that the block of a beam stays in the first-level cache while all channels are added.
    The number of taps is even. Whole arrays are passed with ranges, since a slice of beams would lose the contiguous
    layout that the inner loops need.
    """
    _, n_channel, n_tap = weight_re.shape
    block = 1024
    for start in range(from_sample, to_sample, block):
        stop = min(to_sample, start + block)
        for b in range(from_beam, to_beam):
            yr = out[0, b, start:stop]
            yi = out[1, b, start:stop]
            yr[:] = 0
            yi[:] = 0
            for m in range(n_channel):
                size = np.float32(0)
                for p in range(n_tap):
                    size += abs(weight_re[b, m, p]) + abs(weight_im[b, m, p])
                if size == 0:
                    continue
                first = pad + offset[b, m] + start
                p = 0
                while p + 4 <= n_tap:
                    xr = x[0, m, first + p : first + p + stop - start + 3]
                    xi = x[1, m, first + p : first + p + stop - start + 3]
                    _add4(yr, yi, xr, xi, weight_re[b, m, p : p + 4], weight_im[b, m, p : p + 4])
                    p += 4
                if p < n_tap:
                    xr = x[0, m, first + p : first + p + stop - start + 1]
                    xi = x[1, m, first + p : first + p + stop - start + 1]
                    _add2(yr, yi, xr, xi, weight_re[b, m, p : p + 2], weight_im[b, m, p : p + 2])


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _interleave(row, half, wide, part):
    """Write samples and half-way values of one part (0 real, 1 imaginary) of a beam."""
    for s in range(row.size):
        wide[2 * s, part] = row[s]
        wide[2 * s + 1, part] = half[s]


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def double(x, taps, out):
    """Interleave x (2, beam, sample) with values half way between its samples into out (beam, 2 sample, 2)."""
    n_part, n_beam, n = x.shape
    n_tap = taps.size
    left = n_tap // 2 - 1
    half = np.zeros(n, np.float32)
    last = n - n_tap + left + 1
    for b in range(n_beam):
        for c in range(n_part):
            row = x[c, b]
            inner = half[left:last]
            inner[:] = 0
            for p in range(n_tap):
                h = taps[p]
                shifted = row[p : p + last - left]
                for s in range(inner.size):
                    inner[s] += h * shifted[s]
            _interleave(row, half, out[b], c)


@numba.njit(nogil=True, cache=True)
def interleave(x, out):
    """Write x (2, beam, sample) as out (beam, sample, 2)."""
    for b in range(x.shape[1]):
        for s in range(x.shape[2]):
            out[b, s, 0] = x[0, b, s]
            out[b, s, 1] = x[1, b, s]
