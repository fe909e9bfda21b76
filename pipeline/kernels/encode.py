"""From the working space to the codes of a file, and from a master's codes back.

The only place where pixels are clipped. It knows spaces and bit depths, not files.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import f32, i32, inlined, kernel, power
from pipeline.kernels.oklab import from_oklab, to_oklab
from pipeline.kernels.spaces import SPACES, Float64, between_matrix

Bits = Literal[8, 16]
Codes = NDArray[np.uint8] | NDArray[np.uint16]
Numbers = tuple[np.float32, ...]
"""Coefficients go to kernels as tuples: read once, where elements of an array could be overwritten
by the loop for all that the compiler knows, which costs it the vector instructions."""

BLOCK = 1024
"""Pixels that are worked on at once: scratch of this length stays in the first-level cache, and
loops of constant length never fall back to scalar code, so that no pixel depends on its place."""
LANES = 64
GAMUT_TOLERANCE = 1e-6
"""How far beyond 0 to 1 a linear value counts as rounding of a colour on the gamut's surface."""
BISECTIONS = 18
NOISES_APART = 0x3C6EF372
"""Places in the sequence of noise between one ink and the next: farther than a picture is long."""
END = 1e-3
"""In 8-bit codes: a quarter of a 16-bit one."""
LEAST_INK = 129
"""In 16-bit codes: half a code of 8 bits, which rounding would take for none as well."""
HUGE = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class Encoding:
    """One output space and bit depth, prepared. ``mix`` and ``curve`` are what the kernels take.

    ``mix`` holds the six off-diagonal elements of the matrix from the working space, row by row.
    Its rows sum to 1 because white maps to white, so ``r + m01 (g - r) + m02 (b - r)`` is the same
    product, and takes a grey to exactly that grey.
    ``curve`` is the largest code, the exponent, slope and cut of the space's ``Transfer``, and its
    upper part as a polynomial in the fourth root of the linear value.
    """

    space: str
    bits: Bits
    mix: Numbers
    curve: tuple[Any, ...]

    def write(
        self, r: Float32, g: Float32, b: Float32, out: Codes, *, first_pixel: int = 0
    ) -> None:
        """Encode a run of pixels into ``out``, shape (n, 3), uint8 or uint16 as ``bits`` says.

        ``r``, ``g``, ``b`` are contiguous linear working values of length n, left unchanged; any
        float is allowed (NaN becomes black). ``first_pixel`` is the place of the first one in its
        picture, row after row: the dither of 8 bits is a function of it, so that however a picture
        is cut into runs, it comes out the same.

        Colours inside the space's gamut are converted exactly (within 0.51 of a code at 16 bits).
        One outside keeps its OKLCh hue and lightness and loses chroma until it fits; what is
        lighter than white becomes white.
        """
        scratch = np.empty((3, BLOCK), out.dtype)
        place = np.uint32(first_pixel & 0xFFFFFFFF)
        _encode(r, g, b, self.mix, self.curve, place, out, scratch)


def to_8_bits(codes: NDArray[np.uint16], out: NDArray[np.uint8], *, first_pixel: int = 0) -> None:
    """A run of 16-bit codes (n, channels) as 8-bit ones in ``out``, with the dither of ``write``.

    ``first_pixel`` is as there. What no code of 8 bits can say is left to the mean of an area, and
    0 and the largest code stay themselves. Three channels take the same noise, so that a grey stays
    grey. Four are inks: they take noises of their own, for inks that stray together would show as
    lightness; and less than ``LEAST_INK`` of one is none, so that no dots fall on white paper.
    """
    inks = codes.shape[1] == 4
    apart, least = np.uint32(NOISES_APART if inks else 0), np.uint16(LEAST_INK if inks else 0)
    place = np.uint32(first_pixel & 0xFFFFFFFF)
    _to_8_bits(codes, place, apart, least, out, np.empty(BLOCK, np.uint8))


@cache
def encoding_of(space: str, bits: Bits) -> Encoding:
    """The encoding for ``srgb``, ``display-p3``, ``adobe-rgb`` or ``romm-rgb`` at 8 or 16 bits."""
    transfer, top = SPACES[space].transfer, 2**bits - 1
    coefficients = _fitted(
        lambda root: top * ((1 + transfer.a) * root ** (4 / transfer.gamma) - transfer.a),
        transfer.cut**0.25,
    )
    scalars = _numbers(top, 1 / transfer.gamma, top * transfer.slope, transfer.cut)
    return Encoding(space, bits, _mix("working", space), (*scalars, coefficients))


def decode_romm16(codes: NDArray[np.uint16], r: Float32, g: Float32, b: Float32) -> None:
    """Linear working values of a run of 16-bit ROMM RGB codes (n, 3), into ``r``, ``g``, ``b``.

    The inverse of ``encoding_of("romm-rgb", 16)``, unclipped: encoding again gives every code back.
    """
    _decode(codes, _mix("romm-rgb", "working"), *_romm_decoder(), r, g, b)


