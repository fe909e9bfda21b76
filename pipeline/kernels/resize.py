"""Making pictures smaller (or larger) by Lanczos' kernel, on linear planar float32.

Light adds up linearly, so this works on linear values only; encoded ones would darken fine detail.
It knows rows and columns of one channel, not colours, files or deliveries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import f32, inlined, kernel

LOBES = 3
COLUMNS = 512
TILE = 64


@dataclass(frozen=True, slots=True, eq=False)
class Taps:
    """For each target position, which source positions are summed and with which weights.

    ``starts`` (int32, target) is the first source position; ``weights`` (float32, target × taps)
    belongs to it and those that follow, and sums to 1.
    """

    starts: NDArray[np.int32]
    weights: Float32

    @property
    def copies(self) -> bool:
        """Whether every target position is the source position of the same number."""
        return self.weights.shape[1] == 1 and len(self.starts) == 1 + int(self.starts[-1])

    def reach(self, first: int, last: int) -> tuple[int, int]:
        """The source positions, from and up to, that targets ``first`` up to ``last`` need."""
        starts = self.starts[first:last]
        return int(starts.min()), int(starts.max()) + self.weights.shape[1]


def lanczos_taps(count: int, extent: float, target: int) -> Taps:
    """Lanczos' kernel with three lobes for one axis (Duchon, J. Appl. Meteor. 18, 1979).

    ``count`` source samples, of which the picture covers ``extent`` (its last sample may reach
    beyond its edge), become ``target`` samples over the same extent. Where the picture gets smaller
    the kernel is stretched by the ratio, so that it passes only what the target can hold. What it
    would want from beyond the edge is left out and the rest scaled to sum 1.
    """
    if target == extent == count:
        return Taps(np.arange(count, dtype=np.int32), np.ones((count, 1), np.float32))
    ratio = extent / target
    stretch = max(ratio, 1.0)
    width = min(2 * int(np.ceil(LOBES * stretch)), count)
    centres = (np.arange(target) + 0.5) * ratio - 0.5
    starts = np.ceil(centres - LOBES * stretch).astype(np.int64)
    starts = np.clip(starts, 0, count - width)
    distance = (starts[:, None] + np.arange(width) - centres[:, None]) / stretch
    weights = np.where(np.abs(distance) < LOBES, np.sinc(distance) * np.sinc(distance / LOBES), 0)
    weights /= weights.sum(axis=1, keepdims=True)
    return Taps(starts.astype(np.int32), weights.astype(np.float32))


def lanczos_transfer(frequency: ArrayLike, ratio: float) -> NDArray[np.float64]:
    """The modulation that is left of 1 in the source, averaged over where a wave lies.

    ``frequency`` is in cycles a target sample, ``ratio`` how many source samples become one. The
    transform of the kernel, summed numerically (within 1e-6); the same size passes everything.
    """
    frequency = np.asarray(frequency, np.float64)
    if ratio == 1:
        return np.ones_like(frequency)
    at = (np.arange(20 * LOBES) + 0.5) / 20
    kernel = np.sinc(at) * np.sinc(at / LOBES)
    phases = 2 * np.pi * np.multiply.outer(frequency / min(ratio, 1.0), at)
    left: NDArray[np.float64] = np.cos(phases) @ kernel / kernel.sum()
    return left


def resize_rows(
    window: Float32,
    window_top: int,
    rows: Taps,
    columns: Taps,
    first: int,
    last: int,
    out: Float32 | None = None,
) -> Float32:
    """Target rows ``first`` up to ``last`` of a picture, (channels, rows, columns) linear float32.

    ``window`` holds source rows from ``window_top`` on, as many as ``rows.reach(first, last)`` asks
    for. Every value is the same whichever rows are asked for together. They go to ``out`` if it is
    given; where nothing changes size they are a view of ``window``.
    """
    channels, _, width = window.shape
    if out is None and rows.copies and columns.copies:
        return window[:, first - window_top : last - window_top]
    low = np.empty((last - first, width), np.float32)
    if out is None:
        out = np.empty((channels, last - first, len(columns.starts)), np.float32)
    starts = rows.starts[first:last] - np.int32(window_top)
    for channel in range(channels):
        _sum_rows(window[channel], starts, rows.weights[first:last], low)
        _sum_columns(low, columns.starts, columns.weights, out[channel])
    return out


@inlined
def _add(total, source, first, columns, weights):
    """Add ``columns`` of rows ``first`` and on, weighted, to ``total``: four a time, as it is read
    and written less."""
    taps = weights.size
    whole = taps - taps % 4
    for j in range(first, first + whole, 4):
        a, b = source[j, columns], source[j + 1, columns]
        c, d = source[j + 2, columns], source[j + 3, columns]
        w = weights[j - first : j - first + 4]
        wa, wb, wc, wd = w[0], w[1], w[2], w[3]
        for i in range(total.size):
            total[i] += wa * a[i] + wb * b[i] + wc * c[i] + wd * d[i]
    for j in range(first + whole, first + taps):
        a, wa = source[j, columns], weights[j - first]
        for i in range(total.size):
            total[i] += wa * a[i]


@kernel
def _sum_rows(source, starts, weights, out):
    """Each row of ``out`` as a weighted sum of rows of ``source``.

    Columns in blocks, so that the rows that neighbouring sums share are still in the cache.
    """
    for left in range(0, out.shape[1], COLUMNS):
        columns = slice(left, left + COLUMNS)
        for y in range(out.shape[0]):
            total = out[y, columns]
            total[:] = f32(0)
            _add(total, source, starts[y], columns, weights[y])


@kernel
def _sum_columns(source, starts, weights, out):
    """Each column of ``out`` as a weighted sum of columns of ``source``.

    Tiles are turned on their side first, so that a column lies in one piece: every column has its
    own weights, and the sums still run along whole vectors.
    """
    rows, taps, span = source.shape[0], weights.shape[1], 0
    for left in range(0, out.shape[1], TILE):
        span = max(span, starts[min(left + TILE, out.shape[1]) - 1] + taps - starts[left])
    turned, total = np.empty((span, TILE), np.float32), np.empty((TILE, TILE), np.float32)
    for top in range(0, rows, TILE):
        for left in range(0, out.shape[1], TILE):
            right = min(left + TILE, out.shape[1])
            first, last = starts[left], starts[right - 1] + taps
            for y in range(min(TILE, rows - top)):
                row = source[top + y, first:last]
                for x in range(row.size):
                    turned[x, y] = row[x]
            for x in range(left, right):
                total[x - left, :] = f32(0)
                _add(total[x - left], turned, starts[x] - first, slice(0, TILE), weights[x])
            for y in range(min(TILE, rows - top)):
                row = out[top + y, left:right]
                for x in range(row.size):
                    row[x] = total[x, y]
