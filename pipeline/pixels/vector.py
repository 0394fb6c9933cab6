"""Vector code that the compiler does not find by itself: weighted sums of 6 x 6 values, bits, caches.

Against the plain loop that `weighted_6x8_slow` states the sum of 6 x 6 triples the speed of resampling. Eight lanes are
LLVM's own vectors; on machines with narrower ones LLVM splits them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf

ROWS, LANES = 6, 8
CACHE_LINE = 16  # float32 numbers
_FLOAT = ir.FloatType()
_intrinsic: Any = intrinsic  # its first argument is none for who calls what it makes
_INDEX = ir.IntType(32)
_VECTOR = ir.VectorType(_FLOAT, LANES)


def weighted_6x8_slow(
    source: NDArray[np.float32],
    first: int,
    stride: int,
    table: NDArray[np.float32],
    across: int,
    down: int,
) -> float:
    """What `weighted_6x8` computes, in NumPy."""
    rows = np.stack([source[first + j * stride : first + j * stride + LANES] for j in range(ROWS)])
    return float(table[down : down + ROWS] @ rows @ table[across : across + LANES])


@intrinsic
def weighted_6x8(typingctx: Any, source: Any, first: Any, stride: Any, table: Any, across: Any, down: Any) -> Any:
    """Sum of 6 x 8 pixels with separable weights, for use inside compiled code only.

    ``sum over j < 6, k < 8 of table[down + j] * source[first + j * stride + k] * table[across + k]``

    Parameters
    ----------
    source : 1-D contiguous float32 array
        Must hold all 6 x 8 pixels; nothing is checked.
    first, stride : uint64
        Index of the top-left pixel, and from one row to the next.
    table : 1-D contiguous float32 array
        Weights; 8 are read from `down` and from `across`.
    across, down : uint64
        Where the weights of columns and of rows begin.

    Returns
    -------
    float32
    """
    signature = types.float32(source, types.uint64, types.uint64, table, types.uint64, types.uint64)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        source, first, stride, table, across, down = args
        arrays = (signature.args[0], source), (signature.args[3], table)
        return _sums(context, builder, *arrays, [first], stride, across, down)[0]

    return signature, generate


@intrinsic
def weighted_6x8_rgb(
    typingctx: Any, source: Any, first: Any, stride: Any, plane: Any, table: Any, across: Any, down: Any
) -> Any:
    """Three planes at once: `weighted_6x8` from `first`, ``first + plane`` and ``first + 2 * plane`` on.

    Parameters
    ----------
    plane : uint64
        Pixels from one plane to the next.
    source, first, stride, table, across, down : as for `weighted_6x8`

    Returns
    -------
    tuple of 3 float32, to the last bit what `weighted_6x8` gives
    """
    three = types.UniTuple(types.float32, 3)
    signature = three(source, types.uint64, types.uint64, types.uint64, table, types.uint64, types.uint64)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        source, first, stride, plane, table, across, down = args
        second = builder.add(first, plane)
        firsts = [first, second, builder.add(second, plane)]
        arrays = (signature.args[0], source), (signature.args[4], table)
        sums = _sums(context, builder, *arrays, firsts, stride, across, down)
        return context.make_tuple(builder, signature.return_type, sums)

    return signature, generate


@intrinsic
def lowest_bit(typingctx: Any, bits: Any) -> Any:
    """Number of the lowest bit that is set in a uint64, 64 where there is none; int64; compiled only."""
    signature = types.int64(types.uint64)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.cttz(args[0], ir.Constant(ir.IntType(1), 0))

    return signature, generate


@intrinsic
def fetch(typingctx: Any, array: Any, at: Any) -> Any:
    """Ask for ``array[at]`` to be brought into the caches; beyond the array's end nothing happens; compiled only."""
    signature = types.void(array, types.uint64)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        pointer = context.make_array(signature.args[0])(context, builder, args[0]).data
        byte = ir.IntType(8).as_pointer()
        kind = ir.FunctionType(ir.VoidType(), [byte, _INDEX, _INDEX, _INDEX])
        name = "llvm.prefetch.p0i8"
        function = builder.module.globals.get(name) or ir.Function(builder.module, kind, name)
        at = builder.bitcast(builder.gep(pointer, [args[1]]), byte)
        builder.call(function, [at, *(ir.Constant(_INDEX, n) for n in (0, 3, 1))])
        return context.get_dummy_value()

    return signature, generate


