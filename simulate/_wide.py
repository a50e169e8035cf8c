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
"""Points of one receiver's scratch: their real and imaginary parts in turn, two rows long, then a row of weights a tap."""

_INDEX = ir.IntType(32)
_PAIR = ir.IntType(64)  # real and imaginary part as one number, which a processor loads and repeats at once
_FOUR = ir.VectorType(ir.FloatType(), 4)
_EIGHT = ir.VectorType(ir.FloatType(), 8)
_FOUR_PAIRS = ir.VectorType(_PAIR, 4)


def _address(context, builder, kind, array, index, kind_of):
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), kind_of.as_pointer())


def _shuffle(builder, first, second, order):
    return builder.shuffle_vector(first, second, ir.Constant(ir.VectorType(_INDEX, len(order)), order))


def _halves(builder, first, second):
    """Interleave two rows of four points: points 0 and 1, points 2 and 3."""
    return [_shuffle(builder, first, second, order) for order in ([0, 4, 1, 5], [2, 6, 3, 7])]


@intrinsic
def _add_taps(_, line, place, row, k, first):
    """Of receiver k's points, four from ``first`` on: line[2 place - 2 :][:8] += weights x (real, imaginary), interleaved."""

    def generate(context, builder, signature, arguments):
        line, place, row, k, first = arguments

        def at(each, start, step=1):
            """``each k + start + step first``."""
            own = builder.add(builder.mul(k, ir.Constant(k.type, each)), ir.Constant(k.type, start))
            return builder.add(own, builder.mul(first, ir.Constant(first.type, step)))

        weights = []
        for tap in range(4):
            source = _address(context, builder, signature.args[2], row, at(6 * ROW, (2 + tap) * ROW), _FOUR)
            weights.append(builder.load(source, align=4))
        low, high = _halves(builder, weights[0], weights[1]), _halves(builder, weights[2], weights[3])
        for point in range(4):
            source = _address(context, builder, signature.args[1], place, at(ROW, point), _INDEX)
            cell = builder.sext(builder.load(source, align=4), first.type)
            start = builder.sub(builder.shl(cell, ir.Constant(first.type, 1)), ir.Constant(first.type, 2))
            source = _address(context, builder, signature.args[2], row, at(6 * ROW, 2 * point, 2), _PAIR)
            value = builder.insert_element(
                ir.Constant(_FOUR_PAIRS, ir.Undefined), builder.load(source, align=4), ir.Constant(_INDEX, 0)
            )
            value = builder.bitcast(_shuffle(builder, value, value, [0] * 4), _EIGHT)
            half, o = divmod(point, 2)
            o *= 2
            weight = _shuffle(
                builder, low[half], high[half], [o, o, o + 1, o + 1, o + 4, o + 4, o + 5, o + 5]
            )
            product = builder.fmul(weight, value, flags=("contract",))
            target = _address(context, builder, signature.args[0], line, start, _EIGHT)
            total = builder.fadd(builder.load(target, align=4), product, flags=("contract",))
            builder.store(total, target, align=4)
        return context.get_dummy_value()

    return types.void(line, place, row, types.intp, types.intp), generate


def _add_taps_plain(line, place, row, k, first):
    for i in range(first, first + 4):
        start = 2 * place[k * ROW + i] - 2
        real, imag = row[6 * ROW * k + 2 * i : 6 * ROW * k + 2 * i + 2]
        for j in range(4):
            weight = row[6 * ROW * k + (2 + j) * ROW + i]
            line[start + 2 * j] += weight * real
            line[start + 2 * j + 1] += weight * imag


add_taps = _add_taps_plain if config.DISABLE_JIT else _add_taps
