"""What is asked of an echo before it is taken in."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["is_finite"]


@numba.njit(nogil=True, cache=True, fastmath={"reassoc", "nsz"})
def is_finite(samples):
    """Whether all of a flat float32 array are numbers below infinity: times zero, only these come to zero."""
    total = np.float32(0)
    for i in range(samples.size):
        total += samples[i] * np.float32(0)
    return total == 0
