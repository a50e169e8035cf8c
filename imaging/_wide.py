"""Read a complex field between its samples, one place or sixteen at a time, with four or eight taps along delay.

Numba leaves LLVM's straight-line vectoriser off and unrolls short loops before its loop vectoriser sees them, so that
taps written plainly stay scalar (13 ns a pixel for four by four, against 1.6). Said as vectors, four rows of samples are
weighed and added as they lie, real and imaginary parts in turn; sixteen such sums are then folded together, two shuffles
a place instead of three and a half, and the powers come out as one vector. LLVM splits the vectors where a processor has
only shorter ones. The plain forms below say the same and serve when compilation is off; a test holds both together.
"""

from __future__ import annotations

import numpy as np
from numba import config, types
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic

from ._lanes import LANES, lanes

__all__ = ["EIGHT", "FOUR", "read_eight", "read_four", "sixteen_of_eight", "sixteen_of_four"]

FOUR, EIGHT = 4, 8
"""Taps along delay; a row of them holds each twice, for real and imaginary part."""

_INDEX = ir.IntType(32)
_FAST = ("contract", "reassoc", "nsz")

# Which places follow each other in the four leaves of each branch, so that the last shuffle leaves them in order.
_BRANCHES = tuple((k, k + 4, k + 8, k + 12) for k in range(4))


def _order(numbers):
    return ir.Constant(ir.VectorType(_INDEX, len(numbers)), list(numbers))


def _vector(width: int):
    return ir.VectorType(ir.FloatType(), width)


def _pointer(context, builder, kind, array, index):
    return builder.gep(context.make_array(kind)(context, builder, array).data, [index])


def _load(context, builder, kind, array, index, width: int):
    pointer = _pointer(context, builder, kind, array, index)
    return builder.load(builder.bitcast(pointer, _vector(width).as_pointer()), align=4)


def _everywhere(builder, value, width: int):
    empty = ir.Constant(_vector(width), ir.Undefined)
    first = builder.insert_element(empty, value, _INDEX(0))
    return builder.shuffle_vector(first, empty, _order([0] * width))


def _added(builder, a, b):
    return builder.fadd(a, b, flags=_FAST)


def _weighed(context, builder, kinds, arrays, places, n_tap: int):
    """Weighted samples around one place, parts in turn: four rows together, taps along delay not yet added up."""
    field, across, along = arrays
    first, stride, at_across, at_along = places
    total = None
    for m in range(4):
        place = builder.add(first, builder.mul(stride, stride.type(m)))
        row = _load(context, builder, kinds[0], field, place, 2 * n_tap)
        at = builder.add(at_across, at_across.type(m))
        weight = builder.load(_pointer(context, builder, kinds[1], across, at), align=4)
        term = builder.fmul(_everywhere(builder, weight, 2 * n_tap), row, flags=_FAST)
        total = term if total is None else _added(builder, total, term)
    taps = _load(context, builder, kinds[2], along, at_along, 2 * n_tap)
    return builder.fmul(total, taps, flags=_FAST)


def _one(n_tap: int):
    """|sum over m and e of across[at_across + m] along[at_along + 2e] field[first + m stride + 2e]|^2."""

    @intrinsic
    def read(_, field, first, stride, across, at_across, along, at_along):
        def generate(context, builder, signature, arguments):
            field, first, stride, across, at_across, along, at_along = arguments
            kinds = [signature.args[k] for k in (0, 3, 5)]
            places = first, stride, at_across, at_along
            vector = _weighed(context, builder, kinds, (field, across, along), places, n_tap)
            shift = n_tap
            while shift > 1:
                order = [(k + shift) % (2 * n_tap) for k in range(2 * n_tap)]
                other = builder.shuffle_vector(
                    vector, ir.Constant(_vector(2 * n_tap), ir.Undefined), _order(order)
                )
                vector = _added(builder, vector, other)
                shift //= 2
            real, imag = (builder.extract_element(vector, _INDEX(k)) for k in (0, 1))
            square = builder.fmul(imag, imag, flags=_FAST)
            return _added(builder, builder.fmul(real, real, flags=_FAST), square)

        place = types.intp
        return types.float32(field, place, place, across, place, along, place), generate

    return read


