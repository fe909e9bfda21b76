"""Healing: a hole in a picture is filled with what lies around it, grain included.

Exemplars are pieces of the neighbourhood whose surroundings look like those of the hole (Criminisi,
Pérez and Toyama, "Region filling and object removal by exemplar-based image inpainting", 2004).
Several of the best are averaged with weights that fall with their distance, as non-local means does
(Buades, Coll and Morel, 2005), which keeps what they agree on and loses grain; so grain is put back
from the best one until the hole is as lively as its surroundings. What is left at the rim is taken
away by a membrane: the mismatch is continued inwards by Laplace's equation (Pérez, Gangnet and
Blake, "Poisson image editing", 2003). Knows arrays only.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.elementary import exact, f32

Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

EXEMPLARS = 16
DECAY = 0.25
"""Of weights: an exemplar that is so much worse than the best, relative to it, counts 1/e."""
RIM_PX = 3.0
"""Width of the surroundings that are compared."""
MOST_COMPARED = 256
"""Pixels of the surroundings that are compared, so that large holes do not take long."""
LEVEL_COUNTS = 0.1
"""How much a difference of mean level counts in a comparison: the membrane takes it away."""
REACH = 5.0
"""How far exemplars lie from the hole at most, in its radii, and ``REACH_PX`` more."""
REACH_PX = 16
CALMEST = 0.1
"""Quantile of the energy of fine detail over blocks of the surroundings that is taken for grain."""
TEXTURE = 0.25
"""Share of the surroundings' texture, above grain, that is put back: more of it is livelier and
farther from the truth."""
CALM = 9.0
"""Energy of fine detail, in units of grain's, from which a pixel has more than grain: three
standard deviations."""
BLACK = 1 / 1024
"""Linear level about which the square root turns into a line."""


def reach_px(radius: float) -> int:
    """How far around a hole of such a radius a window must reach for all that may be used."""
    return math.ceil(REACH * radius + REACH_PX + 2 * radius + RIM_PX) + 2


def heal(
    picture: Float32, hole: Flags, other: Flags, source: tuple[int, int] | None = None
) -> Float32:
    """A window of linear light, (3, h, w), with the pixels of ``hole`` (h, w) filled.

    ``other`` marks pixels that must not be used either. ``source`` is how many rows down and
    columns right the piece lies that is taken, where a person chose one; raises ``ValueError``
    where that lies outside the window, or on the hole or ``other``. All is done on square roots of
    the light, on which grain is equally strong in light and shade. Outside of the hole nothing
    changes. Where nothing around can be used, the membrane alone fills the hole.
    """
    flat = np.ascontiguousarray(_rooted(picture).transpose(1, 2, 0))
    inside = np.argwhere(hole).astype(np.int64)
    used: Flags = hole | other
    away = _distances(hole, inside)
    rim = np.argwhere((away > 0) & (away <= RIM_PX) & ~used).astype(np.int64)
    if source is not None:
        moved = inside + np.asarray(source)
        if (moved < 0).any() or (moved >= hole.shape).any() or used[tuple(moved.T)].any():
            raise ValueError("its source lies on a spot, or too far away")
        offsets, weights = np.array([source], np.int64), np.ones(1)
    else:
        offsets, weights = _exemplars(flat, used, inside, rim, away)
    mean = _filled(flat, used, away, inside, offsets, weights)
    if len(offsets) > 1:
        best = _filled(flat, used, away, inside, offsets[:1], np.ones(1))
        mean += _grain(flat, mean, best, used, inside, rim) * (best - mean)
    out = picture.copy()
    out[:, inside[:, 0], inside[:, 1]] = _squared(mean).T
    return out


def _rooted(linear: Float32) -> Float32:
    """The square root of light, a line below ``BLACK``; goes on below zero."""
    bend = f32(math.sqrt(BLACK))
    root = np.sqrt(np.maximum(linear, 0) + f32(BLACK)) - bend
    return np.asarray(np.where(linear >= 0, root, linear / (2 * bend)), np.float32)


def _squared(root: Float32) -> Float32:
    bend = f32(math.sqrt(BLACK))
    linear = np.square(np.maximum(root, 0) + bend) - f32(BLACK)
    return np.asarray(np.where(root >= 0, linear, root * (2 * bend)), np.float32)


def _distances(hole: Flags, inside: Indices) -> Float32:
    """How far each pixel lies from the hole, at least out to the rim's width."""
    out: Float32 = np.full(hole.shape, 1e9, np.float32)
    _spread(inside, math.ceil(RIM_PX), out)
    return out


class _Ranked(NamedTuple):
    offsets: Indices
    scores: NDArray[np.float64]


