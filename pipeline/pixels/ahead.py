"""Memory that is asked for before it is needed: of places far apart in a large array each costs a wait of its own."""

from __future__ import annotations

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import extending, types

_intrinsic: Any = extending.intrinsic  # its first argument is none for who calls what it makes


@_intrinsic
def ask_for(typingctx: Any, array: Any, row: Any, column: Any) -> Any:
    """Begin to fetch the 64 bytes about ``array[row, column]``; changes nothing. For use inside compiled code only.

    Parameters
    ----------
    array : contiguous 2-D array
    row, column : int64; nothing is checked, and to ask for what is outside does no harm
    """
    signature = types.void(array, types.int64, types.int64)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        held = context.make_array(signature.args[0])(context, builder, args[0])
        width = builder.extract_value(held.shape, 1)
        at = builder.add(builder.mul(args[1], width), args[2])
        byte, number = ir.IntType(8).as_pointer(), ir.IntType(32)
        kind = ir.FunctionType(ir.VoidType(), [byte, number, number, number])
        name = "llvm.prefetch.p0"
        function = builder.module.globals.get(name) or ir.Function(builder.module, kind, name)
        place = builder.bitcast(builder.gep(held.data, [at]), byte)
        # to read, to be kept near, data
        builder.call(function, [place, *(ir.Constant(number, n) for n in (0, 3, 1))])
        return context.get_dummy_value()

    return signature, generate
