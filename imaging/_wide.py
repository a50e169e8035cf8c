"""Read a complex field between its samples with vectors of eight floats.

Numba leaves LLVM's straight-line vectoriser off and unrolls short loops before its loop vectoriser sees them, so four
by four complex taps written plainly stay scalar (13 ns a pixel against 4). LLVM splits the vectors where a processor
has only shorter ones. The plain form below says the same and serves when compilation is off; a test holds both
together.
"""

from __future__ import annotations

from numba import config, types
from numba.core.cgutils import ir  # the LLVM builder that numba itself uses
from numba.extending import intrinsic

__all__ = ["field_power"]

_INDEX = ir.IntType(32)
_EIGHT = ir.VectorType(ir.FloatType(), 8)
_FAST = ("contract", "reassoc", "nsz")


def _pointer(context, builder, kind, array, index):
    return builder.gep(context.make_array(kind)(context, builder, array).data, [index])


def _load_eight(builder, pointer):
    return builder.load(builder.bitcast(pointer, _EIGHT.as_pointer()), align=4)


def _everywhere(builder, value):
    first = builder.insert_element(ir.Constant(_EIGHT, ir.Undefined), value, _INDEX(0))
    return builder.shuffle_vector(
        first, ir.Constant(_EIGHT, ir.Undefined), ir.Constant(ir.VectorType(_INDEX, 8), [0] * 8)
    )


def _folded(builder, vector):
    """Sums of the even and of the odd elements of eight, as a vector whose first two elements count."""
    for shift in (4, 2):
        order = [(k + shift) % 8 for k in range(8)]
        other = builder.shuffle_vector(
            vector, ir.Constant(_EIGHT, ir.Undefined), ir.Constant(ir.VectorType(_INDEX, 8), order)
        )
        vector = builder.fadd(vector, other, flags=_FAST)
    return vector


@intrinsic
def _field_power(_, field, first, stride, across, at_across, along, at_along):
    """|sum over m and e of across[at_across + m] along[at_along + 2e] field[first + m stride + 2e]|^2."""

    def generate(context, builder, signature, arguments):
        field, first, stride, across, at_across, along, at_along = arguments
        kinds = signature.args
        total = None
        for m in range(4):
            place = builder.add(first, builder.mul(stride, stride.type(m)))
            row = _load_eight(builder, _pointer(context, builder, kinds[0], field, place))
            at = builder.add(at_across, at_across.type(m))
            weight = builder.load(_pointer(context, builder, kinds[3], across, at), align=4)
            term = builder.fmul(_everywhere(builder, weight), row, flags=_FAST)
            total = term if total is None else builder.fadd(total, term, flags=_FAST)
        taps = _load_eight(builder, _pointer(context, builder, kinds[5], along, at_along))
        value = _folded(builder, builder.fmul(total, taps, flags=_FAST))
        real = builder.extract_element(value, _INDEX(0))
        imag = builder.extract_element(value, _INDEX(1))
        square = builder.fmul(imag, imag, flags=_FAST)
        return builder.fadd(builder.fmul(real, real, flags=_FAST), square, flags=_FAST)

    place = types.intp
    return types.float32(field, place, place, across, place, along, place), generate


def _field_power_plain(field, first, stride, across, at_across, along, at_along):
    real = imag = field[first] * 0
    for m in range(4):
        for e in range(4):
            weight = across[at_across + m] * along[at_along + 2 * e]
            real += weight * field[first + m * stride + 2 * e]
            imag += weight * field[first + m * stride + 2 * e + 1]
    return real * real + imag * imag


field_power = _field_power_plain if config.DISABLE_JIT else _field_power
