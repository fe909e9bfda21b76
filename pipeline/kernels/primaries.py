"""The ASC colour decision list: slope, offset, power for each primary, and saturation."""

from __future__ import annotations

from pipeline.kernels.elementary import MOST_STOPS, f32, kernel, power


@kernel
def decide(r, g, b, slope, offset, exponent, saturation, clamp):
    """Apply a colour decision list to float32 vectors r, g, b, in place.

    ASC CDL version 1.2: ``v = (in slope + offset) ^ power`` for each channel, then ``out = luma +
    saturation (v - luma)`` with ``luma = 0.2126 r + 0.7152 g + 0.0722 b``. With ``clamp`` values
    are held to 0..1 before the power and at the end, as the list's definition says; without it,
    values beyond stay and the power leaves negative values alone. ``slope``, ``offset`` and
    ``exponent`` are float32 of shape (3,).
    """
    zero, one = f32(0), f32(1)
    s0, s1, s2 = slope[0], slope[1], slope[2]
    o0, o1, o2 = offset[0], offset[1], offset[2]
    p0, p1, p2 = exponent[0], exponent[1], exponent[2]
    for i in range(r.size):
        x, y, z = r[i] * s0 + o0, g[i] * s1 + o1, b[i] * s2 + o2
        if clamp:
            x = min(max(x, zero), one)
            y = min(max(y, zero), one)
            z = min(max(z, zero), one)
        r[i], g[i], b[i] = x, y, z
    if p0 != one:
        _raise(r, p0)
    if p1 != one:
        _raise(g, p1)
    if p2 != one:
        _raise(b, p2)
    if saturation != one or clamp:
        for i in range(r.size):
            luma = f32(0.2126) * r[i] + f32(0.7152) * g[i] + f32(0.0722) * b[i]
            x = luma + saturation * (r[i] - luma)
            y = luma + saturation * (g[i] - luma)
            z = luma + saturation * (b[i] - luma)
            if clamp:
                x = min(max(x, zero), one)
                y = min(max(y, zero), one)
                z = min(max(z, zero), one)
            r[i], g[i], b[i] = x, y, z


@kernel
def _raise(values, exponent):
    for i in range(values.size):
        v = values[i]
        values[i] = min(power(v, exponent), f32(2.0**MOST_STOPS)) if v > f32(0) else v
