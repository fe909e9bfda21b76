"""Grain: noise of one size in the picture, whatever the size of the file that is made from it.

A value of its own for every pixel of the frame, from its place alone (an integer hash: Wellons,
"Prospecting for hash functions", 2018), blurred to grains. So a strip has the grain that the whole
picture has there, on any number of threads.
"""

from __future__ import annotations

import numpy as np

from pipeline.frame import Float32
from pipeline.kernels.elementary import exact, f32, kernel
from pipeline.kernels.masks import Box, Density, Grid, Scene
from pipeline.kernels.spaces import luminance_weights

WIDEST = 4.0
"""Standard deviations of noise that a field can hold to either side."""
HALF_HEIGHT = 2.3548
"""Width of a Gaussian at half its height, in its standard deviations."""
BYTES_STD = float(np.sqrt(4 * (256**2 - 1) / 12))
"""Of the sum of the four bytes of a hash, which is nearly normal (Irwin and Hall)."""
_RED, _GREEN, _BLUE = (f32(weight) for weight in luminance_weights("working"))
DARKEST = f32(1e-4)


def grain_field(grid: Grid, size: float, seed: int) -> Density:
    """Noise of mean 0.5 and standard deviation ``1 / (2 WIDEST)``, in whole pixels of the frame.

    ``size`` is the width of a grain, that of a Gaussian at half its height, in thousandths of the
    long side.
    """
    sigma_px = size / 1000 * grid.long_side / HALF_HEIGHT
    radius = int(np.ceil(3 * sigma_px))
    weights = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma_px) ** 2)
    weights /= weights.sum()
    # what blurring leaves of the deviation, along both axes
    scale = 1 / (2 * WIDEST * BYTES_STD * np.sum(weights**2))

    def inside(window: Box, _scene: Scene | None) -> Float32:
        rows, columns = window.shape
        wide = np.empty((rows + 2 * radius, columns + 2 * radius), np.float32)
        _noise(window.top - radius, window.left - radius, seed, wide)
        across = np.empty((wide.shape[0], columns), np.float32)
        out = np.empty((rows, columns), np.float32)
        _blur(wide, weights.astype(np.float32), across, out)
        field = f32(0.5) + f32(scale) * out
        return np.asarray(np.clip(field, f32(1e-3), f32(1)), np.float32)

    return Density(grid, grid.box, inside)


@exact
def _noise(top, left, seed, out):
    """Sums of four bytes around 0 for pixels from a place on."""
    mask = np.uint64(0xFFFFFFFF)
    for y in range(out.shape[0]):
        row = (np.uint64(y + top + (1 << 20)) * np.uint64(0x9E3779B1) + np.uint64(seed)) & mask
        for x in range(out.shape[1]):
            h = (row ^ (np.uint64(x + left + (1 << 20)) * np.uint64(0x85EBCA77))) & mask
            h = ((h ^ (h >> np.uint64(16))) * np.uint64(0x7FEB352D)) & mask
            h = ((h ^ (h >> np.uint64(15))) * np.uint64(0x846CA68B)) & mask
            h = h ^ (h >> np.uint64(16))
            total = 0
            for byte in range(4):
                total += int((h >> np.uint64(8 * byte)) & np.uint64(255))
            out[y, x] = f32(total - 510)


@exact
def _blur(wide, weights, across, out):
    for y in range(wide.shape[0]):
        for x in range(across.shape[1]):
            total = f32(0)
            for k in range(weights.size):
                total += weights[k] * wide[y, x + k]
            across[y, x] = total
    for y in range(out.shape[0]):
        out[y] = f32(0)
        for k in range(weights.size):
            for x in range(out.shape[1]):
                out[y, x] += weights[k] * across[y + k, x]


@kernel
def add_grain(r, g, b, field, strength):
    """Grain on float32 working vectors r, g, b, in place; colours keep their hue and chroma ratio.

    With x the square root of luminance, near to lightness, and n the noise, of standard deviation
    1: ``y = x + 4 strength x (1 - x) n``, strongest in the middle, none in black and white (common
    practice, no source). The light y² is divided by what noise adds to its mean, ``1 + (4 strength
    (1 - x))²``: where grain melts together, from afar or in a smaller file, light adds up, and the
    picture must not be lighter for it.
    """
    for i in range(r.size):
        luminance = _RED * r[i] + _GREEN * g[i] + _BLUE * b[i]
        x = np.sqrt(max(luminance, f32(0)))
        noise = (field[i] - f32(0.5)) * f32(2 * WIDEST)
        share = f32(4) * strength * max(f32(1) - x, f32(0))
        ratio = max(f32(1) + share * noise, f32(0))
        gain = ratio * ratio / (f32(1) + share * share) if x > DARKEST else f32(1)
        r[i] *= gain
        g[i] *= gain
        b[i] *= gain
