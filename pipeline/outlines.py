"""Numbered outlines of regions over a picture: what a retoucher is asked for, and where.

Lines run around a region and never over it, and its number stands beside it, as far as there is
room. Knows nothing of requests or files.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.frame import Float32
from pipeline.kernels.overlay import DARK, LIGHT, drawn

GAP = 0.0035
"""From a region to the middle of its line; this and what follows as shares of the long side."""
HALF_WIDTH = 0.0017
DISC = 0.0175
"""Radius of the disc that a number stands in."""
LEADER = 0.006
"""Distance from a disc to its line above which the two are joined."""
LEAST_PX = (2.5, 1.25, 7.0, 4.0)
"""The least of each of these in pixels, in a small picture."""
HALF = 0.5
LEAST_PART = 0.003
"""Of a region's area: smaller islands of it get no line of their own."""
COARSE = 4
"""Pixels between the places that are tried for a disc."""


class _Sizes(NamedTuple):
    """In pixels of the picture."""

    gap: float
    half_width: float
    disc: float
    leader: float


def numbered(picture: NDArray[np.uint8], regions: Mapping[int, Float32]) -> NDArray[np.uint8]:
    """The picture, (h, w, 3) uint8, with an outline around every region and its number beside it.

    ``regions`` are densities (h, w), 0 to 1, by number; the outline is that of half of what they
    reach. One that is 0 everywhere is left out. A line that would lie outside the picture is drawn
    just inside its edge.
    """
    long_side = max(picture.shape[:2])
    shares = (share * long_side for share in (GAP, HALF_WIDTH, DISC, LEADER))
    sizes = _Sizes(*map(max, shares, LEAST_PX))
    off = {number: _outside(density, sizes) for number, density in regions.items() if density.any()}
    if not off:
        return picture.copy()
    line = np.full(picture.shape[:2], np.inf, np.float32)
    for each in off.values():
        np.minimum(line, _along(each, sizes), out=line)
    places = _places(off, sizes)
    for number, place in places.items():
        _join(line, place, off[number], sizes)
    out = drawn(picture, line.astype(np.float64), sizes.half_width)
    for place in places.values():
        _draw_disc(out, place, sizes.disc)
    return _lettered(out, places, sizes.disc)


