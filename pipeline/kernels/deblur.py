"""The inverse of a small Gaussian, the blur of lens, filter and pixel, on linear planar float32.

It changes how light each pixel is, never its colour, and knows nothing of frames.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import exact, f32, log2
from pipeline.kernels.texture import noise_at, noise_levels

NOISE = 0.15
"""Power of noise beside a scene's ``1 / f²``, f in cycles a pixel: less wants more noise back."""
LIGHTER, DARKER = 0.08, 0.12
"""How far it goes beyond the lightest and the darkest of the 3 × 3 pixels around, as shares of
their luminance. Ours, no source."""
SWING = 0.25
"""The same as a share of the difference between the two, where that is more, since fine lines need
it; never by more than this share of their luminance. Ours, no source."""
ROOM = 4.0
"""How many times the energy of noise what blur took must have before any of it counts: over nine
pixels noise alone reaches twice its mean often, and single grains of it would stand out."""
GRID = 64
"""Samples of the spectrum each way that weights are fitted on."""
DARKEST, BRIGHTEST = 2.0**-14, 1e6
"""Luminance outside of which there is nothing to deblur; keeps ratios finite."""

Float64 = NDArray[np.float64]


def halo_px(sigma_px: float) -> int:
    """How many pixels around must be known to deblur one."""
    return _radius(sigma_px) + 1


def _radius(sigma_px: float) -> int:
    return math.ceil(2 + 2.5 * sigma_px)


@cache
def inverse(sigma_px: float) -> Float32:
    """A quarter of the weights that undo a Gaussian: (radius + 1, radius + 1) from the middle on.

    With ``g = exp(-2 π² sigma² f²)`` and h the transform of the weights, they minimise the sum of
    ``(h g - 1)² / f² + NOISE h²`` over all frequencies, and their sum is 1. It is Wiener's filter
    (Gonzalez and Woods, "Digital Image Processing": minimum mean square error filtering) of that
    many taps, for scenes whose power falls with ``1 / f²`` (Field, JOSA A 4(12), 1987). So ``h g``,
    what is left of a scene's modulation, is at most 1.03.
    """
    radius = _radius(sigma_px)
    down, across = np.meshgrid(*2 * [np.fft.fftfreq(GRID)], indexing="ij")
    squared = (down**2 + across**2).ravel()
    blur = np.exp(-2 * (np.pi * sigma_px) ** 2 * squared)
    scene = 1 / np.sqrt(np.maximum(squared, GRID**-2.0))
    # waves that are alike under all eight symmetries, each without its mean: the middle is the rest
    pairs = [(a, b) for a in range(1, radius + 1) for b in range(a + 1)]
    waves = np.stack([_wave(a, b, down, across).ravel() for a, b in pairs], axis=1)
    noise = math.sqrt(NOISE)
    equations = np.concatenate([waves * (blur * scene)[:, None], noise * waves])
    wanted = np.concatenate([(1 - blur) * scene, np.full(squared.size, -noise)])
    found = np.linalg.lstsq(equations, wanted, rcond=None)[0]
    quarter = np.zeros((radius + 1, radius + 1))
    for (a, b), weight in zip(pairs, found, strict=True):
        quarter[a, b] = quarter[b, a] = weight
    quarter[0, 0] = 1 - 4 * quarter[1:].sum()
    return np.asarray(quarter, np.float32)


def _wave(a: int, b: int, down: Float64, across: Float64) -> Float64:
    """The transform of a 1 at (a, b) and wherever mirroring takes it, less that of the middle."""
    places = {(i * p, j * q) for p, q in ((a, b), (b, a)) for i in (1, -1) for j in (1, -1)}
    waves = [np.cos(2 * np.pi * (p * down + q * across)) - 1 for p, q in places]
    return np.asarray(sum(waves), np.float64)


def luminance(planes: Float32, weights: Float32, margins: tuple[int, int, int, int]) -> Float32:
    """Light of (3, rows, columns) by three weights, the last pixels repeated into the margins.

    ``margins`` are rows above and below, columns left and right. What is no number is as black.
    """
    above, below, left, right = margins
    rows, columns = planes.shape[1:]
    light: Float32 = np.empty((above + rows + below, left + columns + right), np.float32)
    inner = light[above : above + rows, left : left + columns]
    _luminance(planes, weights, inner)
    for column in range(left):
        light[above : above + rows, column] = inner[:, 0]
    for column in range(left + columns, light.shape[1]):
        light[above : above + rows, column] = inner[:, -1]
    light[:above] = light[above]
    light[above + rows :] = light[above + rows - 1]
    return light


def missing(light: Float32, sigma_px: float) -> Float32:
    """What blur took of luminance, by ``inverse``: smaller by the radius on every side."""
    radius = _radius(sigma_px)
    out: Float32 = np.empty(tuple(side - 2 * radius for side in light.shape), np.float32)
    _missing(light, inverse(sigma_px), out)
    return out


def noise_of(lights: list[Float32], sigma_px: float) -> Float32:
    """The variance of noise in what blur took, by brightness, from parts of a frame's luminance."""
    radius = _radius(sigma_px)
    stops, found = [], []
    for light in lights:
        inner = light[radius:-radius, radius:-radius]
        stops.append(np.log2(np.maximum(inner, f32(DARKEST))))
        found.append(missing(light, sigma_px))
    return noise_levels(stops, found)


