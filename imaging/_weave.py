"""Write vectors of sixteen numbers so that theirs stand in turn: real and imaginary parts, samples and those half way.

With compilation off the same names work on slices of NumPy arrays; a test holds both forms together.
"""

from __future__ import annotations

from numba import config, njit, types
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic

from ._lanes import LANES

__all__ = ["weave_four", "weave_two"]

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)


def _order(numbers):
    return ir.Constant(ir.VectorType(_INDEX, LANES), list(numbers))


def _in_turn(builder, a, b, width):
    """Groups of ``width`` numbers of a and of b in turn: the first half and the second half of all."""
    low = [
        number
        for k in range(0, LANES // 2, width)
        for first in (k, LANES + k)
        for number in range(first, first + width)
    ]
    high = [number + LANES // 2 for number in low]
    return builder.shuffle_vector(a, b, _order(low)), builder.shuffle_vector(a, b, _order(high))


def _put(context, builder, kind, array, index, vectors) -> None:
    start = context.make_array(kind)(context, builder, array).data
    for k, vector in enumerate(vectors):
        place = builder.gep(start, [builder.add(index, index.type(k * LANES))])
        builder.store(vector, builder.bitcast(place, _VECTOR.as_pointer()), align=4)


@intrinsic
def _weave_two(_, array, index, a, b):
    def generate(context, builder, signature, arguments):
        array, index, a, b = arguments
        _put(context, builder, signature.args[0], array, index, _in_turn(builder, a, b, 1))
        return context.get_dummy_value()

    return types.void(array, types.intp, a, b), generate


@intrinsic
def _weave_four(_, array, index, a, b, c, d):
    def generate(context, builder, signature, arguments):
        array, index, a, b, c, d = arguments
        one, other = _in_turn(builder, a, b, 1), _in_turn(builder, c, d, 1)
        vectors = [v for pair in zip(one, other, strict=True) for v in _in_turn(builder, *pair, 2)]
        _put(context, builder, signature.args[0], array, index, vectors)
        return context.get_dummy_value()

    return types.void(array, types.intp, a, b, c, d), generate


if config.DISABLE_JIT:

    def weave_two(array, index, a, b) -> None:
        """Write a[0], b[0], a[1], b[1], ... into a flat float32 array."""
        for k, vector in enumerate((a, b)):
            array[index + k : index + 2 * LANES : 2] = vector

    def weave_four(array, index, a, b, c, d) -> None:
        """Write a[0], b[0], c[0], d[0], a[1], ... into a flat float32 array."""
        for k, vector in enumerate((a, b, c, d)):
            array[index + k : index + 4 * LANES : 4] = vector

else:

    @njit(inline="always")
    def weave_two(array, index, a, b):
        """Write a[0], b[0], a[1], b[1], ... into a flat float32 array."""
        _weave_two(array, index, a, b)

    @njit(inline="always")
    def weave_four(array, index, a, b, c, d):
        """Write a[0], b[0], c[0], d[0], a[1], ... into a flat float32 array."""
        _weave_four(array, index, a, b, c, d)
