"""How blurred a picture is, block by block, from its gradients.

A step edge blurred by a Gaussian of σ and blurred again by one of σ₀ loses gradient energy by
``sqrt(1 + σ₀² / σ²)``, whatever its height: Zhuo and Sim ("Defocus map estimation from a single
image", Pattern Recognition 44(9), 2011) measure σ so; here over the energy of whole blocks instead
of at single edges. Knows arrays only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import exact, f32
from pipeline.kernels.masks import box_mean
from pipeline.kernels.texture import lightness

BLOCK = 8
AGAIN_PX = 1.5
"""σ₀."""
HALO = 6
CALM = 0.1
"""Quantile of the gradient energy of blocks of one brightness that is taken for noise."""
FEWEST = 30
"""Blocks of one brightness that show its noise."""
LEAST_TOLD = 0.01
"""Share of blocks around that must show more than noise."""
ROOM = 2.5
"""How far above the calmest blocks noise may reach: the energy of 64 pixels scatters."""
TRUSTED = 2.0
"""How many times the noise a block's energy must be to count in full."""


class Focus:
    """Collects gradient energies strip by strip, each with ``HALO`` rows more on both sides."""

    def __init__(self, height: int, width: int) -> None:
        rows, columns = (
            np.minimum(BLOCK, side - np.arange(0, side, BLOCK)) for side in (height, width)
        )
        self._pixels = (rows[:, None] * columns).astype(np.float32)
        self._sums: Float32 = np.zeros((3, *self._pixels.shape), np.float32)
        self._width = width

    @property
    def energies(self) -> Float32:
        """Means over blocks, (3, rows, columns): gradient energy, the same blurred again, light."""
        return self._sums / self._pixels

    def add(self, planes: Float32, top: int, first: int, last: int) -> None:
        """Rows ``first`` up to ``last`` of a window of the scene, (3, rows, columns).

        They are rows ``top`` and on of the picture; ``top`` is a multiple of ``BLOCK``.
        """
        light = lightness(planes)
        light = np.pad(light, ((HALO, HALO), (HALO, HALO)), mode="edge")
        _energies(light, first + HALO, last - first, self._width, top // BLOCK, _WEIGHTS,
                  self._sums)  # fmt: skip


def blur_of(energies: Float32, radius: int) -> Float32:
    """The blur's standard deviation in pixels, (rows, columns) of blocks, from ``Focus``.

    ``energies`` are those of ``Focus``. Noise, which has its own ratio, is taken off both as the
    calmest blocks of that brightness show it. Blocks are averaged over ``2 radius + 1`` each way,
    as far as they tell anything: plain ones follow what is around them, and where nothing tells the
    blur is infinite.
    """
    first, again = (energy.astype(np.float64) for energy in energies[:2])
    floor, floor_again = _noise(first, again, energies[2])
    trust = np.clip((first - floor) / (TRUSTED * floor + 1e-12), 0.0, 1.0)
    first = box_mean(trust * (first - floor), radius)
    again = box_mean(trust * np.maximum(again - floor_again, 0), radius)
    ratio = first / np.maximum(again, 1e-12)
    # a difference over two pixels is itself a blur, of variance 1/3
    variance = AGAIN_PX**2 / np.maximum(ratio**2 - 1, 1e-6) - 1 / 3
    told = box_mean(trust, radius) > LEAST_TOLD
    return np.where(told, np.sqrt(np.maximum(variance, 0)), np.inf).astype(np.float32)


def _noise(
    first: NDArray[np.float64], again: NDArray[np.float64], light: Float32
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What noise may reach in each block, by its brightness; half a stop a bin."""
    place = np.floor(2 * light).astype(np.int64)
    levels, floors, shares = [], [], []
    for level in np.unique(place):
        inside = place == level
        if np.count_nonzero(inside) < FEWEST:
            continue
        limit = np.quantile(first[inside], CALM)
        calm = inside & (first <= limit)
        levels.append((level + 0.5) / 2)
        floors.append(ROOM * limit)
        shares.append(again[calm].sum() / max(first[calm].sum(), 1e-12))
    if not levels:
        return np.zeros_like(first), np.zeros_like(first)
    floor = np.interp(light, levels, floors)
    return floor, floor * np.interp(light, levels, shares)


_RADIUS = HALO - 1
_TAPS = np.exp(-0.5 * (np.arange(-_RADIUS, _RADIUS + 1) / AGAIN_PX) ** 2)
_WEIGHTS = (_TAPS / _TAPS.sum()).astype(np.float32)


@exact
def _energies(light, first, rows, width, block_row, weights, energies):
    radius = weights.size // 2
    columns = light.shape[1]
    # three rows each of the picture and of the blurred one, in turn
    ring = np.zeros((3, columns), np.float32)
    line = np.empty(columns, np.float32)
    for i in range(first - 1, first + rows + 1):
        line[:] = f32(0)
        for k in range(weights.size):
            weight, row = weights[k], light[i + k - radius]
            for j in range(columns):
                line[j] += weight * row[j]
        soft = ring[i % 3]
        inner = soft[radius : columns - radius]
        inner[:] = f32(0)
        for k in range(weights.size):
            weight, shifted = weights[k], line[k : k + inner.size]
            for j in range(inner.size):
                inner[j] += weight * shifted[j]
        if i < first + 1:
            continue
        y = i - 1
        block = block_row + (y - first) // BLOCK
        above, here, below = light[y - 1], light[y], light[y + 1]
        before, middle, after = ring[(y - 1) % 3], ring[y % 3], ring[(y + 1) % 3]
        for start in range(0, width, BLOCK):
            left, right = start + HALO, min(start + BLOCK, width) + HALO
            one, two, mean = f32(0), f32(0), f32(0)
            for j in range(left, right):
                across, down = here[j + 1] - here[j - 1], below[j] - above[j]
                one += across * across + down * down
                across, down = middle[j + 1] - middle[j - 1], after[j] - before[j]
                two += across * across + down * down
                mean += here[j]
            energies[0, block, start // BLOCK] += one
            energies[1, block, start // BLOCK] += two
            energies[2, block, start // BLOCK] += mean
