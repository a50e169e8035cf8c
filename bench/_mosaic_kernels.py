"""Averaging a strip over the cells of another grid: counts and sums only, no files and no checks."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["N_BIT", "average_cells", "subdivisions"]

N_BIT = 5
"""Quality bits that a strip may carry."""


def subdivisions(cell_m: float, pixel_m: tuple[float, float]) -> int:
    """Parts of a cell's side: at least 3, and 3 to a pixel's shorter side, so that pixels weigh nearly by their area.

    With fewer the pixels' weights would differ by chance and cost looks: at 1.5 to a pixel a tenth, at 3 under 2 %.
    """
    return int(max(3, math.ceil(3 * cell_m / min(pixel_m) - 1e-6)))


@njit(nogil=True, cache=True)
def average_cells(
    intensity, looks, noise, coverage, quality, to_row, to_column, n_sub, share, n_noise, total, flags
):
    """Average a window of a strip over cells that lie anyhow in it.

    Each cell is divided into ``n_sub`` by ``n_sub`` equal parts; each part takes the pixel that its middle lies in.

    Parameters
    ----------
    intensity, looks, noise : float32, shape (row, column)
        Linear; NaN where not seen; noise NaN where unknown.
    coverage, quality : uint16, uint8, same shape
    to_row, to_column : float64, shape (3,)
        Pixel coordinate (0 at the window's outer edge) of cell coordinates (row, column): a0 + a1 row + a2 column.
    n_sub : int
    share : float64, shape (cell row, cell column)
        Out: part of the cell that was seen, 0 to 1.
    n_noise : float64, same shape
        Out: part of the cell whose noise is known.
    total : float64, shape (4, cell row, cell column)
        Out: means over the parts seen of intensity, looks, noise, coverage.
    flags : uint8, shape (cell row, cell column)
        Out: bits that more than half of the parts seen carry.
    """
    n_row, n_column = intensity.shape
    bit_count = np.zeros(N_BIT, np.int64)
    for i in range(share.shape[0]):
        for j in range(share.shape[1]):
            seen = 0
            known = 0
            bit_count[:] = 0
            i_sum = l_sum = n_sum = c_sum = 0.0
            for p in range(n_sub):
                y = i + (p + 0.5) / n_sub
                for q in range(n_sub):
                    x = j + (q + 0.5) / n_sub
                    r = math.floor(to_row[0] + to_row[1] * y + to_row[2] * x)
                    c = math.floor(to_column[0] + to_column[1] * y + to_column[2] * x)
                    if r < 0 or c < 0 or r >= n_row or c >= n_column:
                        continue
                    value = intensity[r, c]
                    if math.isnan(value):
                        continue
                    seen += 1
                    i_sum += value
                    l_sum += looks[r, c]
                    c_sum += coverage[r, c]
                    floor = noise[r, c]
                    if not math.isnan(floor):
                        known += 1
                        n_sum += floor
                    bits = quality[r, c]
                    for b in range(N_BIT):
                        bit_count[b] += (bits >> b) & 1
            share[i, j] = seen / (n_sub * n_sub)
            n_noise[i, j] = known / (n_sub * n_sub)
            word = 0
            if seen > 0:
                total[0, i, j] = i_sum / seen
                total[1, i, j] = l_sum / seen
                total[3, i, j] = c_sum / seen
                for b in range(N_BIT):
                    if 2 * bit_count[b] > seen:
                        word |= 1 << b
            if known > 0:
                total[2, i, j] = n_sum / known
            flags[i, j] = word