@cache
def _romm_decoder() -> tuple[Numbers, Numbers]:
    transfer = SPACES["romm-rgb"].transfer
    cut = transfer.slope * transfer.cut
    # code ** 1.8 = code * root ** 1.6 with root = code ** 0.5: the factor keeps dark codes exact
    coefficients = _fitted(lambda root: root ** (2 * transfer.gamma - 2), cut**0.5)
    return _numbers(1 / transfer.slope, cut), coefficients


def _fitted(function: Callable[[Float64], Float64], low: float) -> Numbers:
    """A polynomial of degree 12 in ``root - 1`` for a function of a root between ``low`` and 1.

    A power of a number is smooth in its roots, so that interpolation at Chebyshev's points is
    as exact as float32; measured from 1, so that white is exact.
    """
    fit = Chebyshev.interpolate(function, 12, [low, 1]).convert(kind=Polynomial)
    return _numbers(*fit(Polynomial([1, 1])).coef)


@cache
def _mix(source: str, target: str) -> Numbers:
    matrix = between_matrix(source, target)
    return _numbers(*matrix[~np.eye(3, dtype=bool)])


def _numbers(*values: float) -> Numbers:
    return tuple(np.float32(value) for value in values)


@inlined
def _mixed(mix, r, g, b):
    rg, rb, gr, gb, br, bg = mix
    return (
        r + rg * (g - r) + rb * (b - r),
        g + gr * (r - g) + gb * (b - g),
        b + br * (r - b) + bg * (g - b),
    )


@inlined
def _outside(x, y, z):
    far, middle = f32(0.5 + GAMUT_TOLERANCE), f32(0.5)
    # written so that NaN is outside
    inside = (abs(x - middle) <= far) & (abs(y - middle) <= far) & (abs(z - middle) <= far)
    return not inside


@kernel
def _bring_in(r, g, b, places, mix, x, y, z):
    """Replace the target values of the pixels at ``places`` by their nearest colour in gamut.

    Bisection on how much of the chroma stays, ``LANES`` pixels side by side.
    """
    lightness, kept = np.empty(LANES, np.float32), np.empty(LANES, np.float32)
    a_axis, b_axis = np.empty(LANES, np.float32), np.empty(LANES, np.float32)
    count = places.size
    for first in range(0, count, LANES):
        for lane in range(LANES):
            place = places[min(first + lane, count - 1)]
            # bounded, so that an infinity is only very bright; NaN is not brought in but made black
            red = min(max(r[place], f32(-HUGE)), f32(HUGE))
            green = min(max(g[place], f32(-HUGE)), f32(HUGE))
            blue = min(max(b[place], f32(-HUGE)), f32(HUGE))
            lightness[lane], a_axis[lane], b_axis[lane] = to_oklab(red, green, blue)
            kept[lane] = f32(0)
        step = f32(0.5)
        for _ in range(BISECTIONS):
            for lane in range(LANES):
                more = kept[lane] + step
                red, green, blue = from_oklab(
                    lightness[lane], more * a_axis[lane], more * b_axis[lane]
                )
                red, green, blue = _mixed(mix, red, green, blue)
                kept[lane] = kept[lane] if _outside(red, green, blue) else more
            step *= f32(0.5)
        for lane in range(min(LANES, count - first)):
            place = places[first + lane]
            red, green, blue = from_oklab(
                lightness[lane], kept[lane] * a_axis[lane], kept[lane] * b_axis[lane]
            )
            red, green, blue = _mixed(mix, red, green, blue)
            if lightness[lane] >= f32(1):
                red, green, blue = f32(1), f32(1), f32(1)
            if not lightness[lane] > f32(0):
                red, green, blue = f32(0), f32(0), f32(0)
            x[place], y[place], z[place] = red, green, blue


@kernel
def _fill(run, work):
    """A run of at most ``BLOCK`` pixels into scratch of exactly that length, the rest black."""
    for i in range(run.size):
        work[i] = run[i]
    for i in range(run.size, BLOCK):
        work[i] = f32(0)


@kernel
def _to_target(red, green, blue, mix, x, y, z, places):
    """Linear target values of one block, every one inside the gamut."""
    outside = i32(0)
    for i in range(BLOCK):
        x[i], y[i], z[i] = _mixed(mix, red[i], green[i], blue[i])
        outside |= i32(_outside(x[i], y[i], z[i]))
    if outside:
        found = 0
        for i in range(BLOCK):
            if _outside(x[i], y[i], z[i]):
                places[found] = i
                found += 1
        _bring_in(red, green, blue, places[:found], mix, x, y, z)


@inlined
def _polynomial(coefficients, x):
    c0, c1, c2, c3, c4, c5, c6, c7, c8, c9, c10, c11, c12 = coefficients
    p = c12 * x + c11
    p = p * x + c10
    p = p * x + c9
    p = p * x + c8
    p = p * x + c7
    p = p * x + c6
    p = p * x + c5
    p = p * x + c4
    p = p * x + c3
    p = p * x + c2
    p = p * x + c1
    return p * x + c0


