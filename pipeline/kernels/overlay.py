"""Draws masks over a picture: hatching that is denser where a mask is, and its outlines.

Every line has a light core between dark borders, so that it shows on any ground and adds no colour
of its own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32

Float64 = NDArray[np.float64]

SPACING_PX = 11.0
"""From the middle of one line of the hatching to the next, along the rows."""
WIDEST = 0.34
"""Half of a line's width over their spacing, where the density is 1."""
HATCHING = 0.62
"""How much of a hatching line covers what is below."""
LIGHT, DARK = 250.0, 28.0
HALF = 0.5
BEGINS, FULL = 0.04, 0.96
"""Densities of the two thin lines: where a mask begins to count, and where it counts in full."""
STEEP = 0.2
"""Change of density a pixel above which an edge is one line."""
SOFTEN = np.array([1, 4, 6, 4, 1], np.float64) / 16


def overlaid(picture: NDArray[np.uint8], density: Float32) -> NDArray[np.uint8]:
    """The picture, (h, w, 3) uint8 in an output space, with a mask of (h, w), 0 to 1, drawn on it.

    The hatching's lines are as wide as the density says and stop where it is 0. A line is drawn
    where the density is one half, and thin ones where it begins and where it is full, unless the
    edge is too hard for them to lie apart.
    """
    out = picture.astype(np.float64)
    if density.size == 0:
        return picture.copy()
    smooth = _softened(density.astype(np.float64))
    height, width = density.shape
    y, x = np.mgrid[0:height, 0:width] + 0.5
    off = np.abs((x + y) % SPACING_PX - SPACING_PX / 2) / np.sqrt(2)
    half_width = WIDEST * SPACING_PX / np.sqrt(2) * smooth
    strength = HATCHING * np.minimum(smooth * 8, 1)
    out = _stroke(out, off, half_width, strength)
    slope = np.hypot(*np.gradient(smooth)) if min(height, width) > 1 else np.zeros_like(smooth)
    gentle = np.where(slope < STEEP, 0.75, 0.0)
    for level in (BEGINS, FULL):
        out = _stroke(out, _distance(smooth, slope, level), np.full_like(smooth, 1.0), gentle)
    whole = np.full_like(smooth, 1.0)
    out = _stroke(out, _distance(smooth, slope, HALF), 2.1 * whole, whole)
    return np.asarray(np.rint(out).clip(0, 255), np.uint8)


def drawn(picture: NDArray[np.uint8], off: Float64, half_width_px: float) -> NDArray[np.uint8]:
    """The picture, (h, w, 3) uint8, with a line where ``off``, (h, w) in pixels, is 0."""
    reach = np.full(off.shape, half_width_px)
    out = _stroke(picture.astype(np.float64), off, reach, np.ones(off.shape))
    return np.asarray(np.rint(out).clip(0, 255), np.uint8)


def _distance(density: Float64, slope: Float64, level: float) -> Float64:
    """About how far, in pixels, a density is from a level; far where it does not change."""
    return np.where(slope > 1e-3, np.abs(density - level) / np.maximum(slope, 1e-3), np.inf)


def _stroke(picture: Float64, off: Float64, half_width: Float64, strength: Float64) -> Float64:
    """A line about where ``off`` is 0: dark to its ``half_width``, light to half of that."""
    for shade, reach in ((DARK, half_width), (LIGHT, half_width / 2)):
        covered = np.clip(reach - off + 0.5, 0, 1) * np.minimum(2 * reach, 1) * strength
        picture = picture + covered[..., None] * (shade - picture)
    return picture


def _softened(values: Float64) -> Float64:
    """A slight blur, so that the noise of a mask by tones draws no outlines."""
    for axis in (0, 1):
        around = np.pad(values, [(2, 2) if axis == each else (0, 0) for each in (0, 1)], "edge")
        count = values.shape[axis]
        values = sum(
            weight * np.take(around, np.arange(k, k + count), axis)
            for k, weight in enumerate(SOFTEN)
        )
    return values
