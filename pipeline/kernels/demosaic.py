"""Bayer mosaics to linear RGB, strip by strip, along the direction in which colour changes least.

Pekkucuksen and Altunbasak, "Gradient based threshold free color filter array interpolation", ICIP
2010, run on square roots of linear light. Knows nothing of files, cameras or threads.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.elementary import f32, kernel

MARGIN = 10
"""How many rows and columns around a strip its values depend on."""

OFFSET = f32(0.01)
"""Added before the square root: it keeps noise around black from folding over, and tames the slope
of the root there."""


@kernel
def _mirrored(index, length):
    """An index inside a line, mirrored at both ends as often as needed, so that parity is kept."""
    period = 2 * (length - 1)
    index = abs(index) % period
    return index if index < length else period - index


@kernel
def _load(mosaic, black, scale, top, out):
    height, width = mosaic.shape
    for y in range(out.shape[0]):
        row = _mirrored(top - MARGIN + y, height)
        for x in range(out.shape[1]):
            column = _mirrored(x - MARGIN, width)
            value = f32(mosaic[row, column]) - black[row & 1, column & 1]
            out[y, x] = np.sqrt(max(value * scale[row & 1, column & 1] + OFFSET, f32(0)))


@kernel
def _differences(x, green_parity, h, v):
    rows, columns = x.shape
    for i in range(2, rows - 2):
        for j in range(2, columns - 2):
            sign = f32(0.25) if (i + j) & 1 == green_parity else f32(-0.25)
            twice = f32(2) * x[i, j]
            h[i, j] = sign * (
                twice - f32(2) * (x[i, j - 1] + x[i, j + 1]) + x[i, j - 2] + x[i, j + 2]
            )
            v[i, j] = sign * (
                twice - f32(2) * (x[i - 1, j] + x[i + 1, j]) + x[i - 2, j] + x[i + 2, j]
            )


@kernel
def _green(x, h, v, green_parity, delta):
    rows, columns = x.shape
    for i in range(7, rows - 7):
        for j in range(7, columns - 7):
            if (i + j) & 1 == green_parity:
                continue
            n = s = w = e = f32(1e-6)
            dn = ds = dw = de = f32(0)
            for a in range(5):
                dn += v[i - a, j]
                ds += v[i + a, j]
                dw += h[i, j - a]
                de += h[i, j + a]
                for b in range(-2, 3):
                    n += abs(v[i - a - 1, j + b] - v[i - a + 1, j + b])
                    s += abs(v[i + a - 1, j + b] - v[i + a + 1, j + b])
                    w += abs(h[i + b, j - a - 1] - h[i + b, j - a + 1])
                    e += abs(h[i + b, j + a - 1] - h[i + b, j + a + 1])
            n, s, w, e = f32(1) / (n * n), f32(1) / (s * s), f32(1) / (w * w), f32(1) / (e * e)
            total = (n + s + w + e) * f32(5)
            green = x[i, j] + (n * dn + s * ds + w * dw + e * de) / total
            low = min(x[i - 1, j], x[i + 1, j], x[i, j - 1], x[i, j + 1])
            high = max(x[i - 1, j], x[i + 1, j], x[i, j - 1], x[i, j + 1])
            slack = f32(0.5) * (high - low)
            delta[i, j] = min(max(green, low - slack), high + slack) - x[i, j]


@kernel
def _linear(root):
    return root * root - OFFSET


@kernel
def _colours(x, delta, red_row, red_column, out):
    _, rows, _ = out.shape
    width = x.shape[1] - 2 * MARGIN
    for y in range(rows):
        i = y + MARGIN
        red_line = (i & 1) == red_row
        own, other = (0, 2) if red_line else (2, 0)
        for k in range(width):
            j = k + MARGIN
            if ((i + j) & 1) == ((red_row + red_column) & 1):
                green = x[i, j] + delta[i, j]
                diagonal = (
                    delta[i - 1, j - 1]
                    + delta[i - 1, j + 1]
                    + delta[i + 1, j - 1]
                    + delta[i + 1, j + 1]
                ) * f32(0.25)
                out[own, y, k] = _linear(x[i, j])
                out[1, y, k] = _linear(green)
                out[other, y, k] = _linear(max(green - diagonal, f32(0)))
            else:
                green = x[i, j]
                out[1, y, k] = _linear(green)
                out[own, y, k] = _linear(
                    max(green - (delta[i, j - 1] + delta[i, j + 1]) * f32(0.5), f32(0))
                )
                out[other, y, k] = _linear(
                    max(green - (delta[i - 1, j] + delta[i + 1, j]) * f32(0.5), f32(0))
                )


def demosaic_strip(
    mosaic: NDArray[np.uint16],
    black: NDArray[np.float32],
    scale: NDArray[np.float32],
    red: tuple[int, int],
    top: int,
    out: NDArray[np.float32],
) -> None:
    """Interpolate rows ``top`` and on of a Bayer mosaic into ``out``.

    ``mosaic`` is the whole sensor, (height, width), both at least 2. ``black`` and ``scale``,
    (2, 2), give ``(sample - black) * scale`` by row and column parity: linear RGB, as-shot
    balanced, about 0 to 1. ``red`` is the parity of row and column where red lies. ``out`` is
    (3, rows, width or wider), linear; what lies right of the width is left alone.
    """
    width = mosaic.shape[1]
    rows = out.shape[1]
    shape = (rows + 2 * MARGIN, width + 2 * MARGIN)
    x = np.empty(shape, np.float32)
    _load(mosaic, black, scale, top, x)
    red_row, red_column = (red[0] + top) & 1, red[1] & 1
    h, v, delta = (
        np.zeros(shape, np.float32),
        np.zeros(shape, np.float32),
        np.zeros(shape, np.float32),
    )
    green_parity = (red_row + red_column + 1) & 1
    _differences(x, green_parity, h, v)
    _green(x, h, v, green_parity, delta)
    _colours(x, delta, red_row, red_column, out)


@kernel
def _bin(mosaic, black, scale, red, out):
    height, width = mosaic.shape
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            total = np.zeros(3, np.float32)
            for i in range(4):
                row = _mirrored(4 * y + i, height)
                for j in range(4):
                    column = _mirrored(4 * x + j, width)
                    plane = ((row + red[0]) & 1) + ((column + red[1]) & 1)
                    value = f32(mosaic[row, column]) - black[row & 1, column & 1]
                    total[plane] += value * scale[row & 1, column & 1]
            out[y, x, 0] = total[0] * f32(0.25)
            out[y, x, 1] = total[1] * f32(0.125)
            out[y, x, 2] = total[2] * f32(0.25)


def bin_mosaic(
    mosaic: NDArray[np.uint16],
    black: NDArray[np.float32],
    scale: NDArray[np.float32],
    red: tuple[int, int],
) -> NDArray[np.float32]:
    """The mosaic at a quarter scale, (h, w, 3) float32: the mean of each colour in 4 × 4 places.

    Rows and columns beyond a whole block are left out; arguments as in ``demosaic_strip``.
    """
    height, width = mosaic.shape
    out = np.empty((max(height // 4, 1), max(width // 4, 1), 3), np.float32)
    _bin(mosaic, black, scale, red, out)
    return out
