"""Short vectors as values of compiled code: some neighbours at once, for loops of which the compiler makes too little.

Its own vector code loads and stores a row's sums again for every frame, in registers half as wide as there may be;
lanes that are summed over some frames stay in registers meanwhile. Where registers are narrower LLVM splits them.
`+ - * & | >>` and `== !=` go lane by lane; a number on the right stands for all lanes. Nothing is contracted, so that a
lane has to the last bit what the same sentence gives for one number. All of it is for use inside compiled code only.
"""

from __future__ import annotations

import operator
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import extending, types
from numba.core.datamodel.models import PrimitiveModel
from numba.core.errors import RequireLiteralValue, TypingError

_BYTES = {types.float32: 4, types.int32: 4, types.uint8: 1}
_KINDS = {
    types.float32: ir.FloatType(),
    types.int32: ir.IntType(32),
    types.uint8: ir.IntType(8),
    types.boolean: ir.IntType(1),
}
_WORD = ir.IntType(64)
_intrinsic: Any = extending.intrinsic  # its first argument is none for who calls what it makes


class Lanes(types.Type):
    """So many numbers of a kind: float32, int32, uint8, or boolean, which comparisons give."""

    def __init__(self, kind: Any, count: int) -> None:
        self.kind, self.count = kind, count
        super().__init__(name=f"Lanes({kind}, {count})")

    @property
    def vector(self) -> Any:
        """LLVM's type."""
        return ir.VectorType(_KINDS[self.kind], self.count)


@extending.register_model(Lanes)
class _LanesModel(PrimitiveModel):
    def __init__(self, manager: Any, lanes: Lanes) -> None:
        super().__init__(manager, lanes, lanes.vector)


def _in_all(builder: Any, number: Any, vector: Any) -> Any:
    """Lanes that hold one number each."""
    nothing, index = ir.Constant(vector, ir.Undefined), ir.IntType(32)
    first = builder.insert_element(nothing, number, ir.Constant(index, 0))
    return builder.shuffle_vector(first, nothing, ir.Constant(ir.VectorType(index, vector.count), [0] * vector.count))


def _define(function: Any, name: str) -> None:
    """Teach the compiler an operator; `name` is the builder's for whole numbers, or the comparison's."""
    compares = name in ("==", "!=")

    @extending.type_callable(function)
    def resolve(context: Any) -> Any:
        def typer(one: Any, other: Any) -> Any:
            if not isinstance(one, Lanes) or not (other == one or isinstance(other, types.Number)):
                return None
            return Lanes(types.boolean, one.count) if compares else one

        return typer

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        (lanes, kind), (one, other) = signature.args, args
        if kind != lanes:
            other = _in_all(builder, context.cast(builder, other, kind, lanes.kind), lanes.vector)
        if compares:
            return (builder.fcmp_ordered if lanes.kind == types.float32 else builder.icmp_unsigned)(name, one, other)
        return getattr(builder, "f" + name if lanes.kind == types.float32 else name)(one, other)

    for other in (Lanes, types.Number):
        extending.lower_builtin(function, Lanes, other)(generate)


for _operator, _name in (
    (operator.add, "add"),
    (operator.sub, "sub"),
    (operator.mul, "mul"),
    (operator.and_, "and_"),
    (operator.or_, "or_"),
    (operator.rshift, "ashr"),
    (operator.eq, "=="),
    (operator.ne, "!="),
):
    _define(_operator, _name)


def _literal(count: Any) -> int:
    if not isinstance(count, types.IntegerLiteral):
        raise RequireLiteralValue("count")
    return int(count.literal_value)


def _check(array: Any) -> None:
    if array.layout != "C":
        raise TypingError("lanes need a contiguous array")


def _place(context: Any, builder: Any, kind: Any, array: Any, at: Any, lanes: Lanes) -> Any:
    pointer = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(pointer, [at]), lanes.vector.as_pointer())


@_intrinsic
def lanes_of(typingctx: Any, array: Any, at: Any, count: Any) -> Any:
    """The numbers of an array from one place on.

    Parameters
    ----------
    array : contiguous float32, int32 or uint8 array of any shape
        Must hold all that is read; nothing is checked.
    at : uint64
        Place in the array laid out flat.
    count : int, a number or a constant of the module
    """
    _check(array)
    lanes = Lanes(array.dtype, _literal(count))

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        place = _place(context, builder, signature.args[0], args[0], args[1], lanes)
        return builder.load(place, align=_BYTES[lanes.kind])

    return lanes(array, types.uint64, count), generate


