"""Clipped highlights: what a full channel would have been, from the colour of what lies around it.

A sensor clips each channel at one level, and white balance lifts those levels apart: left alone, a
blown highlight turns magenta. The approach is ours; the spreading of colours into the holes is the
push-pull pyramid of Gortler, Grzeszczuk, Szeliski and Cohen, "The lumigraph" (SIGGRAPH 1996). All
values are linear, as-shot balanced RGB. Knows nothing of files or mosaics.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels.elementary import f32, inlined, kernel

Float32 = NDArray[np.float32]

ONSET = f32(0.94)
"""The share of its clipping level from which on a channel is doubted; below, nothing is touched."""
FULL = f32(0.99)
"""The share from which on a channel is taken to be clipped."""
WHITENING = f32(0.75)
"""When even the least exposed channel reaches this share, a clipped pixel turns towards neutral."""
HEADROOM = f32(1.5)
"""What a channel is restored to at most, in units of the highest clipping level."""
ENOUGH = f32(0.15)
"""How much of the surrounding colour must lie in open channels for a restoration to be believed."""
BRIGHT = f32(0.5)
"""The share from which on a block's colour counts: what is darker belongs to something else."""
UNLIKE = f32(0.2)
"""Sum of differences from a neighbour's colour at which a block counts as an edge."""
EDGE_WEIGHT = f32(0.02)
"""How much the colour of an edge counts, which may be a mixture."""
MISFIT = f32(0.3)
"""How far the open channels miss the colour around, as a share of their sum, when it is half
believed."""
BLOCK = 4
"""The small picture has one pixel for this many rows and columns."""
FIELD = 2 * BLOCK
"""Surrounding colours are kept for this many rows and columns."""


@inlined
def _smooth(x):
    x = min(max(x, f32(0)), f32(1))
    return x * x * (f32(3) - f32(2) * x)


@kernel
def _chromaticities(small, peak, colours, peaks):
    """Colours and peaks at half the scale of the small picture."""
    height, width = peak.shape
    for y in range(peaks.shape[0]):
        for x in range(peaks.shape[1]):
            r = g = b = highest = f32(0)
            for i in range(2 * y, min(2 * y + 2, height)):
                for j in range(2 * x, min(2 * x + 2, width)):
                    r += max(small[i, j, 0], f32(0))
                    g += max(small[i, j, 1], f32(0))
                    b += max(small[i, j, 2], f32(0))
                    highest = max(highest, peak[i, j])
            total = r + g + b + f32(1e-6)
            colours[y, x, 0], colours[y, x, 1], colours[y, x, 2] = r / total, g / total, b / total
            peaks[y, x] = highest


@kernel
def _seed_weights(colours, peak, weights):
    """How much each block's colour counts: bright and open ones whose neighbours look alike."""
    height, width = peak.shape
    for y in range(height):
        for x in range(width):
            weights[y, x] = f32(0)
            if BRIGHT < peak[y, x] < ONSET:
                unlike = f32(0)
                for i in range(max(y - 1, 0), min(y + 2, height)):
                    for j in range(max(x - 1, 0), min(x + 2, width)):
                        if peak[i, j] < ONSET:
                            difference = f32(0)
                            for c in range(3):
                                difference += abs(colours[i, j, c] - colours[y, x, c])
                            unlike = max(unlike, difference)
                bright = _smooth((peak[y, x] - BRIGHT) / (ONSET - BRIGHT))
                alike = _smooth(f32(1) - unlike / UNLIKE)
                weights[y, x] = bright * (EDGE_WEIGHT + (f32(1) - EDGE_WEIGHT) * alike)


@kernel
def _pushed(colours, weights, coarse, coarse_weights):
    """Two by two places become one, by their weights, which add up to at most 1."""
    height, width = weights.shape
    for y in range(coarse.shape[0]):
        for x in range(coarse.shape[1]):
            total = r = g = b = f32(0)
            for i in range(2 * y, min(2 * y + 2, height)):
                for j in range(2 * x, min(2 * x + 2, width)):
                    weight = weights[i, j]
                    total += weight
                    r += weight * colours[i, j, 0]
                    g += weight * colours[i, j, 1]
                    b += weight * colours[i, j, 2]
            safe = max(total, f32(1e-20))
            coarse[y, x, 0], coarse[y, x, 1], coarse[y, x, 2] = r / safe, g / safe, b / safe
            coarse_weights[y, x] = min(total, f32(1))


