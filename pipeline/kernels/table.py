"""A colour table: tetrahedral interpolation in a cube of colours, and the encoding around it."""

from __future__ import annotations

import numpy as np

from pipeline.kernels.elementary import f32, kernel, power


@kernel
def encode(values, gamma, a, slope, cut):
    """Encode a float32 vector in place by a ``spaces.Transfer``, odd about 0."""
    inverse = f32(1) / gamma
    for i in range(values.size):
        v = values[i]
        m = abs(v)
        high = (f32(1) + a) * power(m, inverse) - a
        c = slope * m if m < cut else high
        values[i] = c if v >= f32(0) else -c


@kernel
def decode(values, gamma, a, slope, cut):
    """Decode a float32 vector in place by a ``spaces.Transfer``, odd about 0."""
    inverse_slope = f32(1) / slope if slope > f32(0) else f32(1)
    scale = f32(1) / (f32(1) + a)
    knee = slope * cut
    for i in range(values.size):
        v = values[i]
        m = abs(v)
        high = power((m + a) * scale, gamma)
        c = m * inverse_slope if m < knee else high
        values[i] = c if v >= f32(0) else -c


@kernel
def look_up(r, g, b, lattice):
    """Replace float32 vectors r, g, b by a table's colours, in place.

    ``lattice`` is float32 of shape (n, n, n, 4), indexed [red, green, blue], over 0..1; values
    outside are held to its faces, NaN to 0. The fourth column only aligns each entry. Tetrahedral
    interpolation: Sakamoto and Itooka, US patent 4,275,413 (1981, expired).
    """
    size = lattice.shape[0]
    count = r.size
    last = f32(size - 1)
    flat = lattice.reshape(size * size * size, 4)
    step_r, step_g, step_b = size * size, size, 1
    base = np.empty(count, np.int32)
    for i in range(count):
        # comparisons are written so that NaN fails them and becomes 0
        x = r[i] if r[i] > f32(0) else f32(0)
        y = g[i] if g[i] > f32(0) else f32(0)
        z = b[i] if b[i] > f32(0) else f32(0)
        x, y, z = min(x, f32(1)) * last, min(y, f32(1)) * last, min(z, f32(1)) * last
        ix = min(np.int32(x), np.int32(size - 2))
        iy = min(np.int32(y), np.int32(size - 2))
        iz = min(np.int32(z), np.int32(size - 2))
        base[i] = (ix * np.int32(size) + iy) * np.int32(size) + iz
        r[i], g[i], b[i] = x - f32(ix), y - f32(iy), z - f32(iz)
    for i in range(count):
        x, y, z = r[i], g[i], b[i]
        # walk from the low corner to the high one along the axes, the largest fraction first
        if x >= y:
            if y >= z:
                high, middle, low, first, second = x, y, z, step_r, step_g
            elif x >= z:
                high, middle, low, first, second = x, z, y, step_r, step_b
            else:
                high, middle, low, first, second = z, x, y, step_b, step_r
        elif x >= z:
            high, middle, low, first, second = y, x, z, step_g, step_r
        elif y >= z:
            high, middle, low, first, second = y, z, x, step_g, step_b
        else:
            high, middle, low, first, second = z, y, x, step_b, step_g
        p0 = base[i]
        p1 = p0 + first
        p2 = p1 + second
        p3 = p0 + step_r + step_g + step_b
        w0, w1, w2 = f32(1) - high, high - middle, middle - low
        r[i] = w0 * flat[p0, 0] + w1 * flat[p1, 0] + w2 * flat[p2, 0] + low * flat[p3, 0]
        g[i] = w0 * flat[p0, 1] + w1 * flat[p1, 1] + w2 * flat[p2, 1] + low * flat[p3, 1]
        b[i] = w0 * flat[p0, 2] + w1 * flat[p1, 2] + w2 * flat[p2, 2] + low * flat[p3, 2]


@kernel
def mix(r, g, b, r0, g0, b0, amount):
    """Mix float32 vectors r, g, b in place: ``amount`` of themselves, the rest of r0, g0, b0."""
    for i in range(r.size):
        r[i] = r0[i] + amount * (r[i] - r0[i])
        g[i] = g0[i] + amount * (g[i] - g0[i])
        b[i] = b0[i] + amount * (b[i] - b0[i])
