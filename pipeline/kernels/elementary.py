"""Elementary functions in float32 that the compiler can vectorise, for use inside other kernels.

The library versions of ``log2``, ``exp2`` and ``cbrt`` are calls, one a pixel; these are plain
arithmetic on the bits. Every pixel of a chunk takes the same instructions, so results do not depend
on where a pixel lies.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numba.core import types
from numba.extending import intrinsic

from pipeline.kernels.compiled import compiled_kernels_folder

f32 = np.float32
i32 = np.int32
MOST_STOPS = 40.0
"""Above 1, in linear light: what is brighter counts as this bright, so that nothing overflows. A
white of any picture is some forty stops darker."""

FLAGS = {"contract", "nsz"}
"""The only liberties that kernels give the compiler: fused multiply-add, and the sign of zero."""


# numba takes this setting from its own module alone; an explicit wish of the user's comes first
numba.config.CACHE_DIR = str(compiled_kernels_folder())


def kernel(function: Any) -> Any:
    """Compile a kernel: cached on disk, without the interpreter's lock, IEEE but for ``FLAGS``."""
    return numba.njit(nogil=True, cache=True, fastmath=FLAGS, error_model="numpy")(function)


@kernel
def load_compiled():
    """Nothing: with the first kernel the library loads all that it needs to run any."""


def exact(function: Any) -> Any:
    """Compile to IEEE arithmetic by the letter: no fused operations.

    A loop gives the same bits whether it runs in vectors or not, so that a value cannot depend on
    where the part that is asked for begins or ends.
    """
    return numba.njit(nogil=True, cache=True, error_model="numpy")(function)


def inlined(function: Any) -> Any:
    """Compile a function that only exists inside kernels."""
    return numba.njit(nogil=True, inline="always", fastmath=FLAGS, error_model="numpy")(function)


@intrinsic
def _bits(_typing_context, _value):
    from llvmlite import ir

    def generate(_context, builder, _signature, arguments):
        return builder.bitcast(arguments[0], ir.IntType(32))

    return types.int32(types.float32), generate


@intrinsic
def _float(_typing_context, _value):
    from llvmlite import ir

    def generate(_context, builder, _signature, arguments):
        return builder.bitcast(arguments[0], ir.FloatType())

    return types.float32(types.int32), generate


@inlined
def cbrt(x):
    """Cube root of any float32, odd; relative error under 2e-7, absolute under 1e-13 at 0.

    A guess from a third of the exponent, then two Halley steps.
    """
    a = abs(x)
    y = _float(i32(_bits(f32(a)) // i32(3)) + i32(709921077))
    y3 = y * y * y
    y = y * ((y3 + a + a) / (y3 + y3 + a))  # the ratio first: at 0 the product underflows
    y3 = y * y * y
    y = y * ((y3 + a + a) / (y3 + y3 + a))  # the ratio first: at 0 the product underflows
    return y if x >= f32(0) else -y


@inlined
def log2(x):
    """Base 2 logarithm of a positive, normal float32; error under 2e-7 of the value or absolute.

    Mantissa m in [sqrt(1/2), sqrt(2)); log2(m) = 2/ln 2 * atanh((m - 1)/(m + 1)) as an odd series.
    """
    bits = _bits(f32(x))
    exponent = (bits - i32(0x3F3504F3)) >> i32(23)
    m = _float(bits - (exponent << i32(23)))
    z = (m - f32(1)) / (m + f32(1))
    z2 = z * z
    series = f32(0.3205988980) * z2 + f32(0.4121985831)
    series = series * z2 + f32(0.5770780164)
    series = series * z2 + f32(0.9617966939)
    series = series * z2 + f32(2.8853900818)
    return f32(exponent) + z * series


@inlined
def exp2(x):
    """2 to the power x in float32; x is clamped to [-126, 127]; relative error under 3e-7.

    2 ** fraction on [-1/2, 1/2] by its Taylor polynomial of degree 7, then the exponent's bits.
    """
    x = min(max(x, f32(-126)), f32(127))
    whole = f32(np.floor(x + f32(0.5)))
    t = (x - whole) * f32(0.6931471806)
    p = f32(1 / 5040) * t + f32(1 / 720)
    p = p * t + f32(1 / 120)
    p = p * t + f32(1 / 24)
    p = p * t + f32(1 / 6)
    p = p * t + f32(0.5)
    p = p * t + f32(1)
    p = p * t + f32(1)
    return p * _float((i32(whole) + i32(127)) << i32(23))


@inlined
def power(x, exponent):
    """x ** exponent for x >= 0 in float32; 0 gives 0."""
    return exp2(exponent * log2(max(x, f32(1.1754944e-38)))) if x > f32(0) else f32(0)