@kernel
def _to_codes(values, curve):
    """Linear values of a block to codes that are not rounded yet, in place."""
    top, exponent, slope, cut, coefficients = curve
    if cut > f32(0):
        for i in range(BLOCK):
            x = min(max(values[i], f32(0)), f32(1))
            upper = _polynomial(coefficients, np.sqrt(np.sqrt(x)) - f32(1))
            values[i] = slope * x if x < cut else upper
    else:
        for i in range(BLOCK):
            values[i] = top * power(min(max(values[i], f32(0)), f32(1)), exponent)


@kernel
def _interleave(first, second, third, out):
    flat = out.reshape(-1)
    for i in range(out.shape[0]):
        flat[3 * i] = first[i]
        flat[3 * i + 1] = second[i]
        flat[3 * i + 2] = third[i]


@kernel
def _encode(r, g, b, mix, curve, first_pixel, out, codes):
    """``codes``, (3, BLOCK), is scratch of the output's type, which decides whether to dither."""
    work, target = np.empty((3, BLOCK), np.float32), np.empty((3, BLOCK), np.float32)
    places = np.empty(BLOCK, np.int32)
    for start in range(0, r.size, BLOCK):
        run = slice(start, start + BLOCK)
        _fill(r[run], work[0])
        _fill(g[run], work[1])
        _fill(b[run], work[2])
        _to_target(work[0], work[1], work[2], mix, target[0], target[1], target[2], places)
        for channel in range(3):
            _to_codes(target[channel], curve)
            if codes.itemsize == 1:
                _dither(target[channel], np.uint32(first_pixel + np.uint32(start)), codes[channel])
            else:
                _round(target[channel], codes[channel])
        _interleave(codes[0], codes[1], codes[2], out[run])


@kernel
def _round(values, codes):
    for i in range(BLOCK):
        codes[i] = i32(values[i] + f32(0.5))


@inlined
def _uniform(index):
    """A number in [0, 1) that is a function of an index: a 32-bit integer hash of low bias."""
    h = np.uint32(index)
    h = np.uint32((h ^ (h >> np.uint32(16))) * np.uint32(0x7FEB352D))
    h = np.uint32((h ^ (h >> np.uint32(15))) * np.uint32(0x846CA68B))
    h = np.uint32(h ^ (h >> np.uint32(16)))
    return f32(i32(h >> np.uint32(8))) * f32(1 / 16777216)


@kernel
def _dither(values, first_pixel, codes):
    """Round codes of 0 to 255 after adding noise, so that their mean over an area is kept.

    The noise is the difference of two neighbouring uniform numbers: triangular within one code,
    which keeps mean and variance of the error constant, and weak at low frequencies (Lipshitz,
    Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40(5) 1992). Within one code of black and white it is
    uniform within half a code: as true to the mean, and never beyond the ends. What is nearer to
    white than ``END`` is white, which a sum of weights may miss by a last bit and which must have
    no specks. All channels of a pixel take the same noise, so that a grey stays grey.
    """
    for i in range(BLOCK):
        index = np.uint32(first_pixel + np.uint32(i))
        own = _uniform(index)
        triangular = own - _uniform(np.uint32(index + np.uint32(1)))
        value = f32(255) if values[i] > f32(255 - END) else values[i]
        near_end = (value < f32(1)) | (value > f32(254))
        noise = own - f32(0.5) if near_end else triangular
        codes[i] = i32(min(max(value + noise + f32(0.5), f32(0)), f32(255)))


@kernel
def _to_8_bits(codes, first_pixel, apart, least, out, channel_codes):
    count, channels = codes.shape
    values = np.empty(BLOCK, np.float32)
    for start in range(0, count, BLOCK):
        size = min(BLOCK, count - start)
        for channel in range(channels):
            for i in range(size):
                code = codes[start + i, channel]
                # exact where 8 bits are
                values[i] = f32(code) / f32(257) if code >= least else f32(0)
            for i in range(size, BLOCK):
                values[i] = f32(0)
            place = np.uint32(first_pixel + np.uint32(start) + np.uint32(channel) * apart)
            _dither(values, place, channel_codes)
            for i in range(size):
                out[start + i, channel] = channel_codes[i]


@kernel
def _decode(codes, mix, toe, coefficients, r, g, b):
    scale, cut = toe
    linear = np.empty((3, BLOCK), np.float32)
    red, green, blue = linear[0], linear[1], linear[2]
    for start in range(0, r.size, BLOCK):
        run = slice(start, start + BLOCK)
        count = codes[run].shape[0]
        flat = codes[run].reshape(-1)
        for i in range(count):
            red[i] = f32(flat[3 * i])
            green[i] = f32(flat[3 * i + 1])
            blue[i] = f32(flat[3 * i + 2])
        for channel in range(3):
            values = linear[channel]
            for i in range(BLOCK):
                code = values[i] * f32(1 / 65535)
                upper = code * _polynomial(coefficients, np.sqrt(code) - f32(1))
                values[i] = code * scale if code < cut else upper
        for i in range(BLOCK):
            red[i], green[i], blue[i] = _mixed(mix, red[i], green[i], blue[i])
        _spill(red, r[run])
        _spill(green, g[run])
        _spill(blue, b[run])


@kernel
def _spill(block, out):
    for i in range(out.size):
        out[i] = block[i]
