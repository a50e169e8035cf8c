"""Loops of the beams. Arrays and numbers only; the stage has checked everything."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["double", "focus", "steer"]


@numba.njit(nogil=True, cache=True)
def focus(x, index, row, phase, taps, pad, out):
    """Move each channel of x (channel, sample) by its tabled delay and phase into out (2, channel, padded)."""
    n_channel, n = x.shape
    n_tap = taps.shape[1]
    for m in range(n_channel):
        for s in range(n):
            i = index[m, s]
            k = row[m, s]
            re = np.float32(0)
            im = np.float32(0)
            if i >= 0 and i + n_tap <= n:
                for p in range(n_tap):
                    v = x[m, i + p]
                    h = taps[k, p]
                    re += h * v.real
                    im += h * v.imag
            c = phase[m, s]
            out[0, m, pad + s] = re * c.real - im * c.imag
            out[1, m, pad + s] = re * c.imag + im * c.real


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def steer(x, offset, weight, pad, out):
    """Sum the channels of x (2, channel, padded) with short complex filters into out (2, beam, sample)."""
    n_beam, n_channel, n_tap = weight.shape
    n = out.shape[2]
    for b in range(n_beam):
        yr = out[0, b]
        yi = out[1, b]
        for s in range(n):
            yr[s] = 0
            yi[s] = 0
        for m in range(n_channel):
            for p in range(n_tap):
                w = weight[b, m, p]
                wr = w.real
                wi = w.imag
                if wr == 0 and wi == 0:
                    continue
                start = pad + offset[b, m] + p
                xr = x[0, m, start : start + n]
                xi = x[1, m, start : start + n]
                for s in range(n):
                    yr[s] += wr * xr[s] - wi * xi[s]
                    yi[s] += wr * xi[s] + wi * xr[s]


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def double(x, taps, out):
    """Interleave x (2, beam, sample) with values half way between its samples into out (2, beam, 2 sample)."""
    n_part, n_beam, n = x.shape
    n_tap = taps.size
    left = n_tap // 2 - 1
    for c in range(n_part):
        for b in range(n_beam):
            row = x[c, b]
            wide = out[c, b]
            for s in range(n):
                wide[2 * s] = row[s]
                wide[2 * s + 1] = 0
            for s in range(left, n - n_tap + left + 1):
                total = np.float32(0)
                for p in range(n_tap):
                    total += taps[p] * row[s - left + p]
                wide[2 * s + 1] = total
