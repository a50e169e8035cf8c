"""A tile of a real matrix product whose sums stay in registers: four rows by some vectors of sixteen numbers.

Written as plain loops the product reads and writes its sums for every few products: 0.4 of the processor's multiply-add
peak, and a general matrix library reaches 0.3 on so few rows; kept in registers they reach all of it. With compilation
off NumPy says the same; a test holds both forms together.
"""

from __future__ import annotations

from numba import config, njit, types
from numba.core.cgutils import alloca_once, for_range, ir  # the LLVM builder that numba itself uses
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic

from ._lanes import LANES

__all__ = ["TILE_COLUMNS", "TILE_ROWS", "multiply_tile"]

TILE_ROWS = 4

# Twenty-four sums fill the 32 registers of 512 bits; with 16 of 256 bits there is room for eight.
_FEATURES = get_host_cpu_features() if config.CPU_FEATURES is None else config.CPU_FEATURES
_VECTORS = 6 if "+avx512f" in _FEATURES else 1

TILE_COLUMNS = LANES * _VECTORS

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_FAST = ("contract", "nsz")


def _vector_at(builder, start, index):
    return builder.bitcast(builder.gep(start, [index]), _VECTOR.as_pointer())


def _everywhere(builder, value):
    empty = ir.Constant(_VECTOR, ir.Undefined)
    first = builder.insert_element(empty, value, _INDEX(0))
    return builder.shuffle_vector(first, empty, ir.Constant(ir.VectorType(_INDEX, LANES), [0] * LANES))


@intrinsic
def _multiply_tile(_, weight, at_weight, n, x, at_x, stride_x, out, at_out, stride_out):
    def generate(context, builder, signature, arguments):
        _, at_weight, n, _, at_x, stride_x, _, at_out, stride_out = arguments
        weights, values, sums = (
            context.make_array(signature.args[k])(context, builder, arguments[k]).data for k in (0, 3, 6)
        )
        number = at_x.type
        # LLVM keeps these in registers: nothing takes their address.
        total = [[alloca_once(builder, _VECTOR) for _ in range(_VECTORS)] for _ in range(TILE_ROWS)]
        for row in total:
            for place in row:
                builder.store(ir.Constant(_VECTOR, None), place)
        with for_range(builder, n) as loop:
            here = builder.add(at_x, builder.mul(loop.index, stride_x))
            near = [
                builder.load(_vector_at(builder, values, builder.add(here, number(v * LANES))), align=4)
                for v in range(_VECTORS)
            ]
            first = builder.add(at_weight, builder.mul(loop.index, number(TILE_ROWS)))
            for r in range(TILE_ROWS):
                factor = builder.load(builder.gep(weights, [builder.add(first, number(r))]), align=4)
                factor = _everywhere(builder, factor)
                for v in range(_VECTORS):
                    term = builder.fmul(factor, near[v], flags=_FAST)
                    builder.store(builder.fadd(builder.load(total[r][v]), term, flags=_FAST), total[r][v])
        for r in range(TILE_ROWS):
            here = builder.add(at_out, builder.mul(stride_out, number(r)))
            for v in range(_VECTORS):
                place = _vector_at(builder, sums, builder.add(here, number(v * LANES)))
                builder.store(builder.load(total[r][v]), place, align=4)
        return context.get_dummy_value()

    place = types.intp
    return types.void(weight, place, place, x, place, place, out, place, place), generate


if config.DISABLE_JIT:

    def multiply_tile(weight, at_weight, n, x, at_x, stride_x, out, at_out, stride_out) -> None:
        """Write the sums over k below n of weight[k, row] x[k, column] to out[row, column]; all arrays flat float32.

        weight (k, 4) from ``at_weight``; x and out from their places on, with so much between rows.
        """
        factor = weight[at_weight : at_weight + TILE_ROWS * n].reshape(n, TILE_ROWS)
        rows = [x[at_x + k * stride_x : at_x + k * stride_x + TILE_COLUMNS] for k in range(n)]
        for r in range(TILE_ROWS):
            at = at_out + r * stride_out
            out[at : at + TILE_COLUMNS] = sum(factor[k, r] * rows[k] for k in range(n))

else:

    @njit(inline="always")
    def multiply_tile(weight, at_weight, n, x, at_x, stride_x, out, at_out, stride_out):
        """Write the sums over k below n of weight[k, row] x[k, column] to out[row, column]; all arrays flat float32.

        weight (k, 4) from ``at_weight``; x and out from their places on, with so much between rows.
        """
        _multiply_tile(weight, at_weight, n, x, at_x, stride_x, out, at_out, stride_out)
