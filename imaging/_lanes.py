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
from numba.core.cgutils import (
    get_or_insert_function,
    ir,  # the LLVM builder that numba itself uses
)
from numba.extending import intrinsic, models, overload, register_model

__all__ = [
    "LANES",
    "downward",
    "highest",
    "lanes",
    "least",
    "load",
    "load_pairs",
    "lowest",
    "most",
    "root",
    "same",
    "spread",
    "store",
    "store_whole",
    "total",
    "transpose",
    "upward",
    "whole",
]

LANES = 16

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_FAST = ("contract", "nsz")  # no reassociation: the order of sums is the written one


class _Lanes(types.Type):
    def __init__(self) -> None:
        super().__init__(name="sixteen_float32")


lanes = _Lanes()
"""Numba's type of it."""


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

    return lanes(array, types.intp), generate


@intrinsic
def _store(_, array, index, value):
    def generate(context, builder, signature, arguments):
        place = _row(context, builder, signature.args[0], *arguments[:2])
        builder.store(arguments[2], place, align=4)
        return context.get_dummy_value()

    return types.void(array, types.intp, value), generate


def _everywhere(builder, value):
    empty = ir.Constant(ir.VectorType(value.type, LANES), ir.Undefined)
    first = builder.insert_element(empty, value, _INDEX(0))
    return builder.shuffle_vector(first, empty, _order([0] * LANES))


@intrinsic
def _spread(_, value):
    def generate(context, builder, signature, arguments):
        return _everywhere(builder, arguments[0])

    return lanes(types.float32), generate


def _binary(name):
    @intrinsic
    def combine(_, a, b):
        def generate(context, builder, signature, arguments):
            return getattr(builder, name)(*arguments, flags=_FAST)

        return lanes(a, b), generate

    return combine


def _let(symbol, combine) -> None:
    @overload(symbol)
    def choose(a, b):
        if a is lanes and b is lanes:
            return lambda a, b: combine(a, b)
        return None


for _symbol, _name in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _let(_symbol, _binary(_name))


def _library(name):
    """One of LLVM's own functions of a vector."""

    @intrinsic
    def call(_, a):
        def generate(context, builder, signature, arguments):
            kind = ir.FunctionType(_VECTOR, [_VECTOR])
            function = get_or_insert_function(builder.module, kind, f"llvm.{name}.v{LANES}f32")
            return builder.call(function, arguments)

        return lanes(a), generate

    return call


_root, _whole = _library("sqrt"), _library("trunc")
_upward, _downward = _library("ceil"), _library("floor")


def _chosen(order):
    @intrinsic
    def choose(_, a, b):
        def generate(context, builder, signature, arguments):
            return builder.select(builder.fcmp_ordered(order, *arguments), *arguments)

        return lanes(a, b), generate

    return choose


_least, _most = _chosen("<"), _chosen(">")


def _folded(name):
    """One number from all sixteen."""

    @intrinsic
    def fold(_, a):
        def generate(context, builder, signature, arguments):
            start = [ir.Constant(ir.FloatType(), 0.0)] if name == "fadd" else []
            kind = ir.FunctionType(ir.FloatType(), [*(x.type for x in start), _VECTOR])
            function = get_or_insert_function(builder.module, kind, f"llvm.vector.reduce.{name}.v{LANES}f32")
            return builder.call(function, [*start, *arguments], fastmath=("reassoc", "nnan", "nsz"))

        return types.float32(lanes), generate

    return fold


_lowest, _highest, _total = _folded("fmin"), _folded("fmax"), _folded("fadd")


@intrinsic
def _same(_, a, b):
    def generate(context, builder, signature, arguments):
        equal = builder.fcmp_ordered("==", *arguments)
        one, nothing = (ir.Constant(_VECTOR, [ir.Constant(ir.FloatType(), x)] * LANES) for x in (1.0, 0.0))
        return builder.select(equal, one, nothing)

    return lanes(a, b), generate


