"""A colour table: tetrahedral interpolation in a cube of colours, and the encoding around it."""

from __future__ import annotations

import numpy as np

from pipeline.kernels.elementary import f32, i32, kernel, power


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


BLOCK = 1024
"""Pixels whose places are worked out before their colours are fetched: the first phase has neither
branches nor memory access and is vectorised, the second is nothing but fetches."""


@kernel
def look_up(r, g, b, lattice):
    """Replace float32 vectors r, g, b by a table's colours, in place.

    ``lattice`` is float32 of shape (n, n, n, 4), indexed [red, green, blue], over 0..1; values
    outside are held to its faces, NaN to 0. The fourth column only aligns each entry. Tetrahedral
    interpolation: Sakamoto and Itooka, US patent 4,275,413 (1981, expired). A pixel's cell is
    crossed from its low corner to its high one along the axes, the largest fraction first.
    """
    size = lattice.shape[0]
    last = f32(size - 1)
    colours = lattice.reshape(size * size * size, 4)
    by_red, by_green, by_blue = i32(size * size), i32(size), i32(1)
    across = by_red + by_green + by_blue
    corners = np.empty((4, BLOCK), np.int32)
    weights = np.empty((4, BLOCK), np.float32)
    p0, p1, p2, p3 = corners[0], corners[1], corners[2], corners[3]
    w0, w1, w2, w3 = weights[0], weights[1], weights[2], weights[3]
    for start in range(0, r.size, BLOCK):
        block = slice(start, start + BLOCK)
        red, green, blue = r[block], g[block], b[block]
        for i in range(red.size):
            # comparisons are written so that NaN fails them and becomes 0
            x = red[i] if red[i] > f32(0) else f32(0)
            y = green[i] if green[i] > f32(0) else f32(0)
            z = blue[i] if blue[i] > f32(0) else f32(0)
            x, y, z = min(x, f32(1)) * last, min(y, f32(1)) * last, min(z, f32(1)) * last
            ix = min(i32(x), i32(size - 2))
            iy = min(i32(y), i32(size - 2))
            iz = min(i32(z), i32(size - 2))
            x, y, z = x - f32(ix), y - f32(iy), z - f32(iz)
            more, less = max(x, y), min(x, y)
            high, middle, low = max(more, z), max(less, min(more, z)), min(less, z)
            first = (by_red if x >= y else by_green) if more >= z else by_blue
            final = (by_green if x >= y else by_red) if less < z else by_blue
            corner = ix * by_red + iy * by_green + iz
            p0[i], p1[i] = corner, corner + first
            p2[i], p3[i] = corner + across - final, corner + across
            w0[i], w1[i], w2[i], w3[i] = f32(1) - high, high - middle, middle - low, low
        for i in range(red.size):
            c0, c1, c2, c3 = p0[i], p1[i], p2[i], p3[i]
            u, v, s, t = w0[i], w1[i], w2[i], w3[i]
            red[i] = (
                u * colours[c0, 0] + v * colours[c1, 0] + s * colours[c2, 0] + t * colours[c3, 0]
            )
            green[i] = (
                u * colours[c0, 1] + v * colours[c1, 1] + s * colours[c2, 1] + t * colours[c3, 1]
            )
            blue[i] = (
                u * colours[c0, 2] + v * colours[c1, 2] + s * colours[c2, 2] + t * colours[c3, 2]
            )


@kernel
def mix(r, g, b, r0, g0, b0, amount):
    """Mix float32 vectors r, g, b in place: ``amount`` of themselves, the rest of r0, g0, b0."""
    for i in range(r.size):
        r[i] = r0[i] + amount * (r[i] - r0[i])
        g[i] = g0[i] + amount * (g[i] - g0[i])
        b[i] = b0[i] + amount * (b[i] - b0[i])