def deblur(
    planes: Float32,
    light: Float32,
    out: Float32,
    *,
    sigma_px: float,
    strength: float,
    noise: Float32,
) -> None:
    """Deblur (3, rows, columns) of linear RGB into ``out``; ``light`` is theirs and of a halo.

    With y the luminance, d what blur took of it, n² the noise of d at this brightness, as
    ``noise_of`` finds it, and E the mean of d² over 3 × 3 pixels:
    ``y' = y + strength d max(1 - ROOM n² / E, 0)``, Wiener's filter once more and on the safe side.
    y' goes beyond the 3 × 3 pixels around by ``LIGHTER``, ``DARKER`` or ``SWING`` and no more. All
    channels are scaled by ``y' / y``, so that hue and chromaticity stay.
    """
    _deblur(light, missing(light, sigma_px), halo_px(sigma_px), noise, f32(strength), planes, out)


@exact
def _luminance(planes, weights, out):
    red, green, blue = weights[0], weights[1], weights[2]
    for i in range(out.shape[0]):
        r, g, b, row = planes[0, i], planes[1, i], planes[2, i], out[i]
        for j in range(row.size):
            y = red * r[j] + green * g[j] + blue * b[j]
            row[j] = min(y, f32(BRIGHTEST)) if y > f32(0) else f32(0)  # NaN fails this too


@exact
def _missing(light, quarter, out):
    radius = quarter.shape[0] - 1
    rows, columns = out.shape
    wide = columns + 2 * radius
    pair = np.empty((radius + 1, wide), np.float32)
    line = np.empty(wide, np.float32)
    for i in range(rows):
        y = i + radius
        pair[0] = light[y]
        for a in range(1, radius + 1):
            above, below, both = light[y - a], light[y + a], pair[a]
            for j in range(wide):
                both[j] = above[j] + below[j]
        target, own = out[i], light[y, radius : radius + columns]
        for j in range(columns):
            target[j] = -own[j]
        for b in range(radius + 1):
            line[:] = f32(0)
            for a in range(radius + 1):
                weight, both = quarter[a, b], pair[a]
                for j in range(wide):
                    line[j] += weight * both[j]
            left = line[radius - b : radius - b + columns]
            if b == 0:
                for j in range(columns):
                    target[j] += left[j]
            else:
                right = line[radius + b : radius + b + columns]
                for j in range(columns):
                    target[j] += left[j] + right[j]


@exact
def _deblur(light, taken, halo, noise, strength, planes, out):
    rows, columns = planes.shape[1:]
    around = np.empty((3, columns + 2), np.float32)
    low, high, energy = around[0], around[1], around[2]
    found = np.empty((4, columns), np.float32)
    lowest, highest, kept, gain = found[0], found[1], found[2], found[3]
    for i in range(rows):
        y = i + halo
        above = light[y - 1, halo - 1 : halo + columns + 1]
        row = light[y, halo - 1 : halo + columns + 1]
        below = light[y + 1, halo - 1 : halo + columns + 1]
        over, here, under = taken[i], taken[i + 1], taken[i + 2]
        for j in range(columns + 2):
            low[j] = min(above[j], row[j], below[j])
            high[j] = max(above[j], row[j], below[j])
            energy[j] = over[j] * over[j] + here[j] * here[j] + under[j] * under[j]
        own, detail = row[1 : columns + 1], here[1 : columns + 1]
        # one thing at a time: loops as simple as these run in vectors
        _each_three(low, high, energy, lowest, highest, kept)
        for j in range(columns):
            gain[j] = log2(max(own[j], f32(DARKEST)))
        for j in range(columns):
            gain[j] = noise_at(noise, gain[j])
        for j in range(columns):
            share = max(f32(1) - f32(ROOM) * gain[j] / kept[j], f32(0))
            kept[j] = own[j] + strength * share * detail[j]
        for j in range(columns):
            swing = f32(SWING) * (highest[j] - lowest[j])
            floor = lowest[j] - max(f32(DARKER) * lowest[j], min(swing, f32(SWING) * lowest[j]))
            ceiling = highest[j] + max(f32(LIGHTER) * highest[j], swing)
            sharp = min(max(kept[j], floor), ceiling) / max(own[j], f32(DARKEST))
            gain[j] = sharp if own[j] > f32(DARKEST) else f32(1)
        for channel in range(3):
            plane, target = planes[channel, i], out[channel, i]
            for j in range(columns):
                target[j] = plane[j] * gain[j]


@exact
def _each_three(low, high, energy, lowest, highest, mean):
    """Minimum, maximum and mean of every three values beside each other."""
    columns = mean.size
    low_at, low_right = low[1 : columns + 1], low[2 : columns + 2]
    high_at, high_right = high[1 : columns + 1], high[2 : columns + 2]
    energy_at, energy_right = energy[1 : columns + 1], energy[2 : columns + 2]
    for j in range(columns):
        lowest[j] = min(low[j], low_at[j], low_right[j])
        highest[j] = max(high[j], high_at[j], high_right[j])
        mean[j] = (energy[j] + energy_at[j] + energy_right[j]) * f32(1 / 9) + f32(1e-20)