@inlined
def _place(position, length):
    """The lower of two neighbouring indices and the share of the upper one."""
    position = min(max(position, f32(0)), f32(length - 1))
    lower = min(int(position), max(length - 2, 0))
    return lower, min(lower + 1, length - 1), position - f32(lower)


@kernel
def _pulled(colours, weights, coarse):
    """What has little weight takes the colour of the coarser level, in place."""
    for y in range(colours.shape[0]):
        top, bottom, v = _place((f32(y) - f32(0.5)) * f32(0.5), coarse.shape[0])
        for x in range(colours.shape[1]):
            left, right, u = _place((f32(x) - f32(0.5)) * f32(0.5), coarse.shape[1])
            share = weights[y, x]
            for c in range(3):
                above = coarse[top, left, c] + u * (coarse[top, right, c] - coarse[top, left, c])
                below = coarse[bottom, left, c] + u * (
                    coarse[bottom, right, c] - coarse[bottom, left, c]
                )
                around = above + v * (below - above)
                colours[y, x, c] = around + share * (colours[y, x, c] - around)


@kernel
def colour_around(colours, y, x):
    """The surrounding colour at a pixel: three channels that sum to 1."""
    centre = f32(0.5 * (FIELD - 1))
    above, below, v = _place((f32(y) - centre) / f32(FIELD), colours.shape[0])
    left, right, u = _place((f32(x) - centre) / f32(FIELD), colours.shape[1])
    return (
        _between(colours, above, below, left, right, u, v, 0),
        _between(colours, above, below, left, right, u, v, 1),
        _between(colours, above, below, left, right, u, v, 2),
    )


@inlined
def _between(colours, above, below, left, right, u, v, c):
    high = colours[above, left, c] + u * (colours[above, right, c] - colours[above, left, c])
    low = colours[below, left, c] + u * (colours[below, right, c] - colours[below, left, c])
    return high + v * (low - high)


@inlined
def _raised(value, estimate, limit, trust):
    """A value raised towards an estimate, which flattens out beyond ``limit``."""
    if estimate > limit:
        excess, room = estimate - limit, (HEADROOM - f32(1)) * limit
        estimate = limit + excess * room / (excess + room)
    return value + trust * max(estimate - value, f32(0))


@kernel
def restored(r, g, b, around, clip):
    """One pixel with its clipped channels restored, for use inside kernels.

    A clipped channel follows the open ones in the ratio of the colour ``around``, or of neutral
    where they do not fit that; where all are clipped the result is neutral at the highest level of
    ``clip``, (3,). No channel gets darker, and none moves while all are under ``ONSET``.
    """
    share_r, share_g, share_b = r / clip[0], g / clip[1], b / clip[2]
    limit = max(clip[0], clip[1], clip[2])
    full_r = _smooth((share_r - ONSET) / (FULL - ONSET))
    full_g = _smooth((share_g - ONSET) / (FULL - ONSET))
    full_b = _smooth((share_b - ONSET) / (FULL - ONSET))
    open_r, open_g, open_b = f32(1) - full_r, f32(1) - full_g, f32(1) - full_b
    known_r, known_g = open_r * max(r, f32(0)), open_g * max(g, f32(0))
    known_b = open_b * max(b, f32(0))
    known = known_r + known_g + known_b

    # how far the open channels are from the colour around, as a share of their sum
    scale = known / (open_r * around[0] + open_g * around[1] + open_b * around[2] + f32(1e-6))
    miss = (
        abs(known_r - scale * open_r * around[0])
        + abs(known_g - scale * open_g * around[1])
        + abs(known_b - scale * open_b * around[2])
    ) / (known + f32(1e-6))
    believed = f32(1) / (f32(1) + miss * miss / (MISFIT * MISFIT))
    third = (f32(1) - believed) / f32(3)
    colour_r = believed * around[0] + third
    colour_g = believed * around[1] + third
    colour_b = believed * around[2] + third

    share = open_r * colour_r + open_g * colour_g + open_b * colour_b
    brightness = known / (share + f32(1e-6))
    trust = _smooth(share / ENOUGH)
    white = max(full_r, full_g, full_b) * _smooth(
        (min(share_r, share_g, share_b) - WHITENING) / (FULL - WHITENING)
    )
    r2 = _raised(r, colour_r * brightness, limit, trust * full_r)
    g2 = _raised(g, colour_g * brightness, limit, trust * full_g)
    b2 = _raised(b, colour_b * brightness, limit, trust * full_b)
    return (
        max(r, r2 + white * (limit - r2)),
        max(g, g2 + white * (limit - g2)),
        max(b, b2 + white * (limit - b2)),
    )


