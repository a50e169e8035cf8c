"""Loop of the row alignment. Arrays and numbers only; the stage has checked everything."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["align_rows", "move_samples", "row_covariance", "weigh_row"]


@numba.njit(nogil=True, cache=True)
def align_rows(x, index, row, phase, kind, taps, weight, out):
    """Sum x (2, row, channel, sample), each row moved by its tabled delay and phase, into out (2, channel, sample).

    ``phase`` is (set, row, sample), ``kind`` (channel,) the set of each channel.
    """
    n_row, n_channel, n = x.shape[1:]
    n_tap = taps.shape[1]
    for m in range(n_channel):
        for s in range(n):
            out[0, m, s] = 0
            out[1, m, s] = 0
    for r in range(n_row):
        for m in range(n_channel):
            w = weight[r, m]
            if w == 0:
                continue
            for s in range(n):
                i = index[r, s]
                if i < 0 or i + n_tap > n:
                    continue
                k = row[r, s]
                total = np.complex64(0)
                for p in range(n_tap):
                    total += taps[k, p] * np.complex64(complex(x[0, r, m, i + p], x[1, r, m, i + p]))
                turned = w * (phase[kind[m], r, s] * total)
                out[0, m, s] += turned.real
                out[1, m, s] += turned.imag


@numba.njit(nogil=True, cache=True)
def row_covariance(x, index, row, phase, taps, weight, block, out):
    """Add the products of aligned rows of x (2, row, channel, sample), block by block of samples, to out (block, row, row).

    ``phase`` is (row, sample); channels with a dead row are left out. Every second sample serves.
    """
    n_row, n_channel, n = x.shape[1:]
    n_tap = taps.shape[1]
    aligned = np.empty(n_row, np.complex64)
    for m in range(n_channel):
        whole = True
        for r in range(n_row):
            whole = whole and weight[r, m] != 0
        if not whole:
            continue
        for s in range(0, n, 2):
            b = int(s / block)
            if b >= out.shape[0]:
                break
            inside = True
            for r in range(n_row):
                i = index[r, s]
                inside = inside and i >= 0 and i + n_tap <= n
                if not inside:
                    break
                k = row[r, s]
                total = np.complex64(0)
                for p in range(n_tap):
                    total += taps[k, p] * np.complex64(complex(x[0, r, m, i + p], x[1, r, m, i + p]))
                aligned[r] = weight[r, m] * phase[r, s] * total
            if inside:
                for r in range(n_row):
                    for q in range(n_row):
                        out[b, r, q] += aligned[r] * np.conj(aligned[q])


@numba.njit(nogil=True, cache=True)
def weigh_row(x, weight, out):
    """Multiply the only row of x (2, 1, channel, sample) by weight (channel,) into out (2, channel, sample)."""
    n_channel, n = x.shape[2:]
    for m in range(n_channel):
        c = weight[m].real
        d = weight[m].imag
        for s in range(n):
            a = x[0, 0, m, s]
            b = x[1, 0, m, s]
            out[0, m, s] = a * c - b * d
            out[1, m, s] = a * d + b * c


@numba.njit(nogil=True, cache=True)
def move_samples(x, first, taps, scratch):
    """Replace x (sample,) by its sum over taps that stand from sample ``first`` after each; nothing lies beyond its ends."""
    n = x.size
    for s in range(n):
        total = np.float32(0)
        for p in range(taps.size):
            i = s + first + p
            if 0 <= i < n:
                total += taps[p] * x[i]
        scratch[s] = total
    for s in range(n):
        x[s] = scratch[s]
