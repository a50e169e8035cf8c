"""Read a table of sixteen numbers at sixteen places at once.

Processors with vectors of 512 bits do it in one step, which LLVM has no word of its own for; elsewhere the numbers are
loaded one by one. With compilation off NumPy says the same; a test holds both forms together.
"""

from __future__ import annotations

import numpy as np
from numba import config, types
from numba.core.cgutils import get_or_insert_function, ir  # the LLVM builder that numba itself uses
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic

from ._lanes import LANES, lanes

__all__ = ["pick"]

_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(ir.FloatType(), LANES)
_WHOLE = ir.VectorType(_INDEX, LANES)
_FEATURES = get_host_cpu_features() if config.CPU_FEATURES is None else config.CPU_FEATURES
_AT_ONCE = "+avx512f" in _FEATURES


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


def _pick_plain(array, at, index):
    """Numbers of the sixteen that begin at ``at`` of a flat float32 array, by whole numbers from 0 to 15."""
    return array[at + index.astype(np.int64)]


pick = _pick_plain if config.DISABLE_JIT else _pick
