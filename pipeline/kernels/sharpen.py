"""Unsharp masking of a picture at its final size, on linear working planar float32.

It changes how light each pixel is, never its colour, and knows nothing of what the picture is for.
"""

from __future__ import annotations

import numpy as np

from pipeline.frame import Float32
from pipeline.kernels.elementary import f32, kernel
from pipeline.kernels.spaces import luminance_weights

_RED, _GREEN, _BLUE = (f32(weight) for weight in luminance_weights("working"))
LIGHTER, DARKER = 0.12, 0.22
"""How far sharpening goes beyond the lightest and the darkest around, as shares of their luminance:
about 5 L* at a contrast of 4:1. A light line beside an edge is seen sooner than a dark one. Common
practice, no source."""

_CEILING, _FLOOR = f32(1 + LIGHTER), f32(1 - DARKER)
DARKEST = 1e-8
"""Luminance below which there is nothing to sharpen; keeps ratios finite."""


def gaussian(sigma_px: float) -> Float32:
    """The weights that a row or a column is blurred by, about the middle one; their sum is 1."""
    radius = halo_px(sigma_px)
    weights = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma_px) ** 2)
    scaled: Float32 = (weights / weights.sum()).astype(np.float32)
    return scaled


def halo_px(sigma_px: float) -> int:
    """How many rows above and below must be known to sharpen a row."""
    return max(1, int(np.ceil(3 * sigma_px)))


def unsharp_rows(
    window: Float32, first: int, last: int, *, sigma_px: float, amount: float
) -> Float32:
    """Sharpened rows ``first`` up to ``last`` of a window, (3, rows, columns) linear working RGB.

    With x the luminance and G a Gaussian of ``sigma_px``: ``y = x + amount (x - G x)``. Detail of f
    cycles a pixel gains the modulation ``1 + amount (1 - exp(-2 π² sigma² f²))``. y is kept from
    ``1 - DARKER`` of the smallest to ``1 + LIGHTER`` of the largest x of the 3 × 3 neighbourhood,
    so that hard edges get no visible halo. All channels are scaled alike, so that hue and
    chromaticity stay; a picture of half the light is sharpened to half the light.

    ``window`` has ``halo_px(sigma_px)`` more rows on both sides, except where the picture ends;
    there the last row or column stands for those beyond. ``amount`` 0 gives the rows themselves.
    """
    if amount == 0:
        return window[:, first:last]
    out = np.empty((3, last - first, window.shape[2]), np.float32)
    _unsharp(window, first, gaussian(sigma_px), f32(amount), out)
    return out


@kernel
def _unsharp(window, first, gauss, amount, out):
    rows, width = window.shape[1], window.shape[2]
    radius = gauss.size // 2
    light = np.empty((rows, width), np.float32)
    for y in range(rows):
        r, g, b, x = window[0, y], window[1, y], window[2, y], light[y]
        for i in range(width):
            luminance = _RED * r[i] + _GREEN * g[i] + _BLUE * b[i]
            x[i] = max(luminance, f32(0))
    column = np.empty((3, width + 2 * radius), np.float32)
    soft, low, high = column[0], column[1], column[2]
    gain = np.empty(width, np.float32)
    for y in range(out.shape[1]):
        _down(light, first + y, gauss, soft, low, high)
        _across(light[first + y], gauss, soft, low, high, amount, gain)
        for channel in range(3):
            source, target = window[channel, first + y], out[channel, y]
            for i in range(width):
                target[i] = source[i] * gain[i]


@kernel
def _down(light, at, gauss, soft, low, high):
    """Blur, minimum and maximum down the columns around a row, its ends repeated into margins."""
    rows, width, radius = light.shape[0], light.shape[1], gauss.size // 2
    middle = slice(radius, radius + width)
    total, smallest, largest = soft[middle], low[middle], high[middle]
    total[:] = f32(0)
    for k in range(gauss.size):
        x, weight = light[min(max(at + k - radius, 0), rows - 1)], gauss[k]
        for i in range(width):
            total[i] += weight * x[i]
    above, x, below = light[max(at - 1, 0)], light[at], light[min(at + 1, rows - 1)]
    for i in range(width):
        smallest[i] = min(above[i], x[i], below[i])
        largest[i] = max(above[i], x[i], below[i])
    for row in (soft, low, high):
        for i in range(radius):
            row[i], row[radius + width + i] = row[radius], row[radius + width - 1]


@kernel
def _across(x, gauss, soft, low, high, amount, gain):
    """What each pixel of a row is multiplied by, from what ``_down`` found."""
    radius = gauss.size // 2
    gain[:] = f32(0)
    for k in range(gauss.size):
        shifted, weight = soft[k : k + x.size], gauss[k]
        for i in range(x.size):
            gain[i] += weight * shifted[i]
    low_left, low_at, low_right = low[radius - 1 :], low[radius:], low[radius + 1 :]
    high_left, high_at, high_right = high[radius - 1 :], high[radius:], high[radius + 1 :]
    for i in range(x.size):
        lowest = min(low_left[i], low_at[i], low_right[i])
        highest = max(high_left[i], high_at[i], high_right[i])
        sharp = x[i] + amount * (x[i] - gain[i])
        sharp = min(max(sharp, _FLOOR * lowest), _CEILING * highest)
        gain[i] = sharp / max(x[i], f32(DARKEST))
