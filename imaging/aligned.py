"""Arrays that begin on a cache line, so that vectors of sixteen numbers lie in one line each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["aligned_zeros"]

_LINE_BYTES = 64


def aligned_zeros(*shape: int) -> NDArray[np.float32]:
    """Zeros of float32 whose first lies at a multiple of 64 bytes."""
    size = 4 * int(np.prod(shape))
    raw = np.zeros(size + _LINE_BYTES, np.uint8)
    begin = -raw.ctypes.data % _LINE_BYTES
    return raw[begin : begin + size].view(np.float32).reshape(shape)
