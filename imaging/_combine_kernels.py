"""Loop of the row alignment. Arrays and numbers only; the stage has checked everything."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["align_rows"]


@numba.njit(nogil=True, cache=True)
def align_rows(x, index, row, phase, taps, weight, out):
    """Sum x (row, channel, sample), each row moved by its tabled delay and phase, into out (channel, sample)."""
    n_row, n_channel, n = x.shape
    n_tap = taps.shape[1]
    for m in range(n_channel):
        for s in range(n):
            out[m, s] = 0
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
                    total += taps[k, p] * x[r, m, i + p]
                out[m, s] += w * (phase[r, s] * total)