def _exemplars(
    flat: Float32, used: Flags, inside: Indices, rim: Indices, away: Float32
) -> tuple[Indices, NDArray[np.float64]]:
    """Offsets of the best exemplars, best first, and their weights, which sum to 1."""
    top, left = inside.min(axis=0)
    bottom, right = inside.max(axis=0)
    radius = max(bottom - top + 1, right - left + 1) / 2
    reach = math.ceil(REACH * radius + REACH_PX)
    step = max(1, round(radius / 6))
    compared = rim[:: -(-len(rim) // MOST_COMPARED) or 1]
    weights = np.exp(-away[tuple(compared.T)] / (RIM_PX / 2)).astype(np.float64)
    axis = np.arange(-(reach // step) * step, reach + 1, step)
    offsets = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(-1, 2)
    # what is copied, and the rim by which it is joined
    needed = np.argwhere((away <= 1) & (~used | (away == 0))).astype(np.int64)
    found = _ranked(flat, used, needed, compared, weights, offsets.astype(np.int64))
    if step > 1:
        around = np.arange(-(step // 2), step // 2 + 1)
        near = np.stack(np.meshgrid(around, around, indexing="ij"), axis=-1).reshape(-1, 1, 2)
        offsets = np.unique((near + found.offsets).reshape(-1, 2), axis=0)
        found = _ranked(flat, used, needed, compared, weights, offsets)
    if not len(found.offsets):
        return found.offsets, found.scores
    scores = found.scores - found.scores[0]
    likeness = np.exp(-scores / (DECAY * found.scores[0] + 1e-9))
    return found.offsets, likeness / likeness.sum()


def _ranked(
    flat: Float32,
    used: Flags,
    needed: Indices,
    compared: Indices,
    weights: NDArray[np.float64],
    offsets: Indices,
) -> _Ranked:
    """The best of some offsets, no two of them beside each other."""
    scores = np.empty(len(offsets), np.float64)
    covered = np.zeros((used.shape[0] + 1, used.shape[1] + 1), np.int32)
    covered[1:, 1:] = used.cumsum(axis=0, dtype=np.int32).cumsum(axis=1, dtype=np.int32)
    _compare(flat, used, covered, needed, compared, weights / weights.sum(), offsets, scores)
    chosen: list[int] = []
    taken: set[tuple[int, int]] = set()
    for index in np.argsort(scores, kind="stable").tolist():
        down, across = offsets[index].tolist()
        if not math.isfinite(scores[index]) or len(chosen) == EXEMPLARS:
            break
        if (down, across) not in taken:
            chosen.append(index)
            beside = ((0, 0), (-1, 0), (1, 0), (0, -1), (0, 1))
            taken.update((down + i, across + j) for i, j in beside)
    return _Ranked(offsets[chosen], scores[chosen])


def _filled(
    flat: Float32,
    used: Flags,
    away: Float32,
    inside: Indices,
    offsets: Indices,
    weights: NDArray[np.float64],
) -> Float32:
    """The hole's pixels, (n, 3): the mean of exemplars, and the membrane over its mismatch."""
    rim = np.argwhere((away == 1) & ~used).astype(np.int64)
    copied = np.zeros((len(inside), 3), np.float32)
    mismatch = flat[tuple(rim.T)]
    for offset, weight in zip(offsets, weights.astype(np.float32), strict=True):
        copied += weight * flat[tuple((inside + offset).T)]
        mismatch = mismatch - weight * flat[tuple((rim + offset).T)]
    sheet = np.zeros_like(flat)
    if len(rim):
        sheet[tuple(rim.T)] = mismatch
        sheet[tuple(inside.T)] = mismatch.mean(axis=0)
        counts = away == 0
        counts[tuple(rim.T)] = True
        _relax(sheet, inside, counts, int(np.ptp(inside, axis=0).max()) + 2)
    return np.asarray(copied + sheet[tuple(inside.T)], np.float32)


def _grain(
    flat: Float32, mean: Float32, best: Float32, used: Flags, inside: Indices, rim: Indices
) -> Float32:
    """How far to go from the mean of exemplars to the best one at each pixel, (n, 1), 0 to 1.

    As far as fine detail in the hole has the energy that it should have: what the calmest parts
    around have, which is grain, and a share of what the rim has above that. Calm pixels of the hole
    get grain on their own account too: an edge beside them has energy enough for all.
    """
    nothing = np.zeros((len(inside), 1), np.float32)
    clear = _clear(used)
    energy = _energy(_detail(flat))
    blocks = _block_means(np.where(clear, energy, np.nan))
    rim = rim[clear[tuple(rim.T)]]
    if not len(rim) or not blocks.size:
        return nothing
    grain = float(np.quantile(blocks, CALMEST))
    around = float(energy[tuple(rim.T)].mean())
    wanted = grain + TEXTURE * max(around - grain, 0.0)
    start = np.maximum(inside.min(axis=0) - 1, 0)
    stop = inside.max(axis=0) + 2
    window = flat[start[0] : stop[0], start[1] : stop[1]]
    there = tuple((inside - start).T)
    fills = []
    for fill in (mean, best):
        patched = window.copy()
        patched[there] = fill
        fills.append(_detail(patched)[there].astype(np.float64))
    change = fills[1] - fills[0]
    calm = (fills[0] ** 2).mean(axis=1) < CALM * grain
    own = _share(fills[0][calm], change[calm], grain)
    share = _share(fills[0], change, wanted)
    return np.asarray(np.where(calm[:, None], max(own, share), share), np.float32)


def _share(detail: NDArray[np.float64], change: NDArray[np.float64], wanted: float) -> float:
    """How much of a change, 0 to 1, gives detail an energy."""
    if not detail.size:
        return 0.0
    have, gained = (detail**2).mean(), (change**2).mean()
    if have >= wanted or gained <= 0:
        return 0.0
    half = (detail * change).mean()
    return float(min((math.sqrt(half**2 + gained * (wanted - have)) - half) / gained, 1.0))


def _detail(flat: Float32) -> Float32:
    """A picture without its mean over 3 × 3 pixels, (h, w, 3)."""
    edged = np.pad(flat, ((1, 1), (1, 1), (0, 0)), "edge")
    rows = edged[:-2] + 2 * edged[1:-1] + edged[2:]
    blurred = (rows[:, :-2] + 2 * rows[:, 1:-1] + rows[:, 2:]) / 16
    return np.asarray(flat - blurred, np.float32)


def _energy(detail: Float32) -> Float32:
    return np.asarray(np.square(detail).mean(axis=2), np.float32)


def _clear(used: Flags) -> Flags:
    """Pixels whose neighbours can all be used."""
    edged = np.pad(used, 1)
    rows = edged[:-2] | edged[1:-1] | edged[2:]
    return ~(rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:])


def _block_means(values: Float32, side: int = 8) -> NDArray[np.float64]:
    """Means of whole blocks without NaN in them."""
    height, width = (length // side * side for length in values.shape)
    blocks = values[:height, :width].reshape(height // side, side, width // side, side)
    means = blocks.mean(axis=(1, 3), dtype=np.float64).ravel()
    return np.asarray(means[np.isfinite(means)], np.float64)


# --- the loops ------------------------------------------------------------------------------------


@exact
def _spread(inside, reach, out):
    height, width = out.shape
    for k in range(inside.shape[0]):
        y, x = inside[k, 0], inside[k, 1]
        for i in range(max(y - reach, 0), min(y + reach + 1, height)):
            for j in range(max(x - reach, 0), min(x + reach + 1, width)):
                distance = np.sqrt(f32((i - y) * (i - y) + (j - x) * (j - x)))
                out[i, j] = min(out[i, j], distance)


@exact
def _compare(flat, used, covered, needed, compared, weights, offsets, scores):
    height, width = used.shape
    upper, lower = needed[:, 0].min(), needed[:, 0].max() + 1
    left, right = needed[:, 1].min(), needed[:, 1].max() + 1
    for index in range(offsets.shape[0]):
        down, across = offsets[index, 0], offsets[index, 1]
        scores[index] = np.inf
        top, bottom, first, last = upper + down, lower + down, left + across, right + across
        if top < 0 or bottom > height or first < 0 or last > width:
            continue
        free = True
        upper_sum = covered[top, last] - covered[top, first]
        if covered[bottom, last] - covered[bottom, first] != upper_sum:
            for k in range(needed.shape[0]):
                if used[needed[k, 0] + down, needed[k, 1] + across]:
                    free = False
                    break
        if not free:
            continue
        total = 0.0
        red, green, blue = 0.0, 0.0, 0.0
        weight = 0.0
        for k in range(compared.shape[0]):
            y, x = compared[k, 0], compared[k, 1]
            i, j = y + down, x + across
            if i < 0 or j < 0 or i >= height or j >= width or used[i, j]:
                continue
            r = flat[i, j, 0] - flat[y, x, 0]
            g = flat[i, j, 1] - flat[y, x, 1]
            b = flat[i, j, 2] - flat[y, x, 2]
            w = weights[k]
            total += w * (r * r + g * g + b * b)
            red += w * r
            green += w * g
            blue += w * b
            weight += w
        if weight > 0.75:
            level = (red * red + green * green + blue * blue) / weight
            scores[index] = (total - (1 - LEVEL_COUNTS) * level) / weight


@exact
def _relax(sheet, inside, counts, extent):
    """Laplace's equation inside, by successive over-relaxation (Young, 1954), rim held.

    Pixels that do not count, as those beyond a frame's edge, pull nowhere.
    """
    height, width = counts.shape
    over = f32(2 / (1 + math.sin(math.pi / extent)))
    for _ in range(3 * extent + 20):
        for k in range(inside.shape[0]):
            y, x = inside[k, 0], inside[k, 1]
            red, green, blue, count = f32(0), f32(0), f32(0), f32(0)
            for side in range(4):
                i = y + (side == 0) - (side == 1)
                j = x + (side == 2) - (side == 3)
                if 0 <= i < height and 0 <= j < width and counts[i, j]:
                    red += sheet[i, j, 0]
                    green += sheet[i, j, 1]
                    blue += sheet[i, j, 2]
                    count += f32(1)
            if count > f32(0):
                sheet[y, x, 0] += over * (red / count - sheet[y, x, 0])
                sheet[y, x, 1] += over * (green / count - sheet[y, x, 1])
                sheet[y, x, 2] += over * (blue / count - sheet[y, x, 2])
