"""Loops that turn the sums of finished rows into what a tile says of them, one row after the other.

Rows are taken out of their panels eight at a time, so that each panel is read as a stream, and mirrored on the way where
across is to ascend to port. What follows are loops of one written array each, which the compiler vectorises; divisions,
roots and comparisons are those of IEEE arithmetic in the precision named, so that the numbers don't depend on how.
"""

from __future__ import annotations

import math

import numba
import numpy as np

from ._lanes import LANES, load, spread, store
from ._sums import COUNT, N_SUM, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from .records import Quality

__all__ = ["BLOCK_ROWS", "finish_rows"]

BLOCK_ROWS = 8
_LEAST_LOOKS = np.float32(1.1)
"""Fewer tell nothing of their spread."""
_LEAST_SQUARE = np.float32(1e-33)
"""Mean square intensity below which single precision has lost it."""

_NAN, _NOTHING, _HALF, _ONE = np.float32(np.nan), np.float32(0), np.float32(0.5), np.float32(1)
_NOT_SEEN, _FEW_LOOKS = np.uint8(Quality.NOT_SEEN), np.uint8(Quality.FEW_LOOKS)
_GAP_FILLED, _BELOW_NOISE = np.uint8(Quality.GAP_FILLED), np.uint8(Quality.BELOW_NOISE)
_NOISE_UNKNOWN, _GOOD = np.uint8(Quality.NOISE_UNKNOWN), np.uint8(0)


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _take_out(sums, at, out, to, stride):
    """Move the sums of a row of a panel, flat from ``at``, to places ``stride`` apart, and leave zeros."""
    nothing = spread(_NOTHING)
    for k in range(N_SUM):
        store(out, to + k * stride, load(sums, at + k * LANES))
        store(sums, at + k * LANES, nothing)


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _turn(row, mirrored, out):
    n = out.size
    if mirrored:
        for c in range(n):
            out[c] = row[n - 1 - c]
    else:
        for c in range(n):
            out[c] = row[c]


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _share(part, weight, out):
    """Fill a weighted sum's mean; NaN where nothing was seen."""
    for c in range(out.size):
        w = weight[c]
        mean = part[c] / (w if w > 0 else _ONE)
        out[c] = mean if w > 0 else _NAN


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _count_looks(weight, weight_square, out):
    for c in range(out.size):
        w = weight[c]
        looks = w * w / (weight_square[c] if w > 0 else _ONE)
        out[c] = looks if w > 0 else _NOTHING


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _find_spread(mean, square, weight, looks, count, out):
    """Standard deviation of the looks over their mean, noise included; NaN of fewer than two or hardly more than one.

    The looks' variance about their own mean falls short of their variance by 1/N, N the effective number of looks, also
    where they are correlated and weighted: E[sum w I^2 / sum w - m^2] = sigma^2 (1 - 1/N). That is made good.
    """
    for c in range(out.size):
        w, n, m = weight[c], looks[c], np.float64(mean[c])
        mean_square = square[c] / (w if w > 0 else _ONE)
        ratio = (np.float64(mean_square) / (m * m) - 1.0) * np.float64(n) / np.float64(n - _ONE)
        spread = math.sqrt(0.0 if ratio < 0 else ratio)
        told = (count[c] >= 2) & (n > _LEAST_LOOKS) & (mean_square > _LEAST_SQUARE) & (mean_square < np.inf)
        out[c] = np.float32(spread) if told else _NAN


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _judge(weight, looks, most, noise_known, intensity, floor, out):
    """Turn what says where a gap was filled into the quality's bits."""
    for c in range(out.size):
        flags = _FEW_LOOKS if looks[c] < _HALF * most[c] else _GOOD
        flags |= _GAP_FILLED if out[c] > 0 else _GOOD
        if noise_known:
            # One standard deviation of the noise's mean: below it an echo can't be told from none.
            n = looks[c] if looks[c] > _ONE else _ONE
            flags |= _BELOW_NOISE if intensity[c] < floor[c] / np.sqrt(n) else _GOOD
        else:
            flags |= _NOISE_UNKNOWN
        out[c] = flags if weight[c] > 0 else _NOT_SEEN


@numba.njit(nogil=True, cache=True, error_model="numpy")
def finish_rows(
    sums,
    filled,
    primed,
    first_row,
    usual,
    mirrored,
    noise_known,
    taken,
    taken_filled,
    flags,
    row,
    intensity,
    looks,
    coverage,
    floor,
    quality,
    spread_of,
    kept,
):
    """Fill the layers of a tile, (row, column) each, and free the rows' places in the ring.

    Parameters
    ----------
    sums : (panel * ring row * sum * 16,) float32
        As :class:`Accumulator` has them. Row r lies at r modulo the ring.
    filled : (panel, ring row, 2) uint64
        Eight columns' flags in each number.
    primed : (panel, ring row, 16) float32
        Empty where there is none.
    usual : (column,)
        Most looks seen so far at each distance; raised row by row.
    mirrored : bool
        Columns run towards the track: to port.
    taken : (8 * sum * panel * 16,) float32
        Working memory, as are the next three.
    taken_filled : (8, panel * 2) uint64
    flags : (8, panel * 16) uint8
        The same memory as ``taken_filled``.
    row : (sum + 1, column) float32
    kept : (5, row, column) float32
        Filled with the sums but the count, in their order; or empty.
    """
    n_row, n_column = intensity.shape
    n_panel, n_ring = filled.shape[:2]
    wide = n_panel * LANES
    weight, count, most = row[WEIGHT], row[COUNT], row[N_SUM]
    _turn(usual, mirrored, most)
    for first in range(0, n_row, BLOCK_ROWS):
        n = min(BLOCK_ROWS, n_row - first)
        for panel in range(n_panel):
            for k in range(n):
                slot = (first_row + first + k) % n_ring
                at = (panel * n_ring + slot) * N_SUM * LANES
                if primed.size:
                    for lane in range(LANES):
                        sums[at + COUNT * LANES + lane] -= primed[panel, slot, lane]
                        primed[panel, slot, lane] = 0
                _take_out(sums, at, taken, k * N_SUM * wide + panel * LANES, wide)
                for half in range(2):
                    taken_filled[k, 2 * panel + half] = filled[panel, slot, half]
                    filled[panel, slot, half] = 0
        for k in range(n):
            i = first + k
            for s in range(N_SUM):
                begin = (k * N_SUM + s) * wide
                _turn(taken[begin : begin + n_column], mirrored, row[s])
            _turn(flags[k, :n_column], mirrored, quality[i])
            _count_looks(weight, row[WEIGHT_SQUARE], looks[i])
            _share(row[TOTAL], weight, intensity[i])
            _find_spread(intensity[i], row[SQUARE], weight, looks[i], count, spread_of[i])
            if noise_known:
                _share(row[NOISE_SUM], weight, floor[i])
                for c in range(n_column):
                    intensity[i, c] -= floor[i, c]
            else:
                for c in range(n_column):
                    floor[i, c] = _NAN
            for c in range(n_column):
                most[c] = looks[i, c] if looks[i, c] > most[c] else most[c]
            _judge(weight, looks[i], most, noise_known, intensity[i], floor[i], quality[i])
            for c in range(n_column):
                coverage[i, c] = np.uint16(count[c])
            if kept.size:
                for s in range(N_SUM):
                    if s != COUNT:
                        _turn(row[s], False, kept[s - (s > COUNT), i])
    _turn(most, mirrored, usual)
