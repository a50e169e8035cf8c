"""Add the four complex taps of four points: for each, one load, multiply-add and store of eight floats.

Numba leaves LLVM's straight-line vectoriser off, and a loop of eight is unrolled before the loop vectoriser sees it, so
in plain code the eight additions stay eight scalar ones (2.4 ns a point against 0.8 ns). LLVM splits the eight-float
vectors where a processor has only shorter ones.
"""

from __future__ import annotations

from numba import config, types
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic

__all__ = ["ROW", "add_taps"]

ROW = 128
"""Length of a row of the taps' scratch: real parts, imaginary parts, weights of taps 0 to 3."""

_INDEX = ir.IntType(32)
_FOUR = ir.VectorType(ir.FloatType(), 4)
_EIGHT = ir.VectorType(ir.FloatType(), 8)


def _address(context, builder, kind, array, index, vector):
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), vector.as_pointer())


def _shuffle(builder, first, second, order):
    return builder.shuffle_vector(first, second, ir.Constant(ir.VectorType(_INDEX, len(order)), order))


def _halves(builder, first, second):
    """Interleave two rows of four points: points 0 and 1, points 2 and 3."""
    return [_shuffle(builder, first, second, order) for order in ([0, 4, 1, 5], [2, 6, 3, 7])]


@intrinsic
def _add_taps(_, line, start0, start1, start2, start3, row, first):
    """For each point k of four: line[start_k : start_k + 8] += weights x (real, imaginary), interleaved."""

    def generate(context, builder, signature, arguments):
        line, *starts, row, first = arguments
        loaded = []
        for k in range(6):
            index = builder.add(first, ir.Constant(first.type, k * ROW))
            loaded.append(
                builder.load(_address(context, builder, signature.args[5], row, index, _FOUR), align=4)
            )
        value = _halves(builder, loaded[0], loaded[1])
        low, high = _halves(builder, loaded[2], loaded[3]), _halves(builder, loaded[4], loaded[5])
        for k, start in enumerate(starts):
            half, o = divmod(k, 2)
            o *= 2
            weight = _shuffle(
                builder, low[half], high[half], [o, o, o + 1, o + 1, o + 4, o + 4, o + 5, o + 5]
            )
            pair = _shuffle(builder, value[half], value[half], [o, o + 1] * 4)
            product = builder.fmul(weight, pair, flags=("contract",))
            place = _address(context, builder, signature.args[0], line, start, _EIGHT)
            total = builder.fadd(builder.load(place, align=4), product, flags=("contract",))
            builder.store(total, place, align=4)
        return context.get_dummy_value()

    return types.void(line, *[types.intp] * 4, row, types.intp), generate


def _add_taps_plain(line, start0, start1, start2, start3, row, first):
    for k, start in enumerate((start0, start1, start2, start3)):
        real, imag = row[first + k], row[ROW + first + k]
        for j in range(4):
            weight = row[(2 + j) * ROW + first + k]
            line[start + 2 * j] += weight * real
            line[start + 2 * j + 1] += weight * imag


add_taps = _add_taps_plain if config.DISABLE_JIT else _add_taps
