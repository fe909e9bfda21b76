"""Detail of a picture as fields of stops: what to brighten each pixel by to change its texture.

All of it is read from the lightness of the scene, ``l = log2(sqrt(Y² + DARK²))`` in stops, and
acts as a gain of light, so that colour stays and gains commute. A field is a ``Density`` whose
values may be negative. Knows arrays only.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import exact, f32, inlined, log2
from pipeline.kernels.masks import (
    NOWHERE,
    Box,
    Density,
    Grid,
    Scene,
    box_mean,
    laid_over,
    spline_window,
)
from pipeline.kernels.spaces import luminance_weights

DARK = 2.0**-10
"""Linear level below which differences fade, so that noise in black is no detail."""
_RED, _GREEN, _BLUE = (f32(weight) for weight in luminance_weights("working"))

EDGE_STOPS = 0.2
"""Stops of difference from which something is an edge, which stays as it is. Ours, no source."""

OVERSHOOT = 0.08
"""Stops by which sharpening may go beyond the brightest and darkest of the 3 × 3 pixels around: 6 %
of their light. Ours, no source."""
ROOM = 3.0
"""How many times the energy of noise detail must have before any of it counts: over nine pixels,
noise alone reaches twice its mean often. Ours, no source."""
BINS = 12
BRIGHTEST = 2.0
"""Stops about 1 that the brightest of the bins of a noise level has; they are one stop wide."""
CALM = 0.1
"""Quantile of detail over blocks of one brightness that is taken for noise."""


def lightness(planes: Float32) -> Float32:
    """Stops about 1 of working planes (3, rows, columns); what is no number is as black."""
    out: Float32 = np.empty(planes.shape[1:], np.float32)
    _lightness(*planes, out)
    return out


class Base(NamedTuple):
    """A picture without detail finer than a radius, as ``slope · l + offset``, and what it was.

    All of one shape: that of the reduced picture.
    """

    slope: Float32
    offset: Float32
    lightness: Float32


def base_of(picture: Float32, radius: int) -> Base:
    """The base of a reduced picture (3, h, w) by the guided filter, guided by itself.

    He, Sun and Tang (TPAMI 35(6), 2013) with ``epsilon = EDGE_STOPS²``: over boxes of ``2 radius +
    1`` samples what varies less than that is flattened, and what varies more stays.
    """
    light = lightness(picture)
    own = light.astype(np.float64)
    mean = box_mean(own, radius)
    variance = box_mean(own * own, radius) - mean * mean
    slope = variance / (variance + EDGE_STOPS**2)
    offset = mean - slope * mean
    slope, offset = box_mean(slope, radius), box_mean(offset, radius)
    return Base(slope.astype(np.float32), offset.astype(np.float32), light)


def softening(grid: Grid, base: Base, amount: float) -> Density:
    """Takes away what lies between a picture and its base: ``-amount (l - base)``."""
    rows, columns = base.lightness.shape
    by = grid.down * rows / grid.height, grid.across * columns / grid.width
    kept = f32(-amount) * (f32(1) - base.slope)
    offset = f32(amount) * base.offset

    def inside(window: Box, scene: Scene | None) -> Float32:
        assert scene is not None
        field = spline_window(kept, window, *by)
        field *= lightness(scene(window))
        field += spline_window(offset, window, *by)
        return field

    return Density(grid, grid.box, inside, reads_scene=True)


def local_contrast(grid: Grid, base: Base, amount: float) -> Density:
    """More of what lies between the reduced picture and its base: ``amount (l - base)``.

    Read at reduced scale, so that grain stays what it is.
    """
    detail = base.lightness * (f32(1) - base.slope) - base.offset
    return laid_over(grid, np.asarray(f32(amount) * detail, np.float32))


# --- sharpening -----------------------------------------------------------------------------------


def halo_px(sigma_px: float) -> int:
    """How many pixels around must be known to sharpen one."""
    return math.ceil(3 * sigma_px) + 2


def sharpening(grid: Grid, sigma_px: float, amount: float, noise: Float32) -> Density:
    """More of the detail that a Gaussian of ``sigma_px`` takes away, less of it where it is noise.

    With ``e = l - G l`` and n its noise at this brightness, ``amount e · max(1 - ROOM n² / E, 0)``,
    E the mean of e² over 3 × 3 pixels: Wiener's filter, on the safe side. ``l`` plus the field
    stays within ``OVERSHOOT`` of the brightest and the darkest l of the 3 × 3 pixels around.
    ``noise`` is that of ``noise_of``. On a grid of larger samples than pixels: nothing.
    """
    if max(grid.down, grid.across) > 1:
        return Density(grid, NOWHERE, lambda window, _scene: np.zeros(window.shape, np.float32))
    halo = halo_px(sigma_px)
    weights = _gaussian(sigma_px)

    def inside(window: Box, scene: Scene | None) -> Float32:
        assert scene is not None
        wanted = window.grown(halo)
        known = wanted.meet(grid.box)
        light = lightness(scene(known))
        rows = known.top - wanted.top, wanted.bottom - known.bottom
        columns = known.left - wanted.left, wanted.right - known.right
        if any((*rows, *columns)):
            light = np.pad(light, (rows, columns), mode="edge")
        out: Float32 = np.empty(window.shape, np.float32)
        _sharpen(light, _detail(light, weights), halo, noise, f32(amount), out)
        return out

    return Density(grid, grid.box, inside, reads_scene=True, halo=halo)


def noise_of(windows: list[Float32], sigma_px: float) -> Float32:
    """The noise level of the detail that a Gaussian takes away, as ``noise_levels`` finds it.

    From some ``windows`` (3, rows, columns) of the scene at full size.
    """
    weights = _gaussian(sigma_px)
    margin = len(weights) // 2
    lights = [lightness(window) for window in windows]
    details = [_detail(light, weights)[margin:-margin, margin:-margin] for light in lights]
    return noise_levels([light[margin:-margin, margin:-margin] for light in lights], details)


def noise_levels(lights: list[Float32], details: list[Float32]) -> Float32:
    """The variance of noise in some detail, by the stops about 1 of the light there, (BINS,).

    The lower envelope over blocks of 8 × 8 pixels of one brightness, as Liu, Freeman, Szeliski and
    Kang find a noise level function ("Noise estimation from a single image", CVPR 2006). Bins
    without blocks are as the nearest one. ``noise_at`` reads it.
    """
    brightness = np.concatenate([np.empty(0), *map(_blocks, lights)])
    variance = np.concatenate([np.empty(0), *(_blocks(detail * detail) for detail in details)])
    place = np.clip(np.floor(brightness - BRIGHTEST + BINS), 0, BINS - 1).astype(np.int64)
    found = np.full(BINS, np.nan)
    for index in range(BINS):
        inside = variance[place == index]
        if inside.size >= 16:
            found[index] = np.quantile(inside, CALM)
    known = np.flatnonzero(np.isfinite(found))
    if not known.size:
        return np.zeros(BINS, np.float32)
    return np.asarray(np.interp(np.arange(BINS), known, found[known]), np.float32)


def _gaussian(sigma: float) -> Float32:
    radius = math.ceil(3 * sigma)
    weights = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    return np.asarray(weights / weights.sum(), np.float32)


def _detail(light: Float32, weights: Float32) -> Float32:
    """``l - G l``; wrong within the kernel's reach of the borders, where it is 0."""
    out: Float32 = np.zeros_like(light)
    _difference(light, weights, out)
    return out