@kernel
def _add_restored(small, peaks, clip, around, colours, weights):
    """Count also places where two channels are open, with the third as they and ``around`` say."""
    height, width, _ = small.shape
    for y in range(peaks.shape[0]):
        for x in range(peaks.shape[1]):
            if peaks[y, x] < ONSET:
                continue
            r = g = b = most = f32(0)
            least = f32(1e9)
            closed_r = closed_g = closed_b = False
            bottom, right = min(2 * y + 2, height), min(2 * x + 2, width)
            for i in range(2 * y, bottom):
                for j in range(2 * x, right):
                    closed_r |= small[i, j, 0] >= ONSET * clip[0]
                    closed_g |= small[i, j, 1] >= ONSET * clip[1]
                    closed_b |= small[i, j, 2] >= ONSET * clip[2]
                    light = small[i, j, 0] + small[i, j, 1] + small[i, j, 2]
                    most, least = max(most, light), min(least, light)
                    r, g, b = r + small[i, j, 0], g + small[i, j, 1], b + small[i, j, 2]
            if int(closed_r) + int(closed_g) + int(closed_b) != 1:
                continue
            count = f32((bottom - 2 * y) * (right - 2 * x))
            r, g, b = restored(r / count, g / count, b / count, around[y, x], clip)
            total = r + g + b
            colours[y, x, 0], colours[y, x, 1], colours[y, x, 2] = r / total, g / total, b / total
            weights[y, x] = _smooth(f32(1) - (most - least) / (UNLIKE * most))


def surrounding_colours(small: Float32, peak: Float32, clip: Float32) -> Float32 | None:
    """The colour of each place if it were not clipped, or None where nothing is clipped.

    ``small``, (h, w, 3), is the picture's mean in each block of ``BLOCK`` × ``BLOCK`` pixels;
    ``peak``, (h, w), the largest share of its channel's clipping level among the block's samples;
    ``clip``, (3,), those levels. Colours come from open places first, then also from those with one
    clipped channel: where two are clipped a single one tells of no colour, and what blew out next
    to it is more like it than what lies behind both. The result has a pixel for ``FIELD`` ×
    ``FIELD``; its channels sum to 1.
    """
    if peak.max(initial=0) < ONSET:
        return None
    height, width = ((side + 1) // 2 for side in peak.shape)
    colours = np.empty((height, width, 3), np.float32)
    peaks, weights = np.empty((2, height, width), np.float32)
    _chromaticities(small, peak, colours, peaks)
    _seed_weights(colours, peaks, weights)
    around = colours.copy()
    _spread(around, weights)
    _add_restored(small, peaks, clip, around, colours, weights)
    _spread(colours, weights)
    return colours


def _spread(colours: Float32, weights: Float32) -> None:
    """Fill in colours by their weights, in place: push, then pull."""
    levels: list[tuple[Float32, Float32]] = [(colours, weights)]
    while levels[-1][1].size > 1:
        height, width = ((side + 1) // 2 for side in levels[-1][1].shape)
        coarse = np.empty((height, width, 3), np.float32), np.empty((height, width), np.float32)
        _pushed(levels[-1][0], levels[-1][1], coarse[0], coarse[1])
        levels.append(coarse)
    above = np.full((1, 1, 3), 1 / 3, np.float32)
    for fine, weight in reversed(levels):
        _pulled(fine, weight, above)
        above = fine


@kernel
def _restore(picture, top, colours, clip):
    _, rows, width = picture.shape
    low_r, low_g, low_b = ONSET * clip[0], ONSET * clip[1], ONSET * clip[2]
    for y in range(rows):
        row_r, row_g, row_b = picture[0, y], picture[1, y], picture[2, y]
        for x in range(width):
            r, g, b = row_r[x], row_g[x], row_b[x]
            if r >= low_r or g >= low_g or b >= low_b:
                around = colour_around(colours, top + y, x)
                row_r[x], row_g[x], row_b[x] = restored(r, g, b, around, clip)


def restore_highlights(picture: Float32, top: int, colours: Float32, clip: Float32) -> None:
    """Restore clipped channels of rows ``top`` and on of a picture in three planes, in place.

    ``picture`` is (3, rows, width); ``colours`` comes from ``surrounding_colours``; ``clip``, (3,),
    is the value at which each channel clips. A pixel depends on itself and ``colours`` only.
    """
    _restore(picture, top, colours, clip)