def _outside(density: Float32, sizes: _Sizes) -> Float32:
    """How far each pixel is from a region; 0 inside."""
    import cv2

    region = density >= HALF * density.max()
    edge = int(np.ceil(sizes.gap + 2 * sizes.half_width))
    inner = np.zeros_like(region)
    inner[edge:-edge, edge:-edge] = region[edge:-edge, edge:-edge]
    # a region that lies wholly along the edge keeps what it has
    parts = (inner if inner.any() else region).astype(np.uint8)
    _, labels, statistics, _ = cv2.connectedComponentsWithStats(parts)
    areas = statistics[:, cv2.CC_STAT_AREA]
    kept = areas >= LEAST_PART * np.count_nonzero(parts)
    kept[0] = False  # the ground
    outside = np.where(kept[labels], np.uint8(0), np.uint8(1))
    return np.asarray(
        cv2.distanceTransform(outside, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32
    )


def _along(outside: Float32, sizes: _Sizes) -> Float32:
    """How far each pixel is from a region's line, which is even where the region has steps."""
    import cv2

    even = np.asarray(cv2.GaussianBlur(outside, (0, 0), max(sizes.gap / 3, 0.5)), np.float32)
    off: Float32 = np.abs(even - np.float32(sizes.gap))
    return off


def _places(off: Mapping[int, Float32], sizes: _Sizes) -> dict[int, tuple[float, float]]:
    """The middles of the discs: beside their regions, and clear of others where there is room."""
    height, width = next(iter(off.values())).shape
    margin = int(sizes.disc + 3 * sizes.half_width)
    rows = np.arange(min(margin, height // 2), max(height - margin, height // 2 + 1), COARSE)
    columns = np.arange(min(margin, width // 2), max(width - margin, width // 2 + 1), COARSE)
    clear = sizes.gap + 3 * sizes.half_width + sizes.disc
    away = {number: each[np.ix_(rows, columns)].astype(np.float64) for number, each in off.items()}
    over = {number: 1 - np.minimum(each / clear, 1) for number, each in away.items()}
    over_any = sum(over.values())
    taken = np.zeros((len(rows), len(columns)), bool)
    far = 10.0 * max(height, width)
    places: dict[int, tuple[float, float]] = {}
    # the smallest first: what they belong to shows only beside them
    for number in sorted(off, key=lambda number: (np.count_nonzero(off[number] == 0), number)):
        covers = away[number] < clear
        if covers.all():  # it fills the frame: its number stands in the upper left corner
            cost = np.hypot(rows[:, None], columns[None, :])
        else:
            cost = away[number] + 0.1 * far * (over_any - over[number]) + 4 * far * covers
        cost = cost + 2 * far * taken
        row, column = np.unravel_index(np.argmin(cost), cost.shape)
        y, x = float(rows[row]), float(columns[column])
        places[number] = y, x
        taken |= np.hypot(rows[:, None] - y, columns[None, :] - x) < 2.3 * sizes.disc
    return places


def _join(line: Float32, place: tuple[float, float], own: Float32, sizes: _Sizes) -> None:
    """Lead a line from a disc to the outline that it belongs to, where they lie apart."""
    y, x = place
    if own[int(y), int(x)] - sizes.gap - sizes.disc < sizes.leader:
        return
    inside = np.argwhere(own == 0)
    towards = inside[np.argmin(np.hypot(inside[:, 0] - y, inside[:, 1] - x))] - place
    length = float(np.hypot(*towards))
    down, right = towards / length
    beside = int(4 * sizes.half_width) + 1
    ends = (y, x), (y + towards[0], x + towards[1])
    first, left = (max(int(min(pair)) - beside, 0) for pair in zip(*ends, strict=True))
    last, end = (int(max(pair)) + beside for pair in zip(*ends, strict=True))
    window = line[first:last, left:end]
    rows, columns = np.ogrid[0 : window.shape[0], 0 : window.shape[1]]
    rows, columns = rows + first - y, columns + left - x
    along = rows * down + columns * right
    beyond = np.maximum(np.maximum(-along, along - (length - sizes.gap)), 0)
    np.minimum(window, np.hypot(rows * right - columns * down, beyond), out=window)


def _draw_disc(picture: NDArray[np.uint8], place: tuple[float, float], radius: float) -> None:
    """A dark disc with a light ring and a dark rim, drawn into the picture."""
    first, left = (max(int(middle - radius - 1), 0) for middle in place)
    window = picture[first : int(place[0] + radius + 3), left : int(place[1] + radius + 3)]
    rows, columns = np.ogrid[0 : window.shape[0], 0 : window.shape[1]]
    away = np.hypot(rows + first - place[0], columns + left - place[1])
    ring = max(radius * 0.09, 1.0)
    out = window.astype(np.float64)
    for shade, reach in ((DARK, radius), (LIGHT, radius - ring), (DARK, radius - 2 * ring)):
        covered = np.clip(reach - away + 0.5, 0, 1)[..., None]
        out += covered * (shade - out)
    window[:] = np.rint(out)


def _lettered(
    picture: NDArray[np.uint8], places: Mapping[int, tuple[float, float]], radius: float
) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw, ImageFont

    page = Image.fromarray(picture)
    draw = ImageDraw.Draw(page)
    one, two = (ImageFont.load_default(radius * share) for share in (1.25, 1.05))
    for number, (y, x) in sorted(places.items()):
        font = one if number < 10 else two
        draw.text((x + 0.5, y + 0.5), str(number), (int(LIGHT),) * 3, font, anchor="mm")
    return np.asarray(page)
