"""Linear interpolation on increasing axes (outside an axis the caller decides, no extrapolation here), and the lesser of two numbers."""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from ems.kernels.jit import compiled_inline, compiled_inner


def _lesser(typing_context: Any, a: Any, b: Any) -> Any:
    """The lesser of two numbers that are not NaN, as one instruction: a branch in its place makes loops store under a mask, slowly.

    Of two of single precision in single precision, of all others in double.
    """
    kind, real = (types.float32, ir.FloatType()) if a == b == types.float32 else (types.float64, ir.DoubleType())

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        function = builder.module.declare_intrinsic("llvm.minnum", [real], ir.FunctionType(real, [real, real]))
        return builder.call(function, arguments, fastmath=("nnan", "nsz"))

    return kind(kind, kind), generate


lesser: Any = intrinsic(_lesser)


@compiled_inline
def cell(axis: Any, size: int, value: float) -> int:
    """Index i of the cell with axis[i] <= value <= axis[i + 1], clipped to the axis (bisection)."""
    low, high = 0, size - 1
    while high - low > 1:
        middle = (low + high) >> 1
        if axis[middle] <= value:
            low = middle
        else:
            high = middle
    return low


@compiled_inline
def at(axis: Any, size: int, values: Any, x: float) -> float:
    """Value at x of the piecewise linear function through (axis, values); the end values outside."""
    if x <= axis[0]:
        return values[0]
    if x >= axis[size - 1]:
        return values[size - 1]
    i = cell(axis, size, x)
    weight = (x - axis[i]) / (axis[i + 1] - axis[i])
    return values[i] + weight * (values[i + 1] - values[i])


@compiled_inner
def row_at(axis: Any, size: int, table: Any, columns: int, x: float, out: Any) -> None:
    """Row of a table at x of its first axis: out[q] interpolated between the two neighbouring rows."""
    x = min(max(x, axis[0]), axis[size - 1])
    i = cell(axis, size, x)
    weight = (x - axis[i]) / (axis[i + 1] - axis[i])
    for q in range(columns):
        out[q] = table[i, q] + weight * (table[i + 1, q] - table[i, q])