@_intrinsic
def put_lanes(typingctx: Any, array: Any, at: Any, lanes: Any) -> Any:
    """Write lanes to an array of their kind, `array` and `at` as for `lanes_of`."""
    _check(array)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        builder.store(
            args[2], _place(context, builder, signature.args[0], args[0], args[1], lanes), align=_BYTES[lanes.kind]
        )
        return context.get_dummy_value()

    return types.void(array, types.uint64, lanes), generate


@_intrinsic
def no_lanes(typingctx: Any, count: Any) -> Any:
    """So many float32 zeros, `count` as for `lanes_of`."""
    lanes = Lanes(types.float32, _literal(count))

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return ir.Constant(lanes.vector, [0.0] * lanes.count)

    return lanes(count), generate


@_intrinsic
def in_all(typingctx: Any, number: Any, count: Any) -> Any:
    """So many lanes that hold one float32 or int32, `count` as for `lanes_of`."""
    lanes = Lanes(number, _literal(count))

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return _in_all(builder, args[0], lanes.vector)

    return lanes(number, count), generate


@_intrinsic
def whole_lanes(typingctx: Any, lanes: Any) -> Any:
    """The whole parts of float32 lanes, towards zero, as int32 lanes."""
    return _as_kind(lanes, types.int32, "fptosi")


@_intrinsic
def float_lanes(typingctx: Any, lanes: Any) -> Any:
    """Int32 lanes as float32."""
    return _as_kind(lanes, types.float32, "sitofp")


def _as_kind(lanes: Lanes, kind: Any, how: str) -> Any:
    """What makes lanes those of another kind; `how` is the builder's name for it."""
    result = Lanes(kind, lanes.count)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return getattr(builder, how)(args[0], result.vector)

    return result(lanes), generate


@_intrinsic
def put_first_lanes(typingctx: Any, array: Any, at: Any, lanes: Any, count: Any) -> Any:
    """`put_lanes` of the first `count` lanes alone, an int32; what lies behind is not touched."""
    _check(array)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        place = _place(context, builder, signature.args[0], args[0], args[1], lanes)
        word, wide = ir.IntType(32), ir.VectorType(ir.IntType(32), lanes.count)
        numbers = ir.Constant(wide, list(range(lanes.count)))
        wanted = builder.icmp_signed("<", numbers, _in_all(builder, args[3], wide))
        kind = f"v{lanes.count}{'f' if lanes.kind == types.float32 else 'i'}{8 * _BYTES[lanes.kind]}"
        name = f"llvm.masked.store.{kind}.p0{kind}"
        sort = ir.FunctionType(ir.VoidType(), [lanes.vector, place.type, word, wanted.type])
        store = builder.module.globals.get(name) or ir.Function(builder.module, sort, name)
        builder.call(store, [args[2], place, ir.Constant(word, _BYTES[lanes.kind]), wanted])
        return context.get_dummy_value()

    return types.void(array, types.uint64, lanes, types.int32), generate


@_intrinsic
def counting(typingctx: Any, count: Any) -> Any:
    """The float32 numbers 0, 1, 2 ..., `count` as for `lanes_of`."""
    lanes = Lanes(types.float32, _literal(count))

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return ir.Constant(lanes.vector, [float(n) for n in range(lanes.count)])

    return lanes(count), generate


@_intrinsic
def one_lane(typingctx: Any, lanes: Any, number: Any, count: Any) -> Any:
    """So many lanes that hold what one of others does, its number from 0; numbers as `count` of `lanes_of`."""
    result, lane = Lanes(lanes.kind, _literal(count)), _literal(number)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        order = ir.Constant(ir.VectorType(ir.IntType(32), result.count), [lane] * result.count)
        return builder.shuffle_vector(args[0], ir.Constant(lanes.vector, ir.Undefined), order)

    return result(lanes, number, count), generate


