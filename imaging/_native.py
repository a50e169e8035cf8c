"""What a processor with vectors of 512 bits does in one step and LLVM has no word of its own for.

Elsewhere the same takes more steps. With compilation off NumPy says the same; a test holds all forms together.
"""

from __future__ import annotations

import numpy as np
from numba import config, types
from numba.core.cgutils import get_or_insert_function, ir  # the LLVM builder that numba itself uses
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic

from ._lanes import LANES, lanes

__all__ = ["inverse_root", "pick"]

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_WHOLE = ir.VectorType(_INDEX, LANES)
_FEATURES = get_host_cpu_features() if config.CPU_FEATURES is None else config.CPU_FEATURES
_AT_ONCE = "+avx512f" in _FEATURES
_FAST = ("contract", "nsz")


def _same(number: float):
    return ir.Constant(_VECTOR, [ir.Constant(ir.FloatType(), number)] * LANES)


@intrinsic
def _pick(_, array, at, index):
    def generate(context, builder, signature, arguments):
        array, at, index = arguments
        start = builder.gep(context.make_array(signature.args[0])(context, builder, array).data, [at])
        whole = builder.fptosi(index, _WHOLE)
        if _AT_ONCE:
            table = builder.load(builder.bitcast(start, _VECTOR.as_pointer()), align=4)
            kind = ir.FunctionType(_VECTOR, [_VECTOR, _WHOLE])
            choose = get_or_insert_function(builder.module, kind, "llvm.x86.avx512.permvar.sf.512")
            return builder.call(choose, [table, whole])
        picked = ir.Constant(_VECTOR, ir.Undefined)
        for k in range(LANES):
            place = builder.sext(builder.extract_element(whole, _INDEX(k)), at.type)
            number = builder.load(builder.gep(start, [place]), align=4)
            picked = builder.insert_element(picked, number, _INDEX(k))
        return picked

    return lanes(array, types.intp, lanes), generate


@intrinsic
def _inverse_root(_, x):
    def generate(context, builder, signature, arguments):
        (x,) = arguments
        if not _AT_ONCE:
            kind = ir.FunctionType(_VECTOR, [_VECTOR])
            root = get_or_insert_function(builder.module, kind, f"llvm.sqrt.v{LANES}f32")
            return builder.fdiv(_same(1.0), builder.call(root, [x]))
        mask = ir.IntType(16)
        kind = ir.FunctionType(_VECTOR, [_VECTOR, _VECTOR, mask])
        guess = get_or_insert_function(builder.module, kind, "llvm.x86.avx512.rsqrt14.ps.512")
        y = builder.call(guess, [x, _same(0.0), mask(-1)])
        # The guess is right to 14 bits; a step by Newton doubles them.
        off = builder.fmul(builder.fmul(_same(0.5), x), y)
        off = builder.fsub(_same(1.5), builder.fmul(off, y, flags=_FAST), flags=_FAST)
        return builder.fmul(y, off)

    return lanes(x), generate


def _pick_plain(array, at, index):
    """Numbers of the sixteen that begin at ``at`` of a flat float32 array, by whole numbers from 0 to 15."""
    return array[at + index.astype(np.int64)]


def _inverse_root_plain(x):
    """One over the square roots, within two steps of single precision; of 0 no number."""
    return 1 / np.sqrt(x)


pick = _pick_plain if config.DISABLE_JIT else _pick
inverse_root = _inverse_root_plain if config.DISABLE_JIT else _inverse_root
