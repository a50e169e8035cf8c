"""The loop that compares two looks at many small shifts. Arrays and numbers only."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["shifted_products"]

f32 = np.float32


@numba.njit(nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})
def shifted_products(a, b, first, last, edge_rows, edge_columns, out):
    """Sum a[c, r] * b[c + j, r + i] over columns first..last into out (2 edge_columns + 1, 2 edge_rows + 1).

    Both have ``edge_rows`` empty rows at either end; columns up to ``edge_columns`` beyond first and last exist.
    """
    n_row = a.shape[1]
    out[:] = 0.0
    for j in range(-edge_columns, edge_columns + 1):
        for i in range(-edge_rows, edge_rows + 1):
            total = 0.0
            for c in range(first, last):
                row = f32(0)
                one, two = a[c], b[c + j]
                for r in range(edge_rows, n_row - edge_rows):
                    row += one[r] * two[r + i]
                total += row
            out[j + edge_columns, i + edge_rows] = total