def _halves(builder, a, b):
    """Both halves of a, added, then both of b; of vectors half as long just one after the other."""
    if a.type.count == LANES // 2:
        return builder.shuffle_vector(a, b, _order(range(LANES)))
    low, high = [*range(8), *range(16, 24)], [*range(8, 16), *range(24, 32)]
    return _added(
        builder, builder.shuffle_vector(a, b, _order(low)), builder.shuffle_vector(a, b, _order(high))
    )


def _quarters(builder, a, b):
    """First and second quarter, third and fourth, of a and then of b, added."""
    low = [k + q for q in (0, 8, 16, 24) for k in range(4)]
    high = [k + 4 for k in low]
    return _added(
        builder, builder.shuffle_vector(a, b, _order(low)), builder.shuffle_vector(a, b, _order(high))
    )


def _pairs(builder, a, b):
    """Both numbers of two in each quarter of a, added, each followed by that of b."""
    low = [k + part for q in (0, 4, 8, 12) for part in (q, LANES + q) for k in range(2)]
    high = [k + 2 for k in low]
    return _added(
        builder, builder.shuffle_vector(a, b, _order(low)), builder.shuffle_vector(a, b, _order(high))
    )


def _sixteen(n_tap: int):
    """What :func:`_one` says at sixteen places, listed in an array of whole numbers with three rows of ``pitch``."""

    @intrinsic
    def read(_, field, stride, across, along, place, at, pitch):
        def generate(context, builder, signature, arguments):
            field, stride, across, along, place, at, pitch = arguments
            kinds = [signature.args[k] for k in (0, 2, 3)]

            def weighed(k: int):
                start = builder.add(at, at.type(k))
                numbers = []
                for row in range(3):
                    here = builder.add(start, builder.mul(pitch, pitch.type(row)))
                    number = builder.load(_pointer(context, builder, signature.args[4], place, here), align=4)
                    numbers.append(builder.sext(number, at.type))
                places = numbers[0], stride, numbers[1], numbers[2]
                return _weighed(context, builder, kinds, (field, across, along), places, n_tap)

            branches = []
            for a, b, c, d in _BRANCHES:
                one = _halves(builder, weighed(a), weighed(b))
                branches.append(_quarters(builder, one, _halves(builder, weighed(c), weighed(d))))
            one, other = (_pairs(builder, *branches[k : k + 2]) for k in (0, 2))
            parts = [
                builder.shuffle_vector(
                    one,
                    other,
                    _order([k + q for q in range(0, LANES, 4) for k in (p, p + 2, p + 16, p + 18)]),
                )
                for p in (0, 1)
            ]
            squares = [builder.fmul(part, part, flags=_FAST) for part in parts]
            return _added(builder, *squares)

        number = types.intp
        return lanes(field, number, across, along, place, number, number), generate

    return read


def _plain_one(n_tap: int):
    def read(field, first, stride, across, at_across, along, at_along):
        real = imag = field[first] * 0
        for m in range(4):
            for e in range(n_tap):
                weight = across[at_across + m] * along[at_along + 2 * e]
                real += weight * field[first + m * stride + 2 * e]
                imag += weight * field[first + m * stride + 2 * e + 1]
        return real * real + imag * imag

    return read


def _plain_sixteen(n_tap: int):
    one = _plain_one(n_tap)

    def read(field, stride, across, along, place, at, pitch):
        places = place[at + np.arange(LANES) + pitch * np.arange(3)[:, None]].T
        return np.array([one(field, p[0], stride, across, p[1], along, p[2]) for p in places], np.float32)

    return read


if config.DISABLE_JIT:
    read_four, read_eight = _plain_one(FOUR), _plain_one(EIGHT)
    sixteen_of_four, sixteen_of_eight = _plain_sixteen(FOUR), _plain_sixteen(EIGHT)
else:
    read_four, read_eight = _one(FOUR), _one(EIGHT)
    sixteen_of_four, sixteen_of_eight = _sixteen(FOUR), _sixteen(EIGHT)
