"""Sixteen single-precision numbers as one value, for loops that do the same to sixteen receivers.

Numba leaves LLVM's straight-line vectoriser off, and its loop vectoriser gives up on the butterflies of a Fourier
transform, whose many rows might overlap for all it knows. Said as vectors they run at a third of the processor's
multiply-add peak, four times as fast as the same in scalars. LLVM splits the vectors where a processor has only shorter
ones. With compilation off the same names work on slices of NumPy arrays; a test holds both forms together.
"""

from __future__ import annotations

import operator

import numpy as np
from numba import config, njit, types
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic, models, overload, register_model

__all__ = ["LANES", "load", "spread", "store", "transpose"]

LANES = 16

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_FAST = ("contract", "nsz")  # no reassociation: the order of sums is the written one


class _Lanes(types.Type):
    def __init__(self) -> None:
        super().__init__(name="sixteen_float32")


_lanes = _Lanes()


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager, kind) -> None:
        super().__init__(manager, kind, _VECTOR)


def _row(context, builder, kind, array, index):
    start = builder.gep(context.make_array(kind)(context, builder, array).data, [index])
    return builder.bitcast(start, _VECTOR.as_pointer())


def _order(numbers):
    return ir.Constant(ir.VectorType(_INDEX, len(numbers)), list(numbers))


@intrinsic
def _load(_, array, index):
    def generate(context, builder, signature, arguments):
        return builder.load(_row(context, builder, signature.args[0], *arguments), align=4)

    return _lanes(array, types.intp), generate


@intrinsic
def _store(_, array, index, value):
    def generate(context, builder, signature, arguments):
        place = _row(context, builder, signature.args[0], *arguments[:2])
        builder.store(arguments[2], place, align=4)
        return context.get_dummy_value()

    return types.void(array, types.intp, value), generate


@intrinsic
def _spread(_, value):
    def generate(context, builder, signature, arguments):
        empty = ir.Constant(_VECTOR, ir.Undefined)
        first = builder.insert_element(empty, arguments[0], _INDEX(0))
        return builder.shuffle_vector(first, empty, _order([0] * LANES))

    return _lanes(types.float32), generate


def _binary(name):
    @intrinsic
    def combine(_, a, b):
        def generate(context, builder, signature, arguments):
            return getattr(builder, name)(*arguments, flags=_FAST)

        return _lanes(a, b), generate

    return combine


def _let(symbol, combine) -> None:
    @overload(symbol)
    def choose(a, b):
        if a is _lanes and b is _lanes:
            return lambda a, b: combine(a, b)
        return None


for _symbol, _name in ((operator.add, "fadd"), (operator.sub, "fsub"), (operator.mul, "fmul")):
    _let(_symbol, _binary(_name))


@intrinsic
def _transpose(_, source, first, stride, target, to, to_stride):
    def generate(context, builder, signature, arguments):
        source, first, stride, target, to, to_stride = arguments
        kinds = signature.args
        rows = []
        for k in range(LANES):
            place = builder.add(first, builder.mul(stride, stride.type(k)))
            rows.append(builder.load(_row(context, builder, kinds[0], source, place), align=4))
        # Blocks of 8, 4, 2 and 1 change places: four shuffles of pairs for each row.
        for d in (8, 4, 2, 1):
            low = _order([k if not k & d else LANES + k - d for k in range(LANES)])
            high = _order([k + d if not k & d else LANES + k for k in range(LANES)])
            rows = [
                builder.shuffle_vector(rows[i & ~d], rows[i | d], high if i & d else low)
                for i in range(LANES)
            ]
        for k, row in enumerate(rows):
            place = builder.add(to, builder.mul(to_stride, to_stride.type(k)))
            builder.store(row, _row(context, builder, kinds[3], target, place), align=4)
        return context.get_dummy_value()

    place = types.intp
    return types.void(source, place, place, target, place, place), generate


if config.DISABLE_JIT:

    def load(array, index):
        """Take sixteen numbers from a flat float32 array."""
        return array[index : index + LANES].copy()

    def store(array, index, value) -> None:
        """Put sixteen numbers into a flat float32 array."""
        array[index : index + LANES] = value

    def spread(value):
        """Put one number into all sixteen places."""
        return np.full(LANES, value, np.float32)

    def transpose(source, first, stride, target, to, to_stride) -> None:
        """Copy sixteen rows of sixteen numbers as columns, between flat float32 arrays."""
        k = np.arange(LANES)
        block = source[first + stride * k[:, None] + k]
        target[to + to_stride * k[:, None] + k] = block.T

else:

    @njit(inline="always")
    def load(array, index):
        """Take sixteen numbers from a flat float32 array."""
        return _load(array, index)

    @njit(inline="always")
    def store(array, index, value):
        """Put sixteen numbers into a flat float32 array."""
        _store(array, index, value)

    @njit(inline="always")
    def spread(value):
        """Put one number into all sixteen places."""
        return _spread(value)

    @njit(inline="always")
    def transpose(source, first, stride, target, to, to_stride):
        """Copy sixteen rows of sixteen numbers as columns, between flat float32 arrays."""
        _transpose(source, first, stride, target, to, to_stride)