@_intrinsic
def multiply_add_lanes(typingctx: Any, a: Any, b: Any, c: Any) -> Any:
    """``a * b + c`` of float32 lanes, in one step where the machine has one: `vector.multiply_add` lane by lane."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        name = f"llvm.fmuladd.v{a.count}f32"
        kind = ir.FunctionType(a.vector, [a.vector] * 3)
        return builder.call(builder.module.globals.get(name) or ir.Function(builder.module, kind, name), args)

    return a(a, b, c), generate


@_intrinsic
def where(typingctx: Any, condition: Any, numbers: Any) -> Any:
    """Lanes of numbers, or one number for all, where a condition holds; 0 elsewhere."""
    single = not isinstance(numbers, Lanes)
    lanes = Lanes(numbers, condition.count) if single else numbers

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        chosen = _in_all(builder, args[1], lanes.vector) if single else args[1]
        return builder.select(args[0], chosen, ir.Constant(lanes.vector, [0] * lanes.count))

    return lanes(condition, numbers), generate


@_intrinsic
def choose(typingctx: Any, condition: Any, ones: Any, others: Any) -> Any:
    """Lanes of the first kind where a condition holds, of the other elsewhere."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.select(*args)

    return ones(condition, ones, others), generate


@_intrinsic
def lesser(typingctx: Any, ones: Any, others: Any) -> Any:
    """The lesser of two float32 in every lane; none may be NaN."""
    return _chosen(ones, "minnum")


@_intrinsic
def greater(typingctx: Any, ones: Any, others: Any) -> Any:
    """The greater of two float32 in every lane; none may be NaN."""
    return _chosen(ones, "maxnum")


def _chosen(lanes: Lanes, how: str) -> Any:
    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        name = f"llvm.{how}.v{lanes.count}f32"
        kind = ir.FunctionType(lanes.vector, [lanes.vector] * 2)
        function = builder.module.globals.get(name) or ir.Function(builder.module, kind, name)
        return builder.call(function, args, fastmath=("nnan",))

    return lanes(lanes, lanes), generate


@_intrinsic
def byte_lanes(typingctx: Any, lanes: Any) -> Any:
    """Int32 lanes as uint8; they must lie between 0 and 255."""
    return _as_kind(lanes, types.uint8, "trunc")


@_intrinsic
def least_of(typingctx: Any, lanes: Any) -> Any:
    """The least of what int32 or float32 lanes hold; none may be NaN."""
    return _of_all(lanes, "fmin" if lanes.kind == types.float32 else "smin")


@_intrinsic
def greatest_of(typingctx: Any, lanes: Any) -> Any:
    """The greatest of what float32 lanes hold; none may be NaN."""
    return _of_all(lanes, "fmax")


@_intrinsic
def sum_of(typingctx: Any, lanes: Any) -> Any:
    """The sum of what float32 lanes hold, from the first to the last."""
    return _of_all(lanes, "fadd")


def _of_all(lanes: Lanes, how: str) -> Any:
    """One number of all lanes; `how` is LLVM's name for it."""
    kind, sums = _KINDS[lanes.kind], how == "fadd"

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        name = f"llvm.vector.reduce.{how}.v{lanes.count}{'f' if lanes.kind == types.float32 else 'i'}32"
        sort = ir.FunctionType(kind, [kind, lanes.vector] if sums else [lanes.vector])
        function = builder.module.globals.get(name) or ir.Function(builder.module, sort, name)
        # without leave to do it in another order a sum goes from lane to lane, on every machine
        given = [ir.Constant(kind, -0.0), args[0]] if sums else [args[0]]
        return builder.call(function, given, fastmath=("nnan",) if how in ("fmin", "fmax") else ())

    return lanes.kind(lanes), generate


@_intrinsic
def bits_of(typingctx: Any, condition: Any) -> Any:
    """In which of up to 64 lanes a condition holds: bits of a uint64, the first lane's the lowest."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        bits = builder.bitcast(args[0], ir.IntType(condition.count))
        return bits if condition.count == 64 else builder.zext(bits, _WORD)

    return types.uint64(condition), generate


@_intrinsic
def count_bits(typingctx: Any, word: Any) -> Any:
    """How many bits of a uint64 are set, int64."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.ctpop(args[0])

    return types.int64(types.uint64), generate
