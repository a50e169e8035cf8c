"""What is asked of an echo before it is imaged."""

from __future__ import annotations

import numba
import numpy as np

__all__ = ["is_finite"]


@numba.njit(nogil=True, cache=True)
def is_finite(planes):
    """Whether compressed echoes, (2, row, channel, sample), came of numbers below infinity alone.

    Each compressed sample is a sum over all bins of its receiver and each bin a sum over all samples, and what is no
    number or infinite stays so in sums and products: the first sample tells of a whole receiver.
    """
    total = np.float32(0)
    for part in range(2):
        for row in range(planes.shape[1]):
            for channel in range(planes.shape[2]):
                total += planes[part, row, channel, 0] * np.float32(0)
    return total == 0