def _blocks(values: Float32, side: int = 8) -> NDArray[np.float64]:
    rows, columns = (length // side for length in values.shape)
    parts = values[: rows * side, : columns * side].reshape(rows, side, columns, side)
    return np.asarray(parts.mean(axis=(1, 3), dtype=np.float64).ravel(), np.float64)


# --- the loops ------------------------------------------------------------------------------------


@exact
def _lightness(r, g, b, out):
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            y = _RED * r[i, j] + _GREEN * g[i, j] + _BLUE * b[i, j]
            y = min(y, f32(1e6)) if y > f32(0) else f32(0)  # NaN fails this too
            out[i, j] = f32(0.5) * log2(y * y + f32(DARK * DARK))


@exact
def _difference(light, weights, out):
    rows, columns = light.shape
    taps = weights.size
    radius = taps // 2
    line = np.empty(columns, np.float32)
    for i in range(radius, rows - radius):
        line[:] = f32(0)
        for k in range(taps):
            weight, row = weights[k], light[i + k - radius]
            for j in range(columns):
                line[j] += weight * row[j]
        target = out[i, radius : columns - radius]
        own = light[i, radius : columns - radius]
        for j in range(target.size):
            target[j] = own[j]
        for k in range(taps):
            weight, shifted = weights[k], line[k : k + target.size]
            for j in range(target.size):
                target[j] -= weight * shifted[j]


@inlined
def noise_at(noise, stops):
    """A noise level at a brightness, straight between the middles of the bins."""
    at = min(max(stops - f32(BRIGHTEST) + f32(BINS) - f32(0.5), f32(0)), f32(BINS - 1))
    bin_ = min(np.int32(at), np.int32(BINS - 2))
    return noise[bin_] + (at - f32(bin_)) * (noise[bin_ + 1] - noise[bin_])


@exact
def _sharpen(light, detail, halo, noise, amount, out):
    columns = out.shape[1]
    low, high = np.empty(columns + 2, np.float32), np.empty(columns + 2, np.float32)
    energy = np.empty(columns + 2, np.float32)
    for i in range(out.shape[0]):
        y = i + halo
        above = light[y - 1, halo - 1 : halo + columns + 1]
        row = light[y, halo - 1 : halo + columns + 1]
        below = light[y + 1, halo - 1 : halo + columns + 1]
        over = detail[y - 1, halo - 1 : halo + columns + 1]
        here = detail[y, halo - 1 : halo + columns + 1]
        under = detail[y + 1, halo - 1 : halo + columns + 1]
        for j in range(columns + 2):
            low[j] = min(above[j], row[j], below[j])
            high[j] = max(above[j], row[j], below[j])
            energy[j] = over[j] * over[j] + here[j] * here[j] + under[j] * under[j]
        for j in range(columns):
            variance = noise_at(noise, row[j + 1])
            mean = (energy[j] + energy[j + 1] + energy[j + 2]) * f32(1 / 9)
            kept = max(f32(1) - f32(ROOM) * variance / (mean + f32(1e-12)), f32(0))
            wanted = row[j + 1] + amount * kept * here[j + 1]
            floor = min(low[j], low[j + 1], low[j + 2]) - f32(OVERSHOOT)
            ceiling = max(high[j], high[j + 1], high[j + 2]) + f32(OVERSHOOT)
            out[i, j] = min(max(wanted, floor), ceiling) - row[j + 1]
