"""Sixteen numbers that begin somewhere in the middle of one vector and end in the next, taken in registers.

A vector of 64 bytes that is loaded across two cache lines costs as much as two loads and more; filters of a row read
five or nine such vectors around each place, all of which lie in three that begin on lines. With compilation off the same
names work on NumPy arrays; a test holds both forms together.
"""

from __future__ import annotations

import numpy as np
from numba import config
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic

from ._lanes import LANES

__all__ = ["back_four", "back_one", "back_three", "back_two", "on_four", "on_one", "on_three", "on_two"]


def _slide(begin: int):
    """Numbers ``begin`` to ``begin + 15`` of a followed by b."""
    if config.DISABLE_JIT:
        return lambda a, b: np.concatenate([a[begin:], b[:begin]])

    @intrinsic
    def slide(_, a, b):
        def generate(context, builder, signature, arguments):
            order = ir.Constant(ir.VectorType(ir.IntType(32), LANES), list(range(begin, begin + LANES)))
            return builder.shuffle_vector(*arguments, order)

        return a(a, b), generate

    return slide


# From the middle one of three vectors: a is it and b the next, or a is the one before and b is it.
on_one, on_two, on_three, on_four = (_slide(k) for k in (1, 2, 3, 4))
back_one, back_two, back_three, back_four = (_slide(LANES - k) for k in (1, 2, 3, 4))