@intrinsic
def _store_whole(_, array, index, value, more, factor):
    def generate(context, builder, signature, arguments):
        array, index, value, more, factor = arguments
        kind = ir.VectorType(_INDEX, LANES)
        number = builder.add(
            builder.fptosi(value, kind),
            builder.mul(builder.fptosi(more, kind), _everywhere(builder, builder.trunc(factor, _INDEX))),
        )
        start = builder.gep(context.make_array(signature.args[0])(context, builder, array).data, [index])
        builder.store(number, builder.bitcast(start, kind.as_pointer()), align=4)
        return context.get_dummy_value()

    return types.void(array, types.intp, value, more, types.intp), generate


@intrinsic
def _load_pairs(_, array, index):
    def generate(context, builder, signature, arguments):
        array, index = arguments
        kind = signature.args[0]
        rows = [
            builder.load(_row(context, builder, kind, array, builder.add(index, index.type(k))), align=4)
            for k in (0, LANES)
        ]
        parts = [builder.shuffle_vector(*rows, _order(range(first, 2 * LANES, 2))) for first in (0, 1)]
        return context.make_tuple(builder, signature.return_type, parts)

    return types.UniTuple(lanes, 2)(array, types.intp), generate


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

    def root(x):
        """Square roots."""
        return np.sqrt(x)

    def whole(x):
        """Whole parts, towards zero."""
        return np.trunc(x)

    def least(a, b):
        """The lesser of each two; ``b`` where one is no number."""
        return np.where(a < b, a, b)

    def most(a, b):
        """The greater of each two; ``b`` where one is no number."""
        return np.where(a > b, a, b)

    def same(a, b):
        """1 where both are equal, else 0."""
        return (a == b).astype(np.float32)

    def upward(x):
        """The next whole numbers upward."""
        return np.ceil(x)

    def downward(x):
        """The next whole numbers downward."""
        return np.floor(x)

    def lowest(x):
        """The lowest of the sixteen."""
        return x.min()

    def highest(x):
        """The highest of the sixteen."""
        return x.max()

    def total(x):
        """The sum of the sixteen."""
        return x.sum()

    def store_whole(array, index, value, more, factor) -> None:
        """Put the whole parts of ``value``, plus ``factor`` times those of ``more``, into a flat int32 array."""
        array[index : index + LANES] = np.trunc(value) + np.trunc(more).astype(np.int32) * factor

    def load_pairs(array, index):
        """Take the even and the odd ones of 32 numbers from a flat float32 array."""
        pairs = array[index : index + 2 * LANES].copy()
        return pairs[0::2], pairs[1::2]

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

    @njit(inline="always")
    def root(x):
        """Square roots."""
        return _root(x)

    @njit(inline="always")
    def whole(x):
        """Whole parts, towards zero."""
        return _whole(x)

    @njit(inline="always")
    def least(a, b):
        """The lesser of each two; ``b`` where one is no number."""
        return _least(a, b)

    @njit(inline="always")
    def most(a, b):
        """The greater of each two; ``b`` where one is no number."""
        return _most(a, b)

    @njit(inline="always")
    def same(a, b):
        """1 where both are equal, else 0."""
        return _same(a, b)

    @njit(inline="always")
    def upward(x):
        """The next whole numbers upward."""
        return _upward(x)

    @njit(inline="always")
    def downward(x):
        """The next whole numbers downward."""
        return _downward(x)

    @njit(inline="always")
    def lowest(x):
        """The lowest of the sixteen."""
        return _lowest(x)

    @njit(inline="always")
    def highest(x):
        """The highest of the sixteen."""
        return _highest(x)

    @njit(inline="always")
    def total(x):
        """The sum of the sixteen."""
        return _total(x)

    @njit(inline="always")
    def store_whole(array, index, value, more, factor):
        """Put the whole parts of ``value``, plus ``factor`` times those of ``more``, into a flat int32 array."""
        _store_whole(array, index, value, more, factor)

    @njit(inline="always")
    def load_pairs(array, index):
        """Take the even and the odd ones of 32 numbers from a flat float32 array."""
        return _load_pairs(array, index)
