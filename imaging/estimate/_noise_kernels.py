"""Loops of the noise: the exact median of many powers by counting, which vectorises, instead of by sorting."""

from __future__ import annotations

import math

import numba
import numpy as np

__all__ = ["find_median", "quiet_median"]

_FAST = {"reassoc", "nnan", "nsz", "contract"}  # of a sum that only steers where to look
_FEW = 6
"""So many values are taken out and sorted."""
_BLOCK = 256


@numba.njit(nogil=True, cache=True, fastmath=_FAST)
def _find_mean(x):
    total = np.float32(0)
    for i in range(x.size):
        total += x[i]
    return total / x.size


@numba.njit(nogil=True, cache=True)
def _count(x, bound):
    n = 0
    for i in range(x.size):
        n += np.int32(x[i] <= bound)
    return n


@numba.njit(nogil=True, cache=True)
def _around(x, bound):
    """The largest of the values up to a bound, and the smallest above it."""
    below, above = np.float32(-1), np.float32(np.inf)
    for i in range(x.size):
        if x[i] <= bound:
            below = max(below, x[i])
        else:
            above = min(above, x[i])
    return below, above


@numba.njit(nogil=True, cache=True)
def _take_few(x, low, high, out):
    """Fill the values above ``low`` up to ``high``, which are as many as ``out`` holds, in order."""
    n = 0
    for begin in range(0, x.size, _BLOCK):
        block = x[begin : begin + _BLOCK]
        within = 0
        for i in range(block.size):
            within += np.int32((block[i] > low) & (block[i] <= high))
        if within == 0:
            continue
        for i in range(block.size):
            value = block[i]
            if low < value <= high:
                at = n
                while at > 0 and out[at - 1] > value:
                    out[at] = out[at - 1]
                    at -= 1
                out[at] = value
                n += 1


@numba.njit(nogil=True, cache=True, error_model="numpy")
def find_median(x):
    """Median of x (n,) float32, finite and not negative, n at least 1.

    Values are counted below bounds that close in on the middle one; the first is where an exponential law has its median,
    the next where its density says. Whatever the law, halving the interval ends it: as a ratio while it is wide.
    """
    n = x.size
    rank, upper = (n - 1) // 2, n // 2
    mean = np.float64(_find_mean(x))
    low, below = np.float32(-1), 0
    high, within = np.float32(np.inf), n
    per_value = 2 * mean / n  # of an exponential law at its median
    bound = np.float32(0.6931472 * mean)
    step = 0
    while within - below > _FEW:
        if step > 4 or not low < bound < high:
            most = min(np.float64(high), 3.4028234e38)
            if low <= 0:
                bound = np.float32(most * 1e-6 if most > 1e-38 else 0.5 * most)
            elif most > 4 * np.float64(low):
                bound = np.float32(math.sqrt(low * most))
            else:
                bound = np.float32(0.5 * (low + most))
            if not low < bound < high:
                return np.float64(high)  # nothing lies between the two: all values there are one
        count = _count(x, bound)
        if count > upper:
            high, within = bound, count
        elif count <= rank:
            low, below = bound, count
        else:
            one, other = _around(x, bound)
            return 0.5 * (np.float64(one) + np.float64(other))
        # A little beyond the place looked for, so that it comes to lie between the two bounds.
        beyond = 1.2 * (rank + 0.5 - count)
        beyond += 3 if beyond > 0 else -3
        bound = np.float32(bound + per_value * beyond)
        step += 1
    few = np.empty(_FEW + 1, np.float32)
    _take_few(x, low, high, few)
    return 0.5 * (np.float64(few[rank - below]) + np.float64(few[upper - below]))


@numba.njit(nogil=True, cache=True, error_model="numpy")
def _fill(parts, wanted, first, past, out):
    """Lay powers of samples from ``first`` of the wanted rows side by side; return how many."""
    n = past - first
    at = 0
    for m in range(parts.shape[1]):
        if not wanted[m]:
            continue
        real, imag, row = parts[0, m, first:past], parts[1, m, first:past], out[at : at + n]
        for s in range(n):
            row[s] = real[s] * real[s] + imag[s] * imag[s]
        at += n
    return at


@numba.njit(nogil=True, cache=True, error_model="numpy")
def quiet_median(parts, wanted, first, past, least, louder, work):
    """Median of the power of samples ``first`` to ``past``, once the transmission has died away.

    Parameters
    ----------
    parts : (2, row, sample) float32
        Real and imaginary parts.
    wanted : (row,)
    least : int
        Samples that half of a window must have to be judged.
    louder : float
        While the first half's median is as many times the second half's, only the second half is taken on.
    work : (n,) float32
        Room for a power of each row and sample.
    """
    while True:
        half = (past - first) // 2
        n = _fill(parts, wanted, first, first + half, work)
        end = n + _fill(parts, wanted, first + half, past, work[n:])
        if half < least or find_median(work[:n]) < louder * find_median(work[n:end]):
            return find_median(work[:end])
        first += half
