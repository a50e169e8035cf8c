"""Loops over a look's pixels. Arrays and numbers only."""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["even_look"]


@numba.njit(nogil=True, cache=True)
def even_look(total, weight, half_across, half_along, strongest, box, count, amplitude, seen):
    """Square root of intensity over its local mean, less one.

    total, weight (row, column) are a look's sums; box, count (row, column) scratch; amplitude, seen (column, row) the
    result. The mean reaches ``half_across`` columns and ``half_along`` rows either way, as far as the look does.
    """
    n_row, n_column = total.shape
    for r in range(n_row):
        for c in range(n_column):
            w = weight[r, c]
            if w > 0:
                total[r, c] = math.sqrt(max(total[r, c], np.float32(0)) / w)
                weight[r, c] = 1
            else:
                total[r, c] = 0
                weight[r, c] = 0
    for r in range(n_row):
        for c in range(n_column):
            box[r, c] = 0
            count[r, c] = 0
        for k in range(max(r - half_along, 0), min(r + half_along + 1, n_row)):
            for c in range(n_column):
                box[r, c] += total[k, c]
                count[r, c] += weight[k, c]
    for r in range(n_row):
        value = 0.0
        n = 0.0
        for c in range(min(half_across, n_column)):
            value += box[r, c]
            n += count[r, c]
        for c in range(n_column):
            if c + half_across < n_column:
                value += box[r, c + half_across]
                n += count[r, c + half_across]
            if c > half_across:
                value -= box[r, c - half_across - 1]
                n -= count[r, c - half_across - 1]
            here = weight[r, c] > 0
            seen[c, r] = here
            amplitude[c, r] = 0
            if here and value > 0:
                even = total[r, c] * n / value
                if even < strongest:
                    amplitude[c, r] = even - 1