@leaf
def fetch_at(array, row, column):  # type: ignore[no-untyped-def]
    """Ask for ``array[row, column]`` of a contiguous array; places far apart cost a wait each where they are not."""
    fetch(array, np.uint64(row * array.shape[1] + column))  # type: ignore[call-arg]


@leaf
def fetch_row(stack, number, colour, row):  # type: ignore[no-untyped-def]
    """Ask for a row of (n, colours, height, width) values; rows of other frames lie far apart in memory."""
    _, colours, height, width = stack.shape
    at = ((number * colours + colour) * height + row) * width
    for j in range(0, width, CACHE_LINE):
        fetch(stack, np.uint64(at + j))  # type: ignore[call-arg]


def _load(builder: Any, pointer: Any, index: Any) -> Any:
    return builder.load(builder.bitcast(builder.gep(pointer, [index]), _VECTOR.as_pointer()), align=4)


def _multiply_add(builder: Any) -> Any:
    name = f"llvm.fmuladd.v{LANES}f32"
    found = builder.module.globals.get(name)
    return found or ir.Function(builder.module, ir.FunctionType(_VECTOR, [_VECTOR] * 3), name)


@intrinsic
def multiply_add(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """``a * b + c`` of float32 in one step where the machine has one, in vectors and single numbers alike.

    Left to itself the compiler would round the product first; allowed to choose, it might do so in the rest of a loop
    and not in its vectors, and where a row is cut would show in the last bit.
    """
    signature = types.float32(types.float32, types.float32, types.float32)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kind = ir.FunctionType(_FLOAT, [_FLOAT] * 3)
        name = "llvm.fmuladd.f32"
        function = builder.module.globals.get(name) or ir.Function(builder.module, kind, name)
        return builder.call(function, args)

    return signature, generate


@_intrinsic
def larger(typingctx: Any, a: Any, b: Any) -> Any:
    """The larger of two float32, none of them NaN; compiled only.

    Where one of the two stands already in the place that the larger is written to, the compiler makes of `max` a store
    by mask, which takes machines with narrow registers as long as ten stores.
    """
    return _chosen("llvm.maxnum.f32")


@_intrinsic
def smaller(typingctx: Any, a: Any, b: Any) -> Any:
    """The smaller of two float32, as `larger`."""
    return _chosen("llvm.minnum.f32")


def _chosen(name: str) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        function = builder.module.globals.get(name)
        function = function or ir.Function(builder.module, ir.FunctionType(_FLOAT, [_FLOAT] * 2), name)
        return builder.call(function, args, fastmath=("nnan",))

    return types.float32(types.float32, types.float32), generate


def _sums(
    context: Any, builder: Any, source: Any, table: Any, firsts: list[Any], stride: Any, across: Any, down: Any
) -> list[Any]:
    """Code for one sum a plane; all share the weights. `source` and `table` are (type, value)."""
    pixels = context.make_array(source[0])(context, builder, source[1]).data
    weights = context.make_array(table[0])(context, builder, table[1]).data
    multiply_add = _multiply_add(builder)

    def pick(vector: Any, lanes: list[int]) -> Any:
        shape = ir.Constant(ir.VectorType(_INDEX, len(lanes)), lanes)
        return builder.shuffle_vector(vector, ir.Constant(vector.type, ir.Undefined), shape)

    row_weights, column_weights = _load(builder, weights, down), _load(builder, weights, across)
    totals = [ir.Constant(_VECTOR, [0.0] * LANES)] * len(firsts)
    for j in range(ROWS):
        weight = pick(row_weights, [j] * LANES)
        for number, at in enumerate(firsts):
            totals[number] = builder.call(multiply_add, [weight, _load(builder, pixels, at), totals[number]])
        firsts = [builder.add(at, stride) for at in firsts]
    results = []
    for total in totals:
        total = builder.fmul(total, column_weights)
        for width in (4, 2, 1):  # fold the halves on each other, always in the same order
            total = builder.fadd(pick(total, list(range(width))), pick(total, list(range(width, 2 * width))))
        results.append(builder.extract_element(total, ir.Constant(_INDEX, 0)))
    return results
