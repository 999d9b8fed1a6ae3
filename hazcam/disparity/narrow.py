"""Narrow integer arithmetic for the compiled loops.

Numba widens every integer sum to 64 bits, so that one vector register holds 4 values where it
could hold 32. These intrinsics keep the width that they are named after.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

_BYTE = ir.IntType(8)
_WORD = ir.IntType(16)


def _binary(kind: Any, emit: Callable[[Any, Any, Any], Any]) -> Any:
    """An intrinsic of two values of one kind, with a result of the same kind."""

    @intrinsic
    def operation(typing_context, first, second):  # type: ignore[no-untyped-def]  # numba's form
        def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
            return emit(builder, *arguments)

        return kind(kind, kind), codegen

    return operation


def _unary(result: Any, kind: Any, emit: Callable[[Any, Any], Any]) -> Any:
    """An intrinsic of one value."""

    @intrinsic
    def operation(typing_context, value):  # type: ignore[no-untyped-def]  # numba's form
        def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
            return emit(builder, arguments[0])

        return result(kind), codegen

    return operation


def _saturating_add(builder: Any, first: Any, second: Any) -> Any:
    kind = ir.FunctionType(_BYTE, (_BYTE, _BYTE))
    add = builder.module.declare_intrinsic("llvm.uadd.sat", [_BYTE], kind)
    return builder.call(add, (first, second))


add_u8 = _binary(types.uint8, _saturating_add)
"""Sum of two bytes, 255 at most."""
sub_u8 = _binary(types.uint8, lambda b, x, y: b.sub(x, y))
"""Difference of two bytes; the caller knows that it is not negative."""
min_u8 = _binary(types.uint8, lambda b, x, y: b.select(b.icmp_unsigned("<", x, y), x, y))
max_u8 = _binary(types.uint8, lambda b, x, y: b.select(b.icmp_unsigned(">", x, y), x, y))

add_u16 = _binary(types.uint16, lambda b, x, y: b.add(x, y))
min_u16 = _binary(types.uint16, lambda b, x, y: b.select(b.icmp_unsigned("<", x, y), x, y))
widen = _unary(types.uint16, types.uint8, lambda b, x: b.zext(x, _WORD))
"""A byte as a word of 16 bits."""
sub_u16 = _binary(types.uint16, lambda b, x, y: b.sub(x, y))
or_u16 = _binary(types.uint16, lambda b, x, y: b.or_(x, y))
shift_2 = _unary(types.uint16, types.uint16, lambda b, x: b.shl(x, ir.Constant(_WORD, 2)))
"""A word times 4."""
shift_6 = _unary(types.uint16, types.uint16, lambda b, x: b.shl(x, ir.Constant(_WORD, 6)))
"""A word times 64."""


@intrinsic
def unless_below_3(typing_context, value, distance):  # type: ignore[no-untyped-def]
    """``value``, but 65535 where ``distance`` is 0, 1 or 2; all of 16 bits, without sign."""
    kind = types.uint16

    def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        value, distance = arguments
        near = builder.icmp_unsigned("<", distance, ir.Constant(_WORD, 3))
        return builder.select(near, ir.Constant(_WORD, 0xFFFF), value)

    return kind(kind, kind), codegen


count_bits = _unary(types.uint8, types.uint64, lambda b, x: b.trunc(b.ctpop(x), _BYTE))
"""How many of 64 bits are set."""
